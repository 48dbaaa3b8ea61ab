"""Change of the bottom between visits of a lake database: parameters, layers and words."""

import math

from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from .._io import params
from ..core.grid import Areas

#: As the drop-down shows it.
NEWER_WINS = "newer wins"

CHANGE_NUMBERS = {
    "PATCH_COUNT": QT_TRANSLATE_NOOP("@default", "Number of changed patches"),
    "TREND_M_PER_YEAR": QT_TRANSLATE_NOOP("@default", "Slow change (m per year)"),
    "TREND_SD": QT_TRANSLATE_NOOP("@default", "Uncertainty of slow change (m/year)"),
}

_FIELDS = [
    ("older", "text"),
    ("newer", "text"),
    ("change_m", "double"),
    ("uncert_m", "double"),
    ("slope_deg", "double"),
    ("n_older", "int"),
    ("n_newer", "int"),
]

_PATCH_FIELDS = [
    ("newer", "text"),
    ("change_m", "double"),
    ("uncert_m", "double"),
    ("area_m2", "double"),
]

#: The log lists so many patches of a visit; the layer has them all.
_LISTED = 10


def ask_how_to_compare(algorithm):
    """Add the parameters of the comparison."""
    add = algorithm.addParameter
    add(
        params.choice(
            "CHANGE",
            tr("Where the bottom has changed"),
            {
                "report": tr("the change is only reported"),
                NEWER_WINS: tr("older soundings get the status 'superseded by' the newer visit"),
            },
            "report",
            tr(
                "Superseded soundings are not mapped. They are accepted again when the newer visit "
                "is removed."
            ),
            former={"newer_wins": NEWER_WINS},
        )
    )
    _ask_what_is_compared(add)
    _ask_when_it_counts(add)


def _ask_what_is_compared(add):
    add(
        params.distance(
            "BLOCK_SIZE",
            tr("Block size (m)"),
            20.0,
            tr("Side of the square blocks in which depths of two visits are compared."),
            advanced=True,
            minimum=1.0,
        )
    )
    add(
        params.distance(
            "MAX_DISTANCE",
            tr("Maximum distance compared (m)"),
            5.0,
            tr("Soundings are only compared with those of another visit within this distance."),
            advanced=True,
            minimum=0.1,
        )
    )
    add(
        params.number(
            "MIN_SOUNDINGS",
            tr("Minimum soundings in a block"),
            5,
            tr("Of each visit. A block with fewer is not compared."),
            minimum=3,
            integer=True,
            advanced=True,
        )
    )


def _ask_when_it_counts(add):
    add(
        params.number(
            "MIN_CHANGE",
            tr("Minimum change (m)"),
            0.2,
            tr("Smaller changes are not reported, even if they are certain."),
            minimum=0.0,
            advanced=True,
        )
    )
    add(
        params.number(
            "POSITION_UNCERTAINTY",
            tr("Position uncertainty (m)"),
            1.0,
            tr(
                "Standard uncertainty of the positions of a visit. On a slope it makes depths "
                "uncertain."
            ),
            minimum=0.0,
            advanced=True,
        )
    )
    add(
        params.number(
            "CONFIDENCE",
            tr("Confidence (%)"),
            95.0,
            tr("Probability that a block without change is not reported."),
            minimum=50.0,
            maximum=99.99,
            advanced=True,
        )
    )


def ask_for_changes(algorithm):
    """Add the layers of what has changed."""
    add = algorithm.addParameter
    add(
        QgsProcessingParameterFeatureSink(
            "CHANGED",
            tr("Changed bottom"),
            QgsProcessing.SourceType.TypeVectorPolygon,
            optional=True,
        )
    )
    add(
        QgsProcessingParameterFeatureSink(
            "CHANGED_PATCHES",
            tr("Changed patches"),
            QgsProcessing.SourceType.TypeVectorPolygon,
            optional=True,
            createByDefault=False,
        )
    )


def options_of_change(inputs) -> dict:
    """Return what decides on a changed bottom, as the history of the store keeps it."""
    return {
        "block_m": inputs.number("BLOCK_SIZE"),
        "reach_m": inputs.number("MAX_DISTANCE"),
        "min_soundings": inputs.integer("MIN_SOUNDINGS"),
        "min_change_m": inputs.number("MIN_CHANGE"),
        "position_m": inputs.number("POSITION_UNCERTAINTY"),
        "confidence": inputs.number("CONFIDENCE") / 100.0,
    }


def numbers_of_change(done) -> dict:
    """Return the output numbers of patches and of a slow change."""
    trend = done.trends[-1][1] if done.trends else None
    return {
        "PATCH_COUNT": sum(len(patches) for _, patches in done.patches),
        "TREND_M_PER_YEAR": trend and trend.rate,
        "TREND_SD": trend and trend.rate_sd,
    }


def write_changes(outputs, done, crs):
    """Write the layers of what has changed; empty ones where nothing was added."""
    _write_blocks(outputs, [] if done is None else done.changes, crs)
    outlines, columns = [], {name: [] for name, _ in _PATCH_FIELDS}
    for newer, patches in [] if done is None else done.patches:
        outlines += patches.outlines
        columns["newer"] += [newer] * len(patches)
        for name, values in patches.areas().attributes.items():
            columns[{"change": "change_m", "uncert": "uncert_m", "area": "area_m2"}[name]] += list(
                values
            )
    outputs.areas(
        "CHANGED_PATCHES", Areas(outlines, columns), _PATCH_FIELDS, crs, style="bottom_change"
    )
    # The store counts only once this is in place, and the other way round.
    outputs.place()


def _write_blocks(outputs, changes, crs):
    squares, columns = [], {name: [] for name, _ in _FIELDS}
    for older, newer, found in changes:
        areas = found.areas()
        squares += areas.polygons
        values = areas.attributes
        for name, column in (
            ("older", [older] * len(areas)),
            ("newer", [newer] * len(areas)),
            ("change_m", values["change"]),
            ("uncert_m", values["uncert"]),
            ("slope_deg", [math.degrees(math.atan(s)) for s in values["slope"]]),
            ("n_older", values["n_older"]),
            ("n_newer", values["n_newer"]),
        ):
            columns[name] += list(column)
    outputs.areas("CHANGED", Areas(squares, columns), _FIELDS, crs, style="bottom_change")


def say_changes(done, inputs):
    """Say in the log what has changed."""
    for older, newer, found in done.changes:
        change = found.change[found.changed]
        low, high = (tr("{:+.2f}").format(bound) for bound in (change.min(), change.max()))
        by = low if low == high else tr("{} to {}").format(low, high)
        inputs.say(
            tr(
                "The bottom changed between '{}' and '{}' in {} of {} blocks, by {} m. Positive "
                "means deeper now."
            ).format(older, newer, len(change), len(found), by)
        )
    _report_patches(done, inputs)


def _report_patches(done, inputs):
    for newer, patches in done.patches:
        for k in range(min(len(patches), _LISTED)):
            middle = patches.outlines[k].representative_point()
            inputs.say(
                tr(
                    "Changed patch by '{}' at {:.0f}, {:.0f}: {:+.2f} ± {:.2f} m over {:,.0f} m². "
                    "Positive means deeper now."
                ).format(
                    newer, middle.x, middle.y, patches.change[k], patches.uncert[k], patches.area[k]
                )
            )
        if len(patches) > _LISTED:
            inputs.say(tr("Smaller patches: {}.").format(len(patches) - _LISTED))
    for newer, trend in done.trends:
        inputs.say(
            tr(
                "The bottom becomes slowly {} over {:,.0f} m²: by {:.3f} ± {:.3f} m a year, in {} "
                "visits over {:.1f} years up to '{}'. Blocks that follow this trend are not "
                "reported, and their soundings are not superseded."
            ).format(
                tr("deeper") if trend.rate > 0 else tr("shallower"),
                trend.area,
                abs(trend.rate),
                trend.rate_sd,
                trend.visits,
                trend.years,
                newer,
            )
        )
        inputs.say(
            tr(
                "This holds if the bottom shallower than {:.1f} m has not changed. A change of all "
                "of the lake would look the same as an error of the lake levels."
            ).format(trend.depth)
        )
