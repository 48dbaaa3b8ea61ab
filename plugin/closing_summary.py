"""What a model says when it is done: the lake in figures, how sure they are, and where all is."""

from __future__ import annotations

import math
from pathlib import Path

from qgis.core import QgsProcessingParameterFileDestination, QgsProcessingUtils, QgsProject

from ..algorithms._i18n import tr
from ..algorithms.core.number_text import counted, written
from ..algorithms.core.units import ACRE_FOOT, LENGTH
from ..algorithms.core.wording.amounts import AREA_UNITS


class Told:
    """What one run of a model was given and what its steps returned.

    Parameters
    ----------
    model : QgsProcessingModelAlgorithm
    parameters, results : dict
        As QGIS hands them to the model and as it returns them.
    context : QgsProcessingContext
    warnings : int
        How many warnings stand above in the log.
    """

    def __init__(self, model, parameters, results, context, warnings=0):
        self.model, self.parameters, self.context = model, parameters, context
        self.results, self._steps = results, results.get("CHILD_RESULTS", {})
        self.warnings = warnings

    def number(self, step: str, name: str):
        """Return a number that a step returned, or None."""
        return self._steps.get(step, {}).get(name)

    def has(self, step: str) -> bool:
        """Tell whether a step was done."""
        return step in self._steps

    def chosen(self, name: str) -> str:
        """Return the word of a drop-down of the model, '' if it has none."""
        if self.model.parameterDefinition(name) is None:
            return ""
        return self.model.parameterAsEnumString(self.parameters, name, self.context)

    @property
    def unit(self) -> str:
        """ft or m: the unit in which depths are read."""
        words = self.chosen("UNIT") or self.chosen("LEVEL_UNIT") or "meters"
        return "ft" if "feet" in words or words == "inches" else "m"

    def depth(self, meters, digits=1) -> str:
        """Return a depth in that unit, without its sign."""
        return written(meters / LENGTH[self.unit], f",.{digits}f")

    def area(self, square_meters) -> str:
        """Return an area with its unit."""
        size, name = AREA_UNITS[self.unit]
        return f"{written(square_meters / size, ',.1f')} {name}"

    def volume(self, cubic_meters) -> str:
        """Return a volume with its unit."""
        if self.unit == "ft":
            return counted(written(cubic_meters / ACRE_FOOT, ",.0f"), "acre-foot", "acre-feet")
        return f"{written(cubic_meters, ',.0f')} m³"


def closing_lines(told: Told) -> list:
    """Return the lines of the summary."""
    return [
        *_soundings(told), *_database(told), *_lake(told), *_how_sure(told), *_structure(told),
        *_outing(told), *_warnings(told), *_places(told),
    ]  # fmt: skip


def lines_after_cancel(told: Told) -> list:
    """Return what is said after a cancel: what steps wrote before it."""
    files, _ = _written(told)
    if not files:
        return [tr("You cancelled this run. Nothing was written.")]
    return [
        tr("You cancelled this run. These results were complete before, and are written:"),
        *files,
    ]


def _soundings(told):
    lines = []
    if told.has("readlogs"):
        lines.append(
            tr("Soundings read from the logs: {:,}, visits: {}.").format(
                told.number("readlogs", "SOUNDINGS"), told.number("readlogs", "VISITS")
            )
        )
    if told.has("readdatabase"):
        lines.append(
            tr("Soundings in the lake database: {:,}, visits: {}.").format(
                told.number("readdatabase", "SOUNDINGS"), told.number("readdatabase", "VISIT_COUNT")
            )
        )
    unread = told.number("readlogs", "UNREAD_COUNT")
    if unread:
        lines.append(tr("Lines and files of the logs that were not read: {:,}.").format(unread))
    rejected = told.number("cleansoundings", "REJECTED")
    if rejected:
        lines.append(
            tr("Soundings rejected: {:,} of {:,} ({}).").format(
                rejected,
                told.number("cleansoundings", "TOTAL"),
                told.number("cleansoundings", "REASONS"),
            )
        )
    return lines


def _database(told):
    if not told.has("addtodatabase"):
        return []
    added, known = (told.number("addtodatabase", name) for name in ("ADDED", "ALREADY_THERE"))
    lines = [
        tr("Soundings added to the lake database: {:,}, already there: {:,}.").format(added, known)
    ]
    if found := told.number("addtodatabase", "OPEN_FINDINGS"):
        lines.append(tr("Findings of the first look that are open: {}.").format(found))
    if blocks := told.number("addtodatabase", "CHANGED_BLOCKS"):
        lines.append(tr("Blocks where the bottom has changed: {}.").format(blocks))
    return lines


def _lake(told):
    if not told.has("smoothsurface"):
        return []
    low, mean, high, area = (
        told.number("smoothsurface", name)
        for name in ("MIN_DEPTH", "MEAN_DEPTH", "MAX_DEPTH", "AREA_M2")
    )
    return [
        tr("Depth: {} to {} {}, with a mean of {} {}.").format(
            told.depth(low), told.depth(high), told.unit, told.depth(mean), told.unit
        ),
        tr("Area with depth: {}, volume: {}.").format(told.area(area), told.volume(mean * area)),
    ]


def _how_sure(told):
    lines = []
    for text, step, usual in (
        (
            tr("Standard uncertainty of the map: {} {} in the median, below {} {} in 95% of it."),
            "smoothsurface",
            "MEDIAN_UNCERTAINTY",
        ),
        (
            tr("Standard uncertainty of the soundings: {} {} on average, below {} {} for 95%."),
            "uncertaintybudget",
            "MEAN_UNCERTAINTY",
        ),
    ):
        figures = [told.number(step, name) for name in (usual, "P95_UNCERTAINTY")]
        if all(figure is not None and math.isfinite(figure) for figure in figures):
            usually, mostly = (told.depth(figure, 2) for figure in figures)
            lines.append(text.format(usually, told.unit, mostly, told.unit))
            break
    supported = told.number("depthcontours", "SUPPORTED_SHARE")
    if supported is not None:
        lines.append(
            tr("Contours that the data support: {:.0f}% of their length.").format(100 * supported)
        )
    return lines


def _structure(told):
    lines = []
    if told.has("nextouting"):
        return []
    for text, step, name in (
        (tr("Drop-offs: {}."), "breaklines", "DROP_OFFS"),
        (tr("Hard-soft transitions: {}."), "hardsofttransitions", "TRANSITIONS"),
        (tr("Candidate spots: {}."), "candidatespots", "SPOTS"),
    ):
        if told.has(step):
            lines.append(text.format(told.number(step, name)))
    return lines


def _outing(told):
    if not told.has("nextouting"):
        return []
    now, after = (told.number("nextouting", name) for name in ("GAP_AREA", "GAP_AREA_AFTER"))
    return [
        tr("Survey gaps: {}, {} in all, expected after the outing: {}.").format(
            told.number("nextouting", "GAPS_COUNT"), told.area(now), told.area(after)
        ),
        tr("Lanes: {}, time on the water: {:.0f} min.").format(
            told.number("nextouting", "LANES"), told.number("nextouting", "MINUTES")
        ),
    ]


def _warnings(told):
    if not told.warnings:
        return []
    return [tr("Warnings: {}. Read them above before you use the results.").format(told.warnings)]


def _places(told):
    files, temporary = _written(told)
    if not temporary:
        return files
    return [
        *files,
        tr("Temporary, and gone when QGIS closes: {}. Save what you want to keep.").format(
            ", ".join(temporary)
        ),
    ]


def _written(told):
    """Return a line for each file that is kept, and the names of results that are temporary."""
    files, temporary = [], []
    if told.has("addtodatabase"):
        database = told.number("addtodatabase", "UPDATED_DATABASE")
        if database:
            files.append(_line(tr("Lake database"), database))
    for definition in told.model.destinationParameterDefinitions():
        value = told.results.get(definition.name())
        if value in (None, ""):
            continue
        if _is_kept(str(value), told.context):
            files.append(_line(definition.description(), value))
        elif _is_out_of_sight(str(value), told.context):
            continue
        elif isinstance(definition, QgsProcessingParameterFileDestination):
            # No layer, so this is the only place that says where it is.
            temporary.append(f"{definition.description()} ({value})")
        else:
            temporary.append(definition.description())
    return files, temporary


def _is_out_of_sight(value, context):
    """Tell whether nobody comes by a temporary result: it was only on the way to others.

    So it is where a lake's run keeps what the lake keeps, in a project of the run's own.
    """
    project = context.project()
    return (
        project is not None
        and project is not QgsProject.instance()
        and not context.willLoadLayerOnCompletion(value)
    )


def _line(name, value):
    path, _, rest = str(value).partition("|")
    return f"{name}: {Path(path).absolute()}{f' ({rest})' if rest else ''}"


def _is_kept(value, context):
    if context.temporaryLayerStore().mapLayer(value) is not None:
        return False
    path = Path(value.partition("|")[0])
    return path.exists() and Path(QgsProcessingUtils.tempFolder()) not in path.parents
