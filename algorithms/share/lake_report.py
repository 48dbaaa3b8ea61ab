"""Lake report."""

import base64
from html import escape

from qgis.core import (
    QgsMapRendererCustomPainterJob,
    QgsMapSettings,
    QgsProcessingParameterFileDestination,
    QgsRectangle,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP, QBuffer, QByteArray, QIODevice, QSize
from qgis.PyQt.QtGui import QColor, QImage, QPainter

from .. import _html
from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import metric_crs
from .._outputs import Outputs
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.share import plain_words, sheet
from . import _inputs as inputs
from ._plain_page import curve_picture, write_pdf
from ._project import own_project
from ._sheet import collect_facts, map_extent

#: Roles that the small map shows, from the top downward: legible at the size of a postcard.
_SHOWN = ("shoreline", "break_lines", "contours", "depth_areas", "surface")


class LakeReport(LakefloorAlgorithm):
    NAME = "lakereport"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Lake report")
    GROUP = "share"
    MAIN_THREAD = True
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "report,plain words,one page,lake association,pdf,html,summary"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "One page about the lake in plain words, for people who do not read charts: how large and "
        "how deep it is, how it was surveyed and how sure the depths are, what the map shows, "
        "what the water level does, with a small map, one curve and the cautions. Written as a "
        "PDF of one page and as a web page.\n\n"
        "The figures are those of Lake statistics at the lake datum. What was surveyed comes from "
        "the soundings, the lines of the map from the contours; leave a layer out and its "
        "sentences are left out. The map is not for navigation, and says nothing about ice.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Comparisons: a field of American football of 360 by 160 ft with its end zones, a football "
        "pitch of 105 by 68 m, a swimming pool of 50 by 25 m that is 2 m deep, a storey of 3 m",
    )

    def initAlgorithm(self, configuration=None):
        for parameter in inputs.sheet(
                "surface", "shoreline", "contours", "depth_areas", "break_lines", "soundings",
                needed=("surface", "shoreline"), papers=("A4", "Letter")):
            self.addParameter(parameter)
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Lake report"), tr("PDF files (*.pdf)"))
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                "PAGE", tr("Lake report as a web page"), tr("HTML files (*.html)"), optional=True,
                createByDefault=False)
        )

    def compute(self, parameters, context, feedback):
        progress = self.progress(feedback)
        layers = inputs.layers(self, parameters, context, feedback)
        shoreline = layers["shoreline"]
        crs = metric_crs(shoreline.crs(), shoreline.extent(), shoreline.name(), feedback)
        unit = self.parameterAsEnumString(parameters, "UNIT", context)
        texts = inputs.texts(self, parameters, context)
        facts = collect_facts(layers, crs, context, feedback, unit=unit,
                              progress=span(progress, 0.0, 0.6), **texts)
        if facts.statistics is None:
            raise LakefloorError(
                tr("No figures of the lake could be made from the depth surface; the log says "
                   "why."))
        sections = _sections(facts, "break_lines" in layers, texts)
        pictures = {
            "map": _small_map(layers, map_extent(shoreline, crs, context), crs),
            "curve": curve_picture(facts.curve, unit),
        }
        facts.subtitle = texts["lake"]
        progress(0.8)
        for heading, lines in sections:
            feedback.pushInfo(f"{heading}: {' '.join(lines)}")
        with Outputs(self, parameters, context, feedback) as out:
            write_pdf(out.file(params.OUTPUT), facts.title, facts.subtitle, sections, pictures,
                      self.parameterAsEnumString(parameters, "PAPER", context))
            out.text("PAGE", lambda: _web_page(facts, sections, pictures))
            progress(1.0)
        return out.results


def _sections(facts, drop_offs, texts) -> list:
    """Return headings with their sentences."""
    unit = facts.unit
    closing = [tr("Made by {}.").format(texts["author"])] if texts["author"] else []
    closing += [line.strip() for line in texts["sources"].splitlines() if line.strip()]
    sections = [
        (tr("The lake"), plain_words.lake_sentences(facts.statistics, unit)),
        (tr("How it was surveyed, and how sure the depths are"), plain_words.survey_sentences(
            unit, dates=facts.dates, outings=len(facts.visits), used=facts.used,
            lanes=facts.lanes, spacing=facts.spacing, crossings=facts.crossings,
            between=facts.between, uncertainty=facts.uncertainty, supported=facts.supported)),
        (tr("What the map shows"), plain_words.map_sentences(
            unit, facts.interval, facts.index_interval, drop_offs)),
        (tr("What the water level does"), plain_words.level_sentences(
            unit, facts.statistics, facts.datum, facts.elevation, facts.levels,
            level_known=facts.level_known)),
        (tr("Before you use it"), list(sheet.CAUTIONS)),
        (tr("Who made it"), closing),
    ]
    return [(heading, lines) for heading, lines in sections if lines]


def _small_map(layers, extent, crs) -> QImage:
    """Return the lake as a picture on white, as wide as a page."""
    drawn = {role: layer for role, layer in layers.items()
             if role in _SHOWN and not (role == "surface" and "depth_areas" in layers)}
    with own_project() as project:
        copies = inputs.styled_copies(drawn, _SHOWN, project)
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


def _web_page(facts, sections, pictures) -> str:
    parts = [_html.remark(escape(facts.subtitle))] if facts.subtitle else []
    for heading, lines in sections:
        parts.append(f"<h2>{escape(heading)}</h2><p>{escape(' '.join(lines))}</p>")
        if heading == sections[0][0]:
            parts.append(_html.image(tr("Map of the lake"), _png(pictures["map"])))
    parts.append(_html.image(tr("How much of the lake is how deep"), _png(pictures["curve"])))
    return _html.page(escape(facts.title), parts)


def _png(image) -> str:
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    image.save(buffer, "PNG")
    return base64.b64encode(bytes(data)).decode("ascii")
