"""Copy to share."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputString,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.clean_geopackage import write_geopackage
from .._io.raster_file import write_raster
from .._io.staging import write_file
from ..core.errors import LakefloorError
from ..core.exchange.licenses import LICENSES


class CopyToShare(LakefloorAlgorithm):
    NAME = "copytoshare"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Copy to share")
    GROUP = "share"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "share,sharing,privacy,private,anonymous,anonymize,anonymise,publish,publication,export,"
        "clip,coarsen,generalize,generalise,friend,association,GeoPackage,GeoTIFF,license,"
        "licence,copyright,attribution,metadata",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Copies layers into a new folder to give to others: one GeoPackage, a GeoTIFF for each "
        "raster, and a README with license, datum and cautions.\n\n"
        "Soundings keep only position, depth and datum, sorted by position. Times, visits, lanes, "
        "raw depths and rejected soundings are not copied. Contours, breaklines and depth areas "
        "keep their map fields, other polygons their outline, and rasters their first band. A "
        "clipped outline notes its cut edge. Marks are copied only if you give them.\n\n"
        "Dense soundings still show where the boat went: coarsen the positions to the lane "
        "spacing, and clip the copy to an area. You cannot call back a copy.",
    )

    NUMBERS = {
        "FEATURES": QT_TRANSLATE_NOOP("@default", "Features copied"),
        "RASTERS": QT_TRANSLATE_NOOP("@default", "Rasters copied"),
    }
    FORM = ("LAYERS", "AREA", "COARSEN", "MARKS", "LICENSE", "ATTRIBUTION", "OUTPUT")

    def declare(self):
        add, kind = self.addParameter, QgsProcessing.SourceType
        add(
            params.helped(
                QgsProcessingParameterMultipleLayers(
                    "LAYERS", tr("Layers to share"), kind.TypeMapLayer, optional=True
                ),
                tr(
                    "Soundings, contours, breaklines, depth areas, shoreline, depth surfaces. If empty, "
                    "only the marks are copied."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "AREA", tr("Area to share"), [kind.TypeVectorPolygon], optional=True
                ),
                tr(
                    "Polygons; nothing outside them is copied. If empty, the layers are copied whole."
                ),
            )
        )
        add(
            params.distance(
                "COARSEN",
                tr("Coarsen positions to (m)"),
                None,
                tr(
                    "Size of the grid squares. Each square has one sounding, at its center; lines, "
                    "polygons and rasters follow the grid. If empty, positions are rounded to 1 cm."
                ),
                optional=True,
                minimum=0.1,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "MARKS", tr("Marks to share"), [kind.TypeVectorPoint], optional=True
                ),
                tr("Marks are copied with name, symbol and depth. If empty, no marks are copied."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterString(
                    "EXTRA_FIELDS", tr("Extra fields of soundings"), optional=True
                ),
                tr(
                    "Any of uncert_m, hardness and water_temp_c, separated by commas. If empty, "
                    "soundings have only their depth. Coarsened ones always have uncert_m."
                ),
                advanced=True,
            )
        )
        add(
            params.choice(
                "LICENSE",
                tr("License"),
                _licenses(),
                "personal use only",
                tr("What others may do with the copy."),
                former={
                    "personal": "personal use only",
                    **{name.replace(" ", "-"): name for name in LICENSES},
                },
            )
        )
        for name, label, text in (
            (
                "ATTRIBUTION",
                tr("Attribution"),
                tr("Name that users of the copy give as its source. If empty, none is written."),
            ),
            (
                "DATUM",
                tr("Name of the lake datum"),
                tr("Zero of the depths. If empty, it comes from the layers."),
            ),
        ):
            add(params.helped(QgsProcessingParameterString(name, label, optional=True), text))
        add(QgsProcessingParameterFolderDestination(params.OUTPUT, tr("Folder of the copy")))
        self.addOutput(QgsProcessingOutputString("CONTENTS", tr("Contents of the copy")))

    def check(self, inputs):
        if not (inputs.parameters.get("LAYERS") or inputs.given("MARKS")):
            raise LakefloorError(tr("There is nothing to share. Choose layers or marks."))

    def compute(self, inputs, outputs):
        from ..core.exchange.copy_readme import readme

        copy = _taken(inputs)
        contents = copy.contents()
        folder = outputs.folder(params.OUTPUT)
        if copy.vectors:
            write_geopackage(
                folder / "lake.gpkg",
                copy.vectors,
                int(copy.crs.authid().split(":")[1]),
                lambda: inputs.progress(0.8),
            )
        for name, grid, band, crs, items in copy.rasters:
            write_raster(folder / f"{name}.tif", [grid], (band,), crs, items, marked=False)
        inputs.progress(0.9)
        text = readme(
            contents,
            inputs.choice("LICENSE"),
            inputs.text("ATTRIBUTION").strip(),
            copy.datum,
            f"{copy.crs.authid()} ({copy.crs.description()})",
            copy.notes_to_readers(),
        )
        write_file(folder / "README.txt", text.encode("utf-8"))
        inputs.progress(1.0)
        line = tr("The copy has: {}. It has nothing else.").format("; ".join(contents))
        inputs.say(line)
        return {
            "FEATURES": sum(len(rows) for *_, rows in copy.vectors),
            "RASTERS": len(copy.rasters),
            "CONTENTS": line,
        }


def _licenses() -> dict:
    """Return the licenses with what each means, without the addresses of their texts."""
    return {
        name: text.partition(" https:")[0].removeprefix(f"{name}: ")
        for name, text in LICENSES.items()
    }


def _taken(inputs):
    """Return what of the layers and marks is copied, and warn of what is not."""
    from ._shared_layers import SharedLayers, crs_of_copy

    layers, marks = inputs.layers("LAYERS"), inputs.source("MARKS")
    crs = crs_of_copy([*layers, *filter(None, [marks])], inputs)
    area = inputs.polygon("AREA", crs, of_lake=False)
    datum = inputs.text("DATUM").strip()
    copy = SharedLayers(crs, area, inputs.number("COARSEN"), datum, inputs)
    picks = [name.strip() for name in inputs.text("EXTRA_FIELDS").split(",") if name.strip()]
    for i, layer in enumerate(layers):
        inputs.progress(0.7 * i / len(layers))
        copy.take(layer, picks)
    if marks is not None:
        copy.take_marks(marks)
    if not (copy.vectors or copy.rasters):
        raise LakefloorError(
            tr(
                "The copy would be empty. Choose layers that can be shared and have something "
                "in the area. {}"
            )
            .format(" ".join(copy.notes))
            .strip()
        )
    for note in copy.notes:
        inputs.warn(note)
    return copy
