"""Difference of two surfaces."""

from qgis.core import QgsProcessingOutputNumber, QgsProcessingParameterRasterDestination
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_raster, srs_wkt
from .._outputs import Outputs
from ..core.errors import LakefloorError
from ..core.surface.surface_difference import datum_shift, surface_difference
from ..core.units import ACRE, ACRE_FOOT, FOOT

OLDER = "OLDER"
BANDS = ("change of depth (m)", "joint standard uncertainty (m)",
         "significance: 1 deeper, -1 shallower")

_NUMBERS = {
    "AREA_M2": ("area", QT_TRANSLATE_NOOP("@default", "Area compared (m2)")),
    "DEEPER_M2": ("area_deeper", QT_TRANSLATE_NOOP(
        "@default", "Area that is significantly deeper (m2)")),
    "SHALLOWER_M2": ("area_shallower", QT_TRANSLATE_NOOP(
        "@default", "Area that is significantly shallower (m2)")),
    "CHANCE_M2": ("area_by_chance", QT_TRANSLATE_NOOP(
        "@default", "Area expected to look changed if nothing had (m2)")),
    "MEAN_CHANGE_M": ("mean", QT_TRANSLATE_NOOP("@default", "Mean change of depth (m)")),
    "MEAN_CHANGE_SD_M": ("mean_sd", QT_TRANSLATE_NOOP("@default", "Its standard uncertainty (m)")),
    "GAINED_M3": ("gained", QT_TRANSLATE_NOOP(
        "@default", "Volume of water gained where significantly deeper (m3)")),
    "GAINED_SD_M3": ("gained_sd", QT_TRANSLATE_NOOP("@default", "Its standard uncertainty (m3)")),
    "LOST_M3": ("lost", QT_TRANSLATE_NOOP(
        "@default", "Volume of water lost where significantly shallower (m3)")),
    "LOST_SD_M3": ("lost_sd", QT_TRANSLATE_NOOP("@default", "Its standard uncertainty (m3)")),
    "CHANCE_M3": ("volume_by_chance", QT_TRANSLATE_NOOP(
        "@default", "Volume expected to look gained, and lost, if nothing had changed (m3)")),
    "NET_M3": ("net", QT_TRANSLATE_NOOP(
        "@default", "Net volume gained over all the area compared (m3)")),
    "NET_SD_M3": ("net_sd", QT_TRANSLATE_NOOP("@default", "Its standard uncertainty (m3)")),
}


class SurfaceDifference(LakefloorAlgorithm):
    NAME = "surfacedifference"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Difference of two surfaces")
    GROUP = "surface"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "change,sedimentation,siltation,erosion,scour,dredging,volume,compare"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "How the bottom has changed between two depth surfaces, and where the change is beyond "
        "what their uncertainties allow. Band 1 is the change, newer less older depth, positive "
        "where it is deeper now; band 2 its standard uncertainty; band 3 is 1 where it is "
        "significantly deeper, -1 where significantly shallower, 0 elsewhere.\n\n"
        "Both surfaces must be at one lake datum; where they state another or none, give the "
        "shift between them. The cells are those of the coarser surface (of the newer one where "
        "both are alike); the other is interpolated bilinearly at their centres. Where a raster "
        "has no band of uncertainty, give one number for it.\n\n"
        "Gained and lost volume count cells of significant change alone; at 95 % confidence, one "
        "cell in twenty looks changed by chance, and the area and volume to expect so are told. "
        "The net volume counts all cells, since small changes add up. In volumes, errors of "
        "the surfaces average out over about the lane spacing (from band 3; without it they are "
        "taken as one error for the whole lake); errors of the datums do not. Steep drop-offs "
        "look changed where positions differ: judge them with care. Depths in metres, positive "
        "down.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Lane, Westaway and Hicks (2003), Earth Surface Processes and Landforms 28(3), 249-271; "
        "JCGM 100:2008, Guide to the expression of uncertainty in measurement",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.surface(label=tr("Newer depth surface")))
        add(params.surface(OLDER, tr("Older depth surface")))
        add(params.number(
            "CONFIDENCE", tr("Confidence (%)"), 95.0,
            tr("Of the cells that have not changed, this share is not called changed."),
            minimum=50.0, maximum=99.999,
        ))
        add(params.number(
            "SHIFT", tr("Shift of the older depths to the newer datum (m)"), None,
            tr("Added to the older depths: elevation of the newer datum less that of the older "
               "one. 0 if both are at one datum. Left empty, both rasters must state the same "
               "datum."),
            optional=True,
        ))
        for name, label in (
            ("NEWER_UNCERTAINTY", tr("Standard uncertainty of the newer surface (m)")),
            ("OLDER_UNCERTAINTY", tr("Standard uncertainty of the older surface (m)")),
        ):
            add(params.distance(
                name, label, None,
                tr("Needed, and used, only where the raster has no band of uncertainty."),
                optional=True,
            ))
        add(params.distance(
            "DATUM_UNCERTAINTY", tr("Standard uncertainty of each datum (m)"), 0.03,
            tr("How well the water level of each survey is tied to the datum, one error for all of "
               "the surface. 0.03 m is a tenth of a foot, a common step of gauge readings."),
            advanced=True,
        ))
        add(QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Change of depth")))
        for name, (_, label) in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def compute(self, parameters, context, feedback):
        newer, crs, metadata = read_raster(
            self.parameterAsRasterLayer(parameters, params.INPUT, context), feedback
        )
        older_layer = self.parameterAsRasterLayer(parameters, OLDER, context)
        older, older_crs, older_metadata = read_raster(older_layer, feedback)
        if older_crs != crs:
            raise LakefloorError(
                tr("The older surface is in {}, the newer one in {}. Warp '{}' to {} first.")
                .format(older_crs.authid(), crs.authid(), older_layer.name(), crs.authid())
            )

        def optional(name):
            return params.optional_number(self, parameters, name, context)

        shift = optional("SHIFT")
        if shift is None:
            shift = datum_shift(_datum(metadata), _datum(older_metadata))
        else:
            feedback.pushInfo(
                tr("The older depths are shifted by {:+g} m, as given; the datums that the rasters "
                   "state are not compared.").format(shift)
            )
        difference = surface_difference(
            newer, older,
            confidence=self.parameterAsDouble(parameters, "CONFIDENCE", context) / 100.0,
            shift=shift,
            newer_sd=optional("NEWER_UNCERTAINTY"),
            older_sd=optional("OLDER_UNCERTAINTY"),
            datum_sd=self.parameterAsDouble(parameters, "DATUM_UNCERTAINTY", context),
            crs=srs_wkt(crs),
            progress=self.progress(feedback),
        )
        _say(difference, feedback)
        kept = {key: value for key, value in metadata.items() if key.startswith("DATUM_")}
        with Outputs(self, parameters, context, feedback) as out:
            out.raster(
                params.OUTPUT,
                [difference.change, difference.uncertainty, difference.significance],
                BANDS, crs, {**kept, "CHANGE_POSITIVE": "deeper"}, style="difference",
            )
            for name, (key, _) in _NUMBERS.items():
                out.results[name] = getattr(difference, key)
        return out.results


def _datum(metadata):
    """Return name and elevation (m or None) of the datum that a raster states, or None."""
    if not metadata.get("DATUM_NAME"):
        return None
    elevation = metadata.get("DATUM_ELEVATION_M")
    try:
        return metadata["DATUM_NAME"], float(elevation) if elevation else None
    except ValueError:
        raise LakefloorError(
            tr("The elevation of datum '{}', '{}', is not a number. Give the shift between the two "
               "datums.").format(metadata["DATUM_NAME"], elevation)
        ) from None


def _say(d, feedback):
    if d.resampled:
        which = tr("newer") if d.resampled == "newer" else tr("older")
        feedback.pushInfo(
            tr("The {} surface is interpolated bilinearly onto the {:g} m cells of the other.")
            .format(which, d.change.dx)
        )
    feedback.pushInfo(
        tr("Compared {:,.0f} m² ({:,.1f} acres). Mean change {:+.2f} ± {:.2f} m ({:+.2f} ft), "
           "positive where deeper now.").format(
            d.area, d.area / ACRE, d.mean, d.mean_sd, d.mean / FOOT)
    )
    for what, area, volume, sd in (
        (tr("deeper"), d.area_deeper, d.gained, d.gained_sd),
        (tr("shallower"), d.area_shallower, d.lost, d.lost_sd),
    ):
        feedback.pushInfo(
            tr("Significantly {}: {:,.0f} m², {:,.0f} ± {:,.0f} m³ ({:,.1f} acre-feet).").format(
                what, area, volume, sd, volume / ACRE_FOOT)
        )
    feedback.pushInfo(
        tr("Net change of volume over all cells: {:+,.0f} ± {:,.0f} m³ ({:+,.1f} acre-feet).")
        .format(d.net, d.net_sd, d.net / ACRE_FOOT)
    )
    feedback.pushInfo(
        tr("If nothing had changed, chance alone would make {:,.0f} m² look changed, and up to "
           "{:,.0f} m³ look gained and as much lost.").format(
            d.area_by_chance, d.volume_by_chance)
    )
    if d.area_deeper + d.area_shallower <= 1.5 * d.area_by_chance:
        feedback.pushWarning(
            tr("No more area looks changed than that: the two surfaces show no change that can be "
               "told from chance.")
        )
    if d.level_suspected:
        feedback.pushWarning(
            tr("Nearly all of the lake is {} by about {:.2f} m. Look for a wrong water level or "
               "datum before you believe it.").format(
                tr("deeper") if d.median > 0 else tr("shallower"), abs(d.median))
        )
