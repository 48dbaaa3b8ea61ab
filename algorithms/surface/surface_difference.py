"""Difference of two surfaces."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterRasterDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import srs_wkt
from .._io.rasters import CHANGE_BANDS
from ..core.errors import LakefloorError
from ..core.grid import Areas
from ..core.units import ACRE, ACRE_FOOT, FOOT

OLDER = "OLDER_SURFACE"
PATCHES = "PATCHES"
_FIELDS = [
    ("number", "int"),
    ("direction", "text"),
    ("change_m", "double"),
    ("largest_m", "double"),
    ("area_m2", "double"),
    ("volume_m3", "double"),
    ("volume_sd_m3", "double"),
    ("chance_pct", "double"),
    ("middle_x", "double"),
    ("middle_y", "double"),
]
#: The log lists so many patches; the layer has them all.
_LISTED = 10

_NUMBERS = {
    "AREA_M2": ("area", QT_TRANSLATE_NOOP("@default", "Area compared (m²)")),
    "DEEPER_M2": ("area_deeper", QT_TRANSLATE_NOOP("@default", "Area significantly deeper (m²)")),
    "SHALLOWER_M2": (
        "area_shallower",
        QT_TRANSLATE_NOOP("@default", "Area significantly shallower (m²)"),
    ),
    "CHANCE_M2": ("area_by_chance", QT_TRANSLATE_NOOP("@default", "Area changed by chance (m²)")),
    "MEAN_CHANGE_M": ("mean", QT_TRANSLATE_NOOP("@default", "Mean change of depth (m)")),
    "MEAN_CHANGE_SD_M": (
        "mean_sd",
        QT_TRANSLATE_NOOP("@default", "Uncertainty of mean change (m)"),
    ),
    "GAINED_M3": ("gained", QT_TRANSLATE_NOOP("@default", "Water gained (m³)")),
    "GAINED_SD_M3": (
        "gained_sd",
        QT_TRANSLATE_NOOP("@default", "Uncertainty of water gained (m³)"),
    ),
    "LOST_M3": ("lost", QT_TRANSLATE_NOOP("@default", "Water lost (m³)")),
    "LOST_SD_M3": ("lost_sd", QT_TRANSLATE_NOOP("@default", "Uncertainty of water lost (m³)")),
    "CHANCE_M3": (
        "volume_by_chance",
        QT_TRANSLATE_NOOP("@default", "Volume changed by chance (m³)"),
    ),
    "NET_M3": ("net", QT_TRANSLATE_NOOP("@default", "Net gain over the area (m³)")),
    "NET_SD_M3": ("net_sd", QT_TRANSLATE_NOOP("@default", "Uncertainty of net gain (m³)")),
    "SHIFT_M": ("shift", QT_TRANSLATE_NOOP("@default", "Shift of the unchanged bottom (m)")),
    "PATCH_COUNT": ("patch_count", QT_TRANSLATE_NOOP("@default", "Number of changed patches")),
    "PATCHES_M2": ("patch_area", QT_TRANSLATE_NOOP("@default", "Area of changed patches (m²)")),
    "MAIN_PATCH_M3": (
        "largest_volume",
        QT_TRANSLATE_NOOP("@default", "Volume of the main patch (m³)"),
    ),
    "MAIN_PATCH_SD_M3": (
        "largest_volume_sd",
        QT_TRANSLATE_NOOP("@default", "Uncertainty of that volume (m³)"),
    ),
}


class SurfaceDifference(LakefloorAlgorithm):
    NAME = "surfacedifference"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Difference of two surfaces")
    GROUP = "surface"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "changes,bottom change,differences,compare,subtract,sedimentation,sediment,siltation,silt,"
        "infill,erosion,scour,dredging,dredge,volumes,volume changes,two surveys,two surfaces,"
        "DEM of difference,bathymetry",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Shows how the bottom has changed between two depth surfaces. Use it to see sediment, "
        "scour or dredging.\n\n"
        "Band 1 is newer minus older depth in meters, band 2 its standard uncertainty. Band 3 is 1 "
        "where the bottom is significantly deeper, -1 where shallower.\n\n"
        "Changed patches are larger or stronger than chance makes anywhere in the lake. The log "
        "lists their volumes. They are counted from the shift of the unchanged bottom. The "
        "raster and the net gain keep that shift.\n\n"
        "Both surfaces must be at one lake datum, or you give the shift between their datums. "
        "Steep drop-offs look changed where positions differ or lanes are far apart, so check "
        "them with care.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Lane, Westaway and Hicks (2003), Earth Surface Processes and Landforms 28(3), 249-271; "
        "Wheaton et al. (2010), Earth Surface Processes and Landforms 35(2), 136-156; Friston et "
        "al. (1994), Human Brain Mapping 1(3), 210-220; "
        "JCGM 100:2008, Guide to the expression of uncertainty in measurement",
    )

    NUMBERS = {name: label for name, (_, label) in _NUMBERS.items()}
    FORM = ("INPUT", "OLDER_SURFACE", "CONFIDENCE", "DATUM_SHIFT", "OUTPUT", "PATCHES")

    def declare(self):
        add = self.addParameter
        add(params.surface(label=tr("Newer depth surface")))
        add(params.surface(OLDER, tr("Older depth surface")))
        add(
            params.number(
                "CONFIDENCE",
                tr("Confidence (%)"),
                95.0,
                tr("Percentage of the unchanged cells that are not marked as changed."),
                minimum=50.0,
                maximum=99.999,
            )
        )
        add(
            params.number(
                "DATUM_SHIFT",
                tr("Shift between the datums (m)"),
                None,
                tr(
                    "Added to the older depths. It is the elevation of the newer datum minus that of "
                    "the older one, and 0 if both are at one datum. If empty, both rasters must state "
                    "the same datum."
                ),
                optional=True,
            )
        )
        for name, label in (
            ("NEWER_UNCERTAINTY", tr("Uncertainty, newer surface (m)")),
            ("OLDER_UNCERTAINTY", tr("Uncertainty, older surface (m)")),
        ):
            add(
                params.distance(
                    name,
                    label,
                    None,
                    tr(
                        "Standard uncertainty of the depths of a raster without an uncertainty band. If "
                        "empty, the raster must have that band."
                    ),
                    optional=True,
                )
            )
        add(
            params.distance(
                "DATUM_UNCERTAINTY",
                tr("Uncertainty of each datum (m)"),
                0.03,
                tr(
                    "Standard uncertainty of the lake level of each survey above its datum. It is one "
                    "error for the whole surface. 0.03 m is a tenth of a foot, a common step of gauge "
                    "readings."
                ),
                advanced=True,
            )
        )
        add(QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Change of depth")))
        add(
            QgsProcessingParameterFeatureSink(
                PATCHES,
                tr("Changed patches"),
                QgsProcessing.SourceType.TypeVectorPolygon,
                optional=True,
                createByDefault=True,
            )
        )

    def compute(self, inputs, outputs):
        from ..core.surface.surface_difference import datum_shift, surface_difference

        newer, crs, metadata = inputs.surface()
        older, older_crs, older_metadata = inputs.surface(OLDER)
        if older_crs != crs:
            raise LakefloorError(
                tr(
                    "The older surface is in {}, the newer one in {}. Warp '{}' to {} first."
                ).format(
                    older_crs.authid(), crs.authid(), inputs.raster(OLDER).name(), crs.authid()
                )
            )

        shift = inputs.number("DATUM_SHIFT")
        if shift is None:
            shift = datum_shift(_datum(metadata), _datum(older_metadata))
        else:
            inputs.say(
                tr(
                    "The older depths are shifted by {:+g} m, as given. The datums that the rasters "
                    "state are not compared."
                ).format(shift)
            )
        difference = surface_difference(
            newer,
            older,
            confidence=inputs.number("CONFIDENCE") / 100.0,
            shift=shift,
            newer_sd=inputs.number("NEWER_UNCERTAINTY"),
            older_sd=inputs.number("OLDER_UNCERTAINTY"),
            datum_sd=inputs.number("DATUM_UNCERTAINTY"),
            crs=srs_wkt(crs),
            progress=inputs.progress,
        )
        _say(inputs, difference)
        kept = {key: value for key, value in metadata.items() if key.startswith("DATUM_")}
        outputs.raster(
            params.OUTPUT,
            [difference.change, difference.uncertainty, difference.significance],
            CHANGE_BANDS,
            crs,
            {**kept, "CHANGE_POSITIVE": "deeper"},
            style="difference",
        )
        outputs.areas(PATCHES, _areas(difference.patches), _FIELDS, crs, style="bottom_change")
        return {name: getattr(difference, key) for name, (key, _) in _NUMBERS.items()}


def _datum(metadata):
    """Return name and elevation (m or None) of the datum that a raster states, or None."""
    if not metadata.get("DATUM_NAME"):
        return None
    elevation = metadata.get("DATUM_ELEVATION_M")
    try:
        return metadata["DATUM_NAME"], float(elevation) if elevation else None
    except ValueError:
        raise LakefloorError(
            tr(
                "The elevation of the datum '{}', '{}', is not a number. Give the shift between the "
                "datums."
            ).format(metadata["DATUM_NAME"], elevation)
        ) from None


def _say(inputs, d):
    if d.resampled:
        which = tr("newer") if d.resampled == "newer" else tr("older")
        inputs.say(
            tr(
                "The {} surface is interpolated bilinearly onto the {:g} m cells of the other."
            ).format(which, d.change.dx)
        )
    inputs.say(
        tr(
            "The area compared is {:,.0f} m² ({:,.1f} acres). The mean change is {:+.2f} ± {:.2f} m "
            "({:+.2f} ft), positive where deeper now."
        ).format(d.area, d.area / ACRE, d.mean, d.mean_sd, d.mean / FOOT)
    )
    for what, area, volume, sd in (
        (tr("deeper"), d.area_deeper, d.gained, d.gained_sd),
        (tr("shallower"), d.area_shallower, d.lost, d.lost_sd),
    ):
        inputs.say(
            tr("Significantly {}: {:,.0f} m², {:,.0f} ± {:,.0f} m³ ({:,.1f} acre-feet).").format(
                what, area, volume, sd, volume / ACRE_FOOT
            )
        )
    inputs.say(
        tr(
            "Net change of volume over all cells: {:+,.0f} ± {:,.0f} m³ ({:+,.1f} acre-feet)."
        ).format(d.net, d.net_sd, d.net / ACRE_FOOT)
    )
    inputs.say(
        tr(
            "If nothing had changed, about {:,.0f} m² would still look changed by chance. About "
            "{:,.0f} m³ would look gained, and as much lost."
        ).format(d.area_by_chance, d.volume_by_chance)
    )
    if d.level_suspected:
        inputs.warn(
            tr(
                "Nearly all of the lake is {} by about {:.2f} m. Check the lake levels and datums "
                "before you believe it."
            ).format(tr("deeper") if d.median > 0 else tr("shallower"), abs(d.median))
        )
    _say_patches(inputs, d)


def _say_patches(inputs, d):
    patches = d.patches
    if not len(patches):
        inputs.warn(
            tr("Apart from this shift, no patch of the bottom has changed more than by chance.")
            if d.level_suspected
            else tr(
                "No patch of the bottom has changed more than chance makes anywhere in such a "
                "lake. Do not take the changed cells for a change of the bottom."
            )
        )
        return
    inputs.say(
        tr(
            "Patches that have changed more than chance makes: {}. Their change is counted from "
            "the shift of the unchanged bottom, {:+.2f} ± {:.2f} m."
        ).format(len(patches), round(d.shift, 2) + 0.0, d.chance.shift_sd)
    )
    for k in range(min(len(patches), _LISTED)):
        inputs.say(
            tr(
                "{}. At {:.0f}, {:.0f}: {} by {:.2f} m in the mean and {:.2f} m at most, over "
                "{:,.0f} m². Volume: {:,.0f} ± {:,.0f} m³. Probability by chance: {:.1g}%."
            ).format(
                k + 1,
                patches.x[k],
                patches.y[k],
                _direction(patches.mean[k]),
                abs(patches.mean[k]),
                abs(patches.largest[k]),
                patches.area[k],
                abs(patches.volume[k]),
                patches.volume_sd[k],
                100.0 * max(patches.probability[k], 1e-6),
            )
        )
    if len(patches) > _LISTED:
        inputs.say(tr("Smaller patches: {}.").format(len(patches) - _LISTED))


def _direction(change):
    return tr("deeper") if change > 0 else tr("shallower")


def _areas(patches):
    values = patches.areas().attributes
    columns = {
        "number": range(1, len(patches) + 1),
        "direction": [_direction(v) for v in values["mean"]],
        "change_m": values["mean"],
        "largest_m": values["largest"],
        "area_m2": values["area"],
        "volume_m3": values["volume"],
        "volume_sd_m3": values["volume_sd"],
        "chance_pct": 100.0 * values["probability"],
        "middle_x": values["x"],
        "middle_y": values["y"],
    }
    return Areas(patches.outlines, {name: list(column) for name, column in columns.items()})
