"""What the layers of a lake say about it: the words and figures of sheets and reports."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np
from qgis.core import QgsFeatureRequest, QgsProcessingFeatureSource

from .._compat import is_null
from .._i18n import tr
from .._layers import common_share, read_polygon, read_raster, read_soundings, srs_wkt
from ..core.correcting.datums import datum_of
from ..core.days import survey_days
from ..core.errors import LakefloorError
from ..core.number_text import written
from ..core.progress import silent, span
from ..core.share import sheet
from ..core.share.assumed import assumed_sentences
from ..core.share.lake_statistics import LITTORAL_DEPTH, LakeStatistics, lake_statistics
from ..core.soundings import ACCEPTED, parse_corrections
from ..core.spacing import lane_spacing
from ..core.strays import without_strays
from ..core.visits.crossing_report import DifferenceStatistics, check_crossings
from ._inputs import DATUM_UNCERTAINTY, SHORELINE_UNCERTAINTY
from ._lake_report import bare, reading_unit


@dataclass
class Facts:
    """What a sheet or a report says. Parts that no layer tells are None or empty.

    Attributes
    ----------
    title, subtitle : str
    unit : str
        ``ft`` or ``m``.
    sections : list of (str, str)
        Headings and texts of the panel.
    boxed : str
        Heading of the section that stands in a box.
    bands : list of BandRow
        Rows of the depth-area table; empty where there are no depth areas.
    deepest : float
        Top of the deepest band, m, which sets the blues of the table.
    curve : tuple of array, shape (n,), or None
        Depth below the datum, m, and area at that depth or deeper, m2.
    statistics : LakeStatistics or None
        Of the surface, at the datum.
    dates : list of str
        Days of the soundings used, ISO: the lake's own, one an outing.
    visits : list of str
    used, rejected : int
        Numbers of soundings.
    lanes : int
    spacing : float or None
        Between lanes, m.
    datum, elevation, levels
        Name of the datum, its level (m), lowest and highest level of the survey (m).
    level_known : bool
        False where the datum is the water of a day on which nobody read a level.
    assumed : list of str
        Sentences on what the logs did not say and had to be assumed.
    uncertainty : float or None
        Mean standard uncertainty of the surface, m.
    interval, index_interval : float
        Of the contours, in ``unit``; NaN below two levels.
    supported : float or None
        Share of the contours' length that the data support.
    crossings : DifferenceStatistics or None
        Depth differences where tracks cross.
    between : bool
        Whether these are tracks of different visits.
    """

    title: str
    subtitle: str
    unit: str
    sections: list = field(default_factory=list)
    boxed: str = ""
    bands: list = field(default_factory=list)
    deepest: float = 0.0
    curve: tuple | None = None
    statistics: LakeStatistics | None = None
    dates: list = field(default_factory=list)
    visits: list = field(default_factory=list)
    used: int = 0
    rejected: int = 0
    lanes: int = 0
    spacing: float | None = None
    datum: str = ""
    elevation: float | None = None
    levels: tuple | None = None
    level_known: bool = True
    assumed: list = field(default_factory=list)
    uncertainty: float | None = None
    interval: float = np.nan
    index_interval: float = np.nan
    supported: float | None = None
    crossings: DifferenceStatistics | None = None
    between: bool = False

    @property
    def at_datum(self) -> bool:
        """Whether depths count from a lake datum whose level is known."""
        return bool(self.datum) and self.level_known


def collect_facts(layers, crs, context, feedback, title, lake="", author="", datum="",
                  sources="", unit="ft", progress=silent) -> Facts:
    """Read from the layers what a sheet says about them.

    Parameters
    ----------
    layers : dict of str to QgsMapLayer
        By role: ``shoreline``, and where there are such ``contours``,
        ``depth_areas``, ``surface``, ``soundings``, ``break_lines``.
    crs : QgsCoordinateReferenceSystem
        Metric; lengths and areas are measured in it.
    title, lake, author, sources : str
        What only the user can say; ``sources`` may have several lines.
    datum : str
        Name of the datum; left empty, it is taken from the soundings or the surface.
    progress : callable
    """
    facts = Facts(title, "", unit, datum=datum)
    reasons, corrections = Counter(), []
    if "surface" in layers:
        _read_surface(facts, layers, context, feedback, span(progress, 0.0, 0.5))
    if "soundings" in layers:
        reasons, corrections = _read_soundings(
            facts, layers, crs, context, feedback, span(progress, 0.5, 1.0))
    contour_line = ""
    if "contours" in layers:
        contour_line = _read_contours(facts, layers["contours"], crs, context)
    _read_bands(facts, layers.get("depth_areas"), crs, context)
    surveyed = ""
    if facts.dates:
        surveyed = tr("surveyed {}").format(sheet.dates_text(facts.dates))
    facts.subtitle = "  ·  ".join(part for part in (lake, surveyed) if part)
    facts.boxed = tr("Survey quality")
    datum_text = sheet.datum_statement(
        unit, facts.datum, facts.elevation, facts.levels, level_known=facts.level_known)
    sections = [
        (tr("Datum and contours"), f"{datum_text}\n{contour_line}".strip()),
        (tr("The lake"), "\n".join(_lake_lines(facts))),
        (tr("Survey"), "\n".join(_survey_lines(facts, reasons))),
        (facts.boxed, "\n".join(_quality_lines(facts))),
        (tr("Data sources"), "\n".join(
            _source_lines(facts, layers, corrections, crs, author, sources))),
        (tr("Cautions"), "\n".join(sheet.CAUTIONS)),
    ]
    facts.sections = [(heading, text) for heading, text in sections if text]
    progress(1.0)
    return facts


# -- reading ----------------------------------------------------------------------


def _read_surface(facts, layers, context, feedback, progress):
    surface, crs, metadata = read_raster(layers["surface"], feedback)
    facts.spacing = surface.spacing
    facts.datum = facts.datum or metadata.get("DATUM_NAME", "")
    facts.elevation = _number(metadata.get("DATUM_ELEVATION_M"))
    facts.level_known = facts.elevation is not None or "DATUM_NAME" not in metadata
    if surface.uncertainty is not None:
        known = surface.uncertainty.values[np.isfinite(surface.uncertainty.values)]
        if known.size:
            facts.uncertainty = float(known.mean())
    try:
        shoreline = _shoreline(layers, crs, context, feedback)
        facts.statistics = lake_statistics(
            surface, shoreline, crs=srs_wkt(crs), datum_sd=DATUM_UNCERTAINTY,
            scale_sd=common_share(metadata), shoreline_sd=SHORELINE_UNCERTAINTY, progress=progress)
    except LakefloorError as error:
        feedback.pushWarning(tr("No figures of the lake on the sheet: {}").format(error))
        return
    curve = facts.statistics.curve
    facts.curve = curve.depth, curve.area


def _shoreline(layers, crs, context, feedback):
    return read_polygon(
        QgsProcessingFeatureSource(layers["shoreline"], context), crs, context, feedback)


def _number(text):
    try:
        return float(text)
    except (TypeError, ValueError):
        return None


def _read_soundings(facts, layers, crs, context, feedback, progress):
    """Read the survey; return the reasons of rejections and the corrections of the rest."""
    soundings, _ = read_soundings(layers["soundings"], context, feedback, crs)
    try:
        soundings, notes = without_strays(soundings, _shoreline(layers, crs, context, feedback))
    except LakefloorError as error:
        notes = [str(error)]
    for note in notes:
        feedback.pushWarning(note)
    known_datum = datum_of(soundings)
    texts = [parse_corrections(text) for text in sorted(set(soundings.corrections))]
    if known_datum is not None:
        facts.datum = facts.datum or known_datum[0]
        facts.elevation = known_datum[1] if facts.elevation is None else facts.elevation
        levels = [float(pairs["level_m"]) for pairs in texts if pairs.get("level_m")]
        facts.levels = (min(levels), max(levels)) if levels else None
        facts.level_known = facts.elevation is not None
    facts.assumed = assumed_sentences(soundings)
    used = soundings.select(soundings.accepted)
    facts.dates = survey_days(used, srs_wkt(crs))
    facts.used, facts.rejected = len(used), len(soundings) - len(used)
    facts.visits = sorted({str(visit) for visit in used.visit if visit})
    facts.lanes = len({(v, n) for v, n in zip(used.visit, used.lane) if n > 0})
    if facts.spacing is None:
        with suppress(LakefloorError):  # a single lane has no spacing
            facts.spacing = lane_spacing(soundings)
    with suppress(LakefloorError):  # too few soundings to cross
        report = check_crossings(soundings, progress=progress)
        facts.between = report.between.n > 0
        facts.crossings = report.between if facts.between else report.within
    corrections = sorted({
        key for pairs in texts for key, value in pairs.items()
        if key not in _CORRECTED or value not in _NOTHING
    })
    return Counter(str(s) for s in soundings.status if s != ACCEPTED), corrections


def _read_contours(facts, layer, crs, context) -> str:
    """Read interval and support; return the sentence on the interval."""
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    depths, index_depths, lengths = [], [], Counter()
    for feature in layer.getFeatures(request):
        depths.append(feature["depth"])
        if feature["index"]:
            index_depths.append(feature["depth"])
        if feature["unit"] != facts.unit:
            raise LakefloorError(
                tr("Layer '{}' is labelled in '{}', but the unit chosen for the map is '{}'. Make "
                   "contours in that unit, or choose the other one.").format(
                    layer.name(), feature["unit"], facts.unit)
            )
        if not is_null(feature["supported"]):
            lengths[bool(feature["supported"])] += feature.geometry().length()
    facts.interval, facts.index_interval = sheet.interval(depths), sheet.interval(index_depths)
    total = sum(lengths.values())
    facts.supported = lengths[True] / total if total else None
    if np.isnan(facts.interval):
        return ""
    text = tr("Contour interval {:g} {}").format(facts.interval, facts.unit)
    if not np.isnan(facts.index_interval):
        text += tr(", index contours every {:g} {}").format(facts.index_interval, facts.unit)
    return text + "."


def _read_bands(facts, layer, crs, context):
    """Read the depth-area table, and the curve where no surface gives it."""
    if layer is None:
        return
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    rows = [
        (f["depth_from_m"], np.inf if is_null(f["depth_to_m"]) else f["depth_to_m"],
         f.geometry().area())
        for f in layer.getFeatures(request)
    ]
    if not rows:
        return
    facts.bands = sheet.area_table(*zip(*rows), facts.unit)
    facts.deepest = max(top for top, _, _ in rows)
    if facts.curve is None:
        facts.curve = sheet.curve_of_bands(*zip(*rows))


# -- wording ----------------------------------------------------------------------


def _lake_lines(facts) -> list:
    if facts.statistics is None:
        return []
    figures, unit = facts.statistics.figures, facts.unit

    def say(name):
        _, kind, value, sd = figures[name]
        size, sign = reading_unit(value, kind, unit)
        spread = f" ± {bare(sd, kind, size, sd)}" if sd else ""
        return f"{bare(value, kind, size, sd)}{spread} {sign}".rstrip()

    lines = [
        tr("Area {}, volume {}.").format(say("area"), say("volume")),
        tr("Mean depth {}, greatest depth {}.").format(say("mean_depth"), say("max_depth")),
        tr("Shoreline {}, development {:.2f}.").format(
            say("shoreline"), figures["development"].value),
        tr("Shallower than {}: {}.").format(
            f"{written(round(LITTORAL_DEPTH / sheet.METRES[unit], 2), 'g')} {unit}",
            say("littoral_share")),
        tr("± is one standard uncertainty."),
    ]
    gap = 100.0 - figures["mapped_share"].value
    if gap > 0.05:
        lines.insert(-1, tr("{:.1f}% of the lake has no depth.").format(gap))
    return lines


def _survey_lines(facts, reasons) -> list:
    lines = []
    if facts.dates:
        lines.append(tr("Survey dates: {}.").format(sheet.dates_text(facts.dates)))
    if facts.used or facts.rejected:
        counted = tr("{:,} soundings used, {:,} rejected").format(facts.used, facts.rejected)
        if reasons:
            counts = ", ".join(
                f"{reason} {written(count, ',')}" for reason, count in reasons.most_common())
            counted += f" ({counts})"
        lines.append(counted + ".")
    if facts.lanes:
        text = tr("{} lanes").format(facts.lanes)
        if facts.spacing is not None:
            text += tr(", about {:.0f} {} apart").format(
                facts.spacing / sheet.METRES[facts.unit], facts.unit)
        lines.append(text + ".")
    return lines


def _quality_lines(facts) -> list:
    unit, metre = facts.unit, sheet.METRES[facts.unit]
    lines = []
    m = facts.crossings
    if m is not None and m.n:
        where = tr("between visits") if facts.between else tr("within visits")
        mean = written(m.mean / metre, "+.2f").replace("-", "−")
        lines.append(tr("Tracks cross {} times {}: depths differ by {} {} on average, root "
                        "mean square {:.2f} {}.").format(
                            m.n, where, mean, unit, m.rmse / metre, unit))
        if m.percentile95 is not None:
            lines.append(tr("95% of the differences are within {:.2f} {}; 95% uncertainty of a "
                            "single sounding {:.2f} {}.").format(
                                m.percentile95 / metre, unit, m.sounding95 / metre, unit))
        else:
            lines.append(tr("Too few crossings for a statement at 95%."))
    elif facts.used:
        lines.append(tr("No tracks cross: depths were not checked against each other."))
    if facts.uncertainty is not None:
        lines.append(tr("Standard uncertainty of depth: {:.2f} {} on average.").format(
            facts.uncertainty / metre, unit))
    if facts.supported is not None:
        lines.append(
            tr("{:.0f}% of the length of the contours is supported by the data; the rest is "
               "dashed.").format(100.0 * facts.supported)
        )
    return lines


_CORRECTED = {
    "draft_m": "draft", "sound_speed": "sound speed", "time_offset_s": "time offset",
    "level_m": "lake level", "level_offset_m": "offsets between visits",
}
#: Values of a correction that changed nothing.
_NOTHING = ("0", "0.0", "not corrected")


def _source_lines(facts, layers, corrections, crs, author, sources) -> list:
    lines = [line.strip() for line in sources.splitlines() if line.strip()]
    if author:
        lines.append(tr("Compiled by {}.").format(author))
    if facts.visits:
        visits = ", ".join(facts.visits) if len(facts.visits) <= 4 else tr("{} visits").format(
            len(facts.visits))
        lines.append(tr("Depths: echo soundings, {}.").format(visits))
        done = [tr(name) for key, name in _CORRECTED.items() if key in corrections]
        if done:
            lines.append(tr("Corrected for {}.").format(", ".join(done)))
        lines += facts.assumed
    lines.append(tr("Shoreline: layer '{}', taken as depth 0.").format(layers["shoreline"].name()))
    lines.append(tr("Coordinate system: {} ({}).").format(crs.description(), crs.authid()))
    lines.append(tr("Grid and margin: latitude and longitude, WGS 84."))
    return lines
