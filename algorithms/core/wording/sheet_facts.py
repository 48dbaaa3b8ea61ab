"""What the data of a lake say about it: the facts that sheets and reports are written from."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np

from ..correcting.datums import datum_of
from ..days import survey_days
from ..errors import LakefloorError
from ..figures.lake_statistics import LakeStatistics
from ..progress import Progress, silent
from ..soundings import ACCEPTED, Soundings, distinct, parse_corrections
from ..spacing import lane_spacing
from ..visits.crossing_report import DifferenceStatistics, check_crossings
from .assumptions import assumed_sentences
from .sheet_text import interval

#: Values of a correction that changed nothing, and the keys that can have one.
_NOTHING = ("0", "0.0", "not corrected")
CORRECTIONS = {
    "draft_m": "draft",
    "sound_speed": "sound speed",
    "time_offset_s": "time offset",
    "level_m": "lake level",
    "level_offset_m": "visit offsets",
}


@dataclass(frozen=True)
class SheetSettings:
    """What only the user can say of a sheet or report.

    Attributes
    ----------
    title, lake, author : str
        Heading, second line and who made it; the last two may be empty.
    datum : str
        Name of the lake datum; empty where the data name it.
    sources : str
        Several lines, one a source.
    unit : str
        ``ft`` or ``m``.
    page_size : str
        A key of :data:`.page_layout.PAGE_SIZES`.
    draw_soundings : bool
    """

    title: str
    lake: str = ""
    author: str = ""
    datum: str = ""
    sources: str = ""
    unit: str = "ft"
    page_size: str = "Letter"
    draw_soundings: bool = False

    @property
    def source_lines(self) -> list:
        """The sources, one a line, without empty ones."""
        return [line.strip() for line in self.sources.splitlines() if line.strip()]


@dataclass(frozen=True)
class DatumFacts:
    """What depths are measured from.

    Attributes
    ----------
    name : str
    elevation : float or None
        Level of the datum on its own scale, m.
    levels : tuple of float or None
        Lowest and highest lake level of the survey on that scale, m.
    level_known : bool
        False where the datum is the water of a day on which nobody read a level.
    """

    name: str = ""
    elevation: float | None = None
    levels: tuple | None = None
    level_known: bool = True

    @property
    def at_known_level(self) -> bool:
        """Whether depths count from a lake datum whose level is known."""
        return bool(self.name) and self.level_known


@dataclass(frozen=True)
class SurveyFacts:
    """What soundings say of their survey.

    Attributes
    ----------
    dates : list of str
        Days of the soundings used, ISO: the lake's own, one a visit.
    visits : list of str
    used, rejected : int
        Numbers of soundings.
    reasons : Counter
        Rejected soundings by reason.
    lanes : int
    spacing : float or None
        Between lanes, m.
    crossings : DifferenceStatistics or None
        Depth differences where tracks cross.
    between : bool
        Whether these are tracks of different visits.
    corrections : list of str
        Keys of the corrections that changed something.
    assumed : list of str
        Sentences on what the logs did not say and had to be assumed.
    """

    dates: list = field(default_factory=list)
    visits: list = field(default_factory=list)
    used: int = 0
    rejected: int = 0
    reasons: Counter = field(default_factory=Counter)
    lanes: int = 0
    spacing: float | None = None
    crossings: DifferenceStatistics | None = None
    between: bool = False
    corrections: list = field(default_factory=list)
    assumed: list = field(default_factory=list)


@dataclass(frozen=True)
class ContourFacts:
    """What contours say of themselves.

    Attributes
    ----------
    interval, index_interval : float
        In the unit of the map; NaN below two levels.
    supported : float or None
        Share of their length that the data support.
    """

    interval: float = np.nan
    index_interval: float = np.nan
    supported: float | None = None


@dataclass(frozen=True)
class SheetFacts:
    """What a sheet or a report says. Parts that no layer has are None or empty.

    Attributes
    ----------
    settings : SheetSettings
    datum : DatumFacts
    survey : SurveyFacts
    contours : ContourFacts
    bands : list of BandRow
        Rows of the depth-area table; empty where there are no depth areas.
    deepest : float
        Top of the deepest band, m, which sets the blues of the table.
    curve : tuple of array, shape (n,), or None
        Depth below the datum, m, and area at that depth or deeper, m2.
    statistics : LakeStatistics or None
        Of the surface, at the datum.
    uncertainty : float or None
        Mean standard uncertainty of the surface, m.
    shoreline, crs : str
        Name of the shoreline's layer, and of the coordinate reference system.
    part : bool
        Whether the shoreline is that of a part of a lake.
    """

    settings: SheetSettings
    datum: DatumFacts = field(default_factory=DatumFacts)
    survey: SurveyFacts = field(default_factory=SurveyFacts)
    contours: ContourFacts = field(default_factory=ContourFacts)
    bands: list = field(default_factory=list)
    deepest: float = 0.0
    curve: tuple | None = None
    statistics: LakeStatistics | None = None
    uncertainty: float | None = None
    shoreline: str = ""
    crs: str = ""
    part: bool = False

    @property
    def unit(self) -> str:
        """The unit of depth."""
        return self.settings.unit


def datum_of_surface(metadata: dict) -> DatumFacts:
    """Return what the metadata of a surface say of its datum.

    >>> datum_of_surface({"DATUM_NAME": "dam gauge", "DATUM_ELEVATION_M": "0.5"}).elevation
    0.5
    """
    try:
        elevation = float(metadata["DATUM_ELEVATION_M"])
    except (KeyError, TypeError, ValueError):
        elevation = None
    return DatumFacts(
        metadata.get("DATUM_NAME", ""),
        elevation,
        level_known=elevation is not None or "DATUM_NAME" not in metadata,
    )


def datum_of_soundings(soundings: Soundings) -> DatumFacts | None:
    """Return what soundings say of their datum, or None where they are not reduced to one."""
    found = datum_of(soundings)
    if found is None:
        return None
    texts = map(parse_corrections, sorted(set(soundings.corrections)))
    levels = [float(pairs["level_m"]) for pairs in texts if pairs.get("level_m")]
    name, elevation = found
    return DatumFacts(
        name, elevation, (min(levels), max(levels)) if levels else None, elevation is not None
    )


def joined_datum(
    given: str, surface: DatumFacts | None, soundings: DatumFacts | None
) -> DatumFacts:
    """Return the datum by what the user, a surface and soundings say of it, in this order.

    >>> joined_datum("", DatumFacts("dam gauge", 0.5), DatumFacts("dock", 0.4, (0.4, 0.6)))
    DatumFacts(name='dam gauge', elevation=0.5, levels=(0.4, 0.6), level_known=True)
    """
    known = [facts for facts in (surface, soundings) if facts is not None]
    name = next((text for text in (given, *(facts.name for facts in known)) if text), "")
    elevation = next((f.elevation for f in known if f.elevation is not None), None)
    level_known = True if not known else known[-1].level_known or elevation is not None
    return DatumFacts(name, elevation, soundings.levels if soundings else None, level_known)


def survey_facts(
    soundings: Soundings,
    code: int | str | None = None,
    spacing: float | None = None,
    progress: Progress = silent,
) -> SurveyFacts:
    """Return what soundings say of their survey.

    Parameters
    ----------
    soundings : Soundings
        Without strays.
    code : int or str, optional
        Their coordinate reference system, for the lake's own days.
    spacing : float, optional
        Between lanes, m, where the surface states it; else it is estimated.
    progress : callable
    """
    used = soundings.select(soundings.accepted)
    names, visit = distinct(used.visit)
    lanes = ((visit.astype(np.int64) << 32) + used.lane)[used.lane > 0]
    if spacing is None:
        with suppress(LakefloorError):  # a single lane has no spacing
            spacing = lane_spacing(soundings)
    crossings, between = None, False
    with suppress(LakefloorError):  # too few soundings to cross
        report = check_crossings(soundings, progress=progress)
        between = report.between.n > 0
        crossings = report.between if between else report.within
    return SurveyFacts(
        dates=survey_days(used, code),
        visits=[name for name in names if name],
        used=len(used),
        rejected=len(soundings) - len(used),
        reasons=Counter(map(str, soundings.status[soundings.status != ACCEPTED])),
        lanes=len(np.unique(lanes)),
        spacing=spacing,
        crossings=crossings,
        between=between,
        corrections=_corrections(soundings),
        assumed=assumed_sentences(soundings),
    )


def _corrections(soundings) -> list:
    """Return the keys of the corrections that changed something."""
    return sorted(
        {
            key
            for text in set(soundings.corrections)
            for key, value in parse_corrections(text).items()
            if key not in CORRECTIONS or value not in _NOTHING
        }
    )


def contour_facts(
    depth: np.ndarray, index: np.ndarray, supported: np.ndarray, length: np.ndarray
) -> ContourFacts:
    """Return interval and support of contours.

    Parameters
    ----------
    depth : array, shape (n,)
        In the unit of the map.
    index : array of bool, shape (n,)
        Which of them are index contours.
    supported : array, shape (n,)
        1 where the data support the line, 0 where not, NaN where nothing is known.
    length : array, shape (n,)
        m.

    Examples
    --------
    >>> facts = contour_facts([5, 6, 10], [1, 0, 1], [1, 0, 1], [30.0, 10.0, 10.0])
    >>> float(facts.interval), float(facts.index_interval), facts.supported
    (1.0, 5.0, 0.8)
    """
    depth, index = np.asarray(depth, dtype=float), np.asarray(index, dtype=bool)
    supported, length = np.asarray(supported, dtype=float), np.asarray(length, dtype=float)
    total = length[np.isfinite(supported)].sum()
    share = float(length[supported == 1].sum() / total) if total else None
    return ContourFacts(interval(depth), interval(depth[index]), share)
