"""Lake report."""

from html import escape

from qgis.core import (
    QgsMapRendererCustomPainterJob,
    QgsMapSettings,
    QgsProcessingParameterFileDestination,
    QgsRectangle,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP, QSize
from qgis.PyQt.QtGui import QColor, QImage, QPainter

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._reports import html_page
from .._reports.curve_picture import curve_picture
from .._reports.plain_page import write_pdf
from .._sheets import sheet_inputs
from .._sheets.own_project import own_project
from .._sheets.page_map import map_extent
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.wording.curve_drawing import hypsographic_drawing

#: Roles that the small map shows, from the top downward: legible at the size of a postcard.
_SHOWN = ("shoreline", "break_lines", "contours", "depth_areas", "surface")


class LakeReport(LakefloorAlgorithm):
    NAME = "lakereport"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Lake report")
    GROUP = "share"
    DRAWS = True
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "report,plain words,plain language,one page,one-page,handout,fact sheet,newsletter,"
        "lake association,lake owners,pdf,html,web page,summary",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Writes one page about the lake in plain words, for people who do not read charts. Use it "
        "for the members of a lake association. It is a PDF, and a web page if you like.\n\n"
        "The page says how large and how deep the lake is, how it was surveyed, and how sure the "
        "depths are. It explains the map and what the lake level does. A small map, a curve and "
        "the cautions complete it.\n\n"
        "The figures are those of Lake statistics at the lake datum. If a layer is empty, its "
        "sentences are left out. The map is not for navigation, and says nothing about ice.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "An American football field is 360 by 160 ft with its end zones, a football pitch 105 by "
        "68 m. A swimming pool is 50 by 25 m and 2 m deep. A story of a house is 3 m high.",
    )
    FORM = ("SURFACE", "SHORELINE", "CONTOURS", "SOUNDINGS", "TITLE", "OUTPUT", "WEB_PAGE")

    def declare(self):
        for parameter in sheet_inputs.sheet(
            "surface",
            "shoreline",
            "contours",
            "depth_areas",
            "break_lines",
            "soundings",
            needed=("surface", "shoreline"),
            sizes=("A4", "Letter"),
        ):
            self.addParameter(parameter)
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Lake report"), tr("PDF files (*.pdf)")
            )
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                "WEB_PAGE",
                tr("Lake report as a web page"),
                tr("HTML files (*.html)"),
                optional=True,
                createByDefault=False,
            )
        )

    def compute(self, inputs, outputs):
        from .._sheets.layer_facts import collect_facts
        from ..core.wording.plain_words import report_sections

        progress = inputs.progress
        layers = sheet_inputs.layers(inputs)
        shoreline = layers["shoreline"]
        crs = inputs.metric_crs(shoreline)
        settings = sheet_inputs.settings(inputs)
        facts = collect_facts(layers, crs, settings, inputs, span(progress, 0.0, 0.6))
        if facts.statistics is None:
            raise LakefloorError(
                tr(
                    "The figures of the lake cannot be computed from the depth surface. See the log "
                    "for the reason, then choose another surface or shoreline."
                )
            )
        sections = report_sections(facts, "break_lines" in layers)
        pictures = {
            "map": _small_map(layers, map_extent(shoreline, crs, inputs), crs),
            "curve": curve_picture(hypsographic_drawing(facts.curve, settings.unit)),
        }
        progress(0.8)
        for heading, lines in sections:
            for line in (f"{heading}:", *(f"- {line}" for line in lines)):
                inputs.say(line)
        write_pdf(outputs.file(params.OUTPUT), settings, sections, pictures)
        outputs.text("WEB_PAGE", lambda: _web_page(settings, sections, pictures))
        progress(1.0)


def _small_map(layers, extent, crs) -> QImage:
    """Return the lake as a picture on white, as wide as a page."""
    drawn = {
        role: layer
        for role, layer in layers.items()
        if role in _SHOWN and not (role == "surface" and "depth_areas" in layers)
    }
    with own_project() as project:
        copies = sheet_inputs.styled_copies(drawn, _SHOWN, project)
        around = QgsRectangle(extent)
        around.grow(0.03 * max(extent.width(), extent.height()))
        width = 2000
        height = int(max(width * min(around.height() / around.width(), 1.0), 400))
        settings = QgsMapSettings()
        settings.setLayers(list(copies.values()))
        settings.setDestinationCrs(crs)
        settings.setOutputSize(QSize(width, height))
        settings.setOutputDpi(280)
        settings.setExtent(around)
        settings.setTransformContext(project.transformContext())
        image = QImage(width, height, QImage.Format.Format_RGB32)
        image.fill(QColor("white"))
        painter = QPainter(image)
        job = QgsMapRendererCustomPainterJob(settings, painter)
        job.renderSynchronously()
        painter.end()
        return image


def _web_page(settings, sections, pictures) -> str:
    parts = [html_page.remark(escape(settings.lake))] if settings.lake else []
    for heading, lines in sections:
        parts.append(f"<h2>{escape(heading)}</h2><p>{escape(' '.join(lines))}</p>")
        if heading == sections[0][0]:
            parts.append(html_page.picture(tr("Map of the lake"), pictures["map"]))
    title = tr("Area of the lake at each depth or deeper")
    parts.append(html_page.picture(title, pictures["curve"]))
    return html_page.page(escape(settings.title), parts)
