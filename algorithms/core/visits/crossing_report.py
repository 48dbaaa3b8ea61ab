"""How far soundings disagree where their tracks cross, and what that says of a survey."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from ..errors import LakefloorError
from ..number_text import counted, written
from ..progress import Progress, silent
from ..soundings import Soundings
from ..track import track_notes
from .crossings import Crossings, find_crossings
from .survey_standards import ORDERS, USACE_CLASSES, tvu, usace_tolerance

#: Fewer crossings than this do not support a statement at 95%.
FEWEST_CROSSINGS = 10

#: Departures from the median, in robust standard deviations, beyond which a difference is an
#: outlier (Iglewicz and Hoaglin 1993).
OUTLIER = 3.5

#: By how much, as a share, one depth of a crossing may differ from twice the other where one of
#: them is a double echo.
DOUBLE_WITHIN = 0.08

#: Upper ends of the classes of bottom slope, m per m.
SLOPE_CLASSES = (0.05, 0.10, 0.20, np.inf)


@dataclass(frozen=True)
class DifferenceStatistics:
    """Statistics of depth differences at crossings, m. None where too few support them.

    Attributes
    ----------
    n : int
    mean : float
        Bias between the two sides.
    low, high : float
        95% confidence interval of ``mean`` by Student's t.
    t : float
        ``mean`` over its standard error.
    significant : bool
        Whether the interval excludes zero; None where there is no interval.
    sd : float
        Standard deviation with n - 1.
    rmse : float
        Root mean square, bias included.
    rmse95 : float
        1.96 ``rmse``.
    sounding95 : float
        1.96 ``sd`` / sqrt(2): the 95% uncertainty of a single sounding without the bias, where
        both tracks are equally uncertain and independent.
    percentile95 : float
        Of the absolute differences, by linear interpolation.
    median, robust_sd : float
        Median, and 1.4826 times the median absolute deviation from it.
    outliers : int
        Differences farther than :data:`OUTLIER` ``robust_sd`` from the median.
    """

    n: int
    mean: float | None
    low: float | None
    high: float | None
    t: float | None
    significant: bool | None
    sd: float | None
    rmse: float | None
    rmse95: float | None
    sounding95: float | None
    percentile95: float | None
    median: float | None
    robust_sd: float | None
    outliers: int = 0


@dataclass(frozen=True)
class StandardCount:
    """How many crossings are within the tolerance of one standard."""

    standard: str
    order: str
    n: int
    passed: int

    @property
    def share(self) -> float | None:
        """Share 0..1, or None where there is no crossing."""
        return self.passed / self.n if self.n else None


@dataclass(frozen=True)
class CrossingReport:
    """What the crossings of a survey say.

    Attributes
    ----------
    crossings : Crossings
    between, within : DifferenceStatistics
        Crossings of two visits, which test datum and repeatability; and of one visit with
        itself, which test repeatability only.
    by_visits : list of ((str, str), DifferenceStatistics)
        By pair of visits, one visit with itself last.
    by_depth : list of ((float, float), DifferenceStatistics)
        By mean depth from and to, m; crossings between visits, or within where there are none.
    by_slope : list of ((float, float), DifferenceStatistics)
        The same by slope of the bottom, m per m.
    standards : list of StandardCount
        Of the same crossings.
    notes : list of str
        What to bear in mind, in plain words.
    """

    crossings: Crossings
    between: DifferenceStatistics
    within: DifferenceStatistics
    by_visits: list
    by_depth: list
    by_slope: list
    standards: list
    notes: list

    @property
    def tested(self) -> np.ndarray:
        """Mask of the crossings that depth, slope and standards are reported for."""
        between = self.crossings.between
        return between if between.any() else ~between


def difference_statistics(difference: npt.ArrayLike) -> DifferenceStatistics:
    """Return the statistics of depth differences, shape (n,), m.

    References
    ----------
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003 (RMS error at
    crossings and its 95% level).

    Examples
    --------
    >>> found = difference_statistics([0.1, -0.1, 0.2, 0.0])
    >>> found.n, round(found.mean, 3), found.significant
    (4, 0.05, False)
    >>> found.percentile95 is None  # fewer than ten
    True
    """
    d = np.asarray(difference, float)
    n = d.size
    if n == 0:
        return DifferenceStatistics(0, *(12 * (None,)))
    mean, rmse = float(d.mean()), float(np.sqrt(np.mean(d**2)))
    median = float(np.median(d))
    robust = float(1.4826 * np.median(np.abs(d - median)))
    if n == 1:
        return DifferenceStatistics(
            1, mean, None, None, None, None, None, rmse, None, None, None, median, None
        )
    sd = float(d.std(ddof=1))
    error = sd / np.sqrt(n)
    half = float(student.ppf(0.975, n - 1) * error)
    enough = n >= FEWEST_CROSSINGS
    return DifferenceStatistics(
        n,
        mean,
        mean - half,
        mean + half,
        mean / error if error > 0.0 else None,
        bool(abs(mean) > half),
        sd,
        rmse,
        1.96 * rmse if enough else None,
        1.96 * sd / np.sqrt(2.0) if enough else None,
        float(np.percentile(np.abs(d), 95)) if enough else None,
        median,
        robust,
        int(outlying(d).sum()),
    )


def outlying(difference: npt.ArrayLike) -> np.ndarray:
    """Return which differences, shape (n,), m, are outliers among them.

    A robust standard deviation below 1 cm is taken as 1 cm: many equal differences make the others
    no outliers.

    References
    ----------
    Iglewicz, B. and Hoaglin, D. C. (1993). How to Detect and Handle Outliers. ASQC.

    Examples
    --------
    >>> outlying([0.1, -0.1, 0.0, 0.05, 5.0]).tolist()
    [False, False, False, False, True]
    """
    d = np.asarray(difference, dtype=float)
    if d.size < 3:
        return np.zeros(d.shape, dtype=bool)
    off = np.abs(d - np.median(d))
    return off > OUTLIER * max(1.4826 * float(np.median(off)), 0.01)


def double_echoes(crossings: Crossings) -> np.ndarray:
    """Return at which crossings one of two depths looks like the double of the other.

    Sound that goes down and up twice reads twice the depth. Counted are outliers, in which one
    depth is twice the other to within :data:`DOUBLE_WITHIN`; the deeper is the false one.
    """
    shallow = np.minimum(crossings.depth_a, crossings.depth_b)
    deep = np.maximum(crossings.depth_a, crossings.depth_b)
    with np.errstate(divide="ignore", invalid="ignore"):
        twice = np.abs(deep / (2.0 * shallow) - 1.0) <= DOUBLE_WITHIN
    return twice & (shallow > 0.0) & outlying(crossings.difference)


def standard_counts(difference: npt.ArrayLike, depth: np.ndarray) -> list:
    """Return how many differences, shape (n,), m, are within each standard's tolerance.

    A difference of two soundings passes where it is at most sqrt(2) times the tolerance of one
    sounding at that depth. That is common practice, not a rule of the standards; where at least
    95% pass, the survey is consistent with the order in depth.
    """
    size = np.abs(np.asarray(difference, float)) / np.sqrt(2.0)
    count = [
        StandardCount("IHO S-44", terms.label, size.size, int((size <= tvu(order, depth)).sum()))
        for order, terms in ORDERS.items()
    ]
    return count + [
        StandardCount(
            "USACE EM 1110-2-1003",
            name,
            size.size,
            int((size <= usace_tolerance(name, depth)).sum()),
        )
        for name in USACE_CLASSES
    ]


def check_crossings(
    soundings: Soundings,
    *,
    max_gap_m: float = 20.0,
    min_angle_deg: float = 20.0,
    depth_step_m: float = 5.0,
    progress: Progress = silent,
) -> CrossingReport:
    """Compare depths wherever tracks cross.

    Parameters
    ----------
    soundings : Soundings
    max_gap_m, min_angle_deg : float
        See :func:`.crossings.find_crossings`.
    depth_step_m : float
        Step of the table by depth, m.
    progress : callable

    Returns
    -------
    CrossingReport

    Raises
    ------
    LakefloorError
        As :func:`.crossings.find_crossings`, or if the step is not above 0.
    """
    crossings = find_crossings(
        soundings, max_gap_m=max_gap_m, min_angle_deg=min_angle_deg, progress=progress
    )
    report = report_crossings(crossings, depth_step_m=depth_step_m)
    notes = track_notes(soundings)
    if notes and not len(crossings):
        # More cross-lines would not help.
        report.notes.clear()
    report.notes.extend(notes)
    return report


def report_crossings(crossings: Crossings, *, depth_step_m: float = 5.0) -> CrossingReport:
    """Return the report of crossings already found; also for errors as :func:`check_crossings`."""
    if not (np.isfinite(depth_step_m) and depth_step_m > 0.0):
        raise LakefloorError(
            f"The step of depth is {written(depth_step_m, 'g')} m. Give more than 0 m."
        )
    d, between = crossings.difference, crossings.between
    tested = between if between.any() else ~between
    pairs = {}
    for k, pair in enumerate(zip(crossings.visit_a, crossings.visit_b)):
        pairs.setdefault(pair, []).append(k)
    by_visits = [
        (pair, difference_statistics(d[pairs[pair]]))
        for pair in sorted(pairs, key=lambda p: (p[0] == p[1], p))
    ]
    depth, slope = crossings.depth[tested], crossings.slope[tested]
    step = np.floor(depth / depth_step_m).astype(int)
    by_depth = [
        ((k * depth_step_m, (k + 1) * depth_step_m), difference_statistics(d[tested][step == k]))
        for k in np.unique(step)
    ]
    edges = (0.0, *SLOPE_CLASSES)
    by_slope = [
        ((low, high), difference_statistics(d[tested][(slope >= low) & (slope < high)]))
        for low, high in zip(edges[:-1], edges[1:])
    ]
    by_slope = [(edge, m) for edge, m in by_slope if m.n]
    report = CrossingReport(
        crossings,
        difference_statistics(d[between]),
        difference_statistics(d[~between]),
        by_visits,
        by_depth,
        by_slope,
        standard_counts(d[tested], depth),
        [],
    )
    report.notes.extend(_notes(report))
    return report


def _notes(report):
    n, inside = report.between.n, report.within.n
    if n + inside == 0:
        return [
            "No crossing was found. Run a few cross-lines over the lanes, or allow a larger "
            "distance of soundings."
        ]
    notes = []
    doubled = int(double_echoes(report.crossings).sum())
    if doubled:
        notes.append(
            f"At {counted(doubled, 'crossing')} one depth is twice the other, as of a double echo. "
            "The deeper is probably false. Check these soundings in the layer of crossings, and "
            "run Clean soundings. They raise the root mean square; the median and the robust "
            "standard deviation hardly change."
        )
    if n == 0:
        notes.append(
            "All crossings are within one visit. They show how well soundings repeat. They do not "
            "test the lake datum, because a wrong lake level or draft shifts both tracks alike."
        )
    for count, where in ((n, "between visits"), (inside, "within one visit")):
        if 0 < count < FEWEST_CROSSINGS:
            notes.append(
                f"{count} {'crossing' if count == 1 else 'crossings'} {where} "
                f"{'is' if count == 1 else 'are'} too few for a statement at 95%. At least "
                f"{FEWEST_CROSSINGS} are needed."
            )
    biased = [pair for pair, m in report.by_visits if m.significant and pair[0] != pair[1]]
    if biased:
        several = ", ".join(f"'{a}' and '{b}'" for a, b in biased[:5])
        more = f" and {len(biased) - 5} more pairs" if len(biased) > 5 else ""
        notes.append(
            f"The mean difference is not zero between {several}{more}. Check lake level, draft "
            "and sound speed of these visits. Then run Adjust visits at crossings for the rest."
        )
    flat = [m for (_, high), m in report.by_slope if high <= SLOPE_CLASSES[0]]
    steep = [m for (low, _), m in report.by_slope if low >= SLOPE_CLASSES[1]]
    if flat and steep:
        even, side = flat[0], max(steep, key=lambda m: m.n)
        enough = min(even.n, side.n) >= FEWEST_CROSSINGS
        if enough and side.robust_sd > 2.0 * even.robust_sd:
            notes.append(
                "Differences are more than twice as large on slopes steeper than 10% as on a flat "
                "bottom. Check the positions and the time offset, which cause most of the "
                "difference there."
            )
    return notes
