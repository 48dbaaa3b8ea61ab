"""The width of a sounder's beam, from depths that a pole or a lead line measured on slopes.

The survey itself cannot tell it: a sounder with an upright beam hears the same on any course. A
depth that was measured can, where the bottom is so steep that beams of two widths differ there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator
from scipy.spatial import cKDTree
from scipy.special import huber
from scipy.stats import chi2

from ..correcting.first_return import Beams, first_returns, with_beams
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..number_text import counted
from ..progress import Progress, silent, span
from ..soundings import distinct
from .beam import BeamFit, undo_beam, without_voids
from .frame import Frame
from .smooth_surface import Learned, depth_limits, draw_smooth, learn_smooth

#: Fewest measured depths that can tell a width and a common difference.
FEWEST = 3
#: Where widths of 10 and 30 degrees differ by less, m, a measured depth tells nothing of them.
LEAST_EFFECT = 0.1
# Widths that are tried, degrees, and the step between them in which the best is looked for.
_TRIED, _STEP = np.linspace(0.0, 48.0, 9), 0.5
# Differences beyond so many standard deviations count less than their square (Huber 1964).
_ROBUST, _ROUNDS, _CONFIDENCE = 1.5, 30, 0.95
# Widths between which a place worth measuring tells, degrees; what a depth measured there and the
# place of it are sure to, m; and the lane spacings between two such places.
_NARROW, _WIDE, _POLE_SD, _PLACE_SD, _APART = 10.0, 30.0, 0.1, 1.5, 2.0
_MOST_LOOKED_AT, _FLAT_SHARE, _NEAR = 50_000, 0.3, 9
# Slope, m per m, below which all beams read alike to millimeters.
_FLAT = 0.03


@dataclass(frozen=True)
class BeamWidth:
    """What measured depths tell of the width of a beam.

    Attributes
    ----------
    beam_deg : float
        The width under which they differ least from the map, degrees.
    low_deg, high_deg : float
        Between these it lies at 95 % confidence; ``high_deg`` is infinite where the bottom is not
        steep enough to tell wide beams from each other.
    common_m : float
        By how much all measured depths exceed the map, m; 0 where their lake level was known.
    used : array of bool, shape (n,)
        Measured depths that lie where the map has a depth.
    sounded, undone : array, shape (n,)
        Depth of the map there, m, with the soundings as they are and with the beam of
        ``beam_deg`` undone; NaN where it has none.
    scatter_m : float
        Root mean square of what measured depths and the map then differ by, m.
    """

    beam_deg: float
    low_deg: float
    high_deg: float
    common_m: float
    used: np.ndarray
    sounded: np.ndarray
    undone: np.ndarray
    scatter_m: float

    @property
    def determinable(self) -> bool:
        """Whether the width is known within limits on both sides, or is surely a wide one."""
        return bool(np.isfinite(self.high_deg) and self.high_deg - self.low_deg <= _TRIED[-1] / 2)


def find_beam_width(
    f: Frame,
    x: ArrayLike,
    y: ArrayLike,
    depth: ArrayLike,
    *,
    level_known: bool = False,
    measured_m: float = _POLE_SD,
    place_m: float = _PLACE_SD,
    progress: Progress = silent,
) -> BeamWidth:
    """Return the width of the beam under which measured depths agree best with the map.

    Parameters
    ----------
    f : Frame
        Of the soundings as they are; widths that they state are not used.
    x, y : array, shape (n,)
        Where depths were measured, m.
    depth : array, shape (n,)
        Measured with a pole or a lead line, m.
    level_known : bool
        Whether they count from the zero of the soundings. Otherwise what all of them have in
        common is estimated too.
    measured_m, place_m : float
        Standard uncertainty of a measured depth, m, and of its place in one direction, m.
    progress : callable

    Raises
    ------
    LakefloorError
        If fewer than :data:`FEWEST` lie where the map has a depth.

    Notes
    -----
    For widths in steps the beam is undone once and the smooth surface is drawn. Differences are
    weighed by their uncertainty, that of the map and of the place on a slope included, by Huber's
    loss, so that one wrong reading does not decide. The interval is that of the profile
    likelihood, widened where differences scatter more than their uncertainty says.

    References
    ----------
    Huber, P. J. (1964). Robust estimation of a location parameter. Annals of Mathematical
    Statistics 35(1), 73-101.
    Venzon, D. J. and Moolgavkar, S. H. (1988). A method for computing
    profile-likelihood-based confidence intervals. Applied Statistics 37(1), 87-94.
    """
    x, y, depth = (np.asarray(values, dtype=float) for values in (x, y, depth))
    learned = learn_smooth(f, progress=span(progress, 0.0, 0.3))
    surface, uncertainty, _ = _drawn(f, learned, 0.0).bands
    steep = _slope(surface).sample(x, y)
    sd = np.hypot(uncertainty.sample(x, y), np.hypot(measured_m, place_m * steep))
    tried = []
    for number, width in enumerate(_TRIED):
        tried.append(_drawn(f, learned, width).depth.sample(x, y))
        progress(0.3 + 0.7 * (number + 1) / (len(_TRIED) + 1))
    maps = np.array(tried)
    used = np.isfinite(maps).all(0) & np.isfinite(depth) & np.isfinite(sd)
    if used.sum() < FEWEST:
        raise LakefloorError(
            f"{counted(int(used.sum()), 'measured depth lies', 'measured depths lie')} where the "
            f"soundings give a depth, and {FEWEST} are needed. Measure more depths on the lanes, "
            "or check the CRS of the layer."
        )
    widths = np.arange(_TRIED[0], _TRIED[-1] + _STEP / 2, _STEP)
    lacking = PchipInterpolator(_TRIED, maps[:, used] - depth[used])(widths)
    common, misfit = zip(*(_misfit(-row, sd[used], level_known) for row in lacking))
    best = int(np.argmin(misfit))
    free = max(int(used.sum()) - (1 if level_known else 2), 1)
    allowed = chi2.ppf(_CONFIDENCE, 1) * max(misfit[best] / free, 1.0)
    likely = np.flatnonzero(np.array(misfit) - misfit[best] <= allowed)
    undone = _drawn(f, learned, widths[best]).depth.sample(x, y)
    left = depth[used] - undone[used] - common[best]
    progress(1.0)
    return BeamWidth(
        float(widths[best]),
        float(widths[likely[0]]),
        float(widths[likely[-1]]) if likely[-1] < len(widths) - 1 else np.inf,
        common[best],
        used,
        maps[0],
        undone,
        float(np.sqrt(np.mean(left**2))),
    )


def _drawn(f: Frame, learned: Learned, width: float) -> Surface:
    """Return the smooth surface with a beam of one width undone."""
    visits = distinct(f.soundings.visit)[0]
    soundings = with_beams(f.soundings, dict.fromkeys(visits, width))
    part = replace(f, soundings=soundings)
    if width > 0.0:
        part = undo_beam(part, BeamFit(learned, 1), cautious=False)
    low, high = depth_limits(part)
    return draw_smooth(part, replace(learned, low=low, high=high))


def _misfit(differs: np.ndarray, sd: np.ndarray, level_known: bool) -> tuple:
    """Return what differences have in common, m, and twice their loss about it."""
    common = 0.0
    if not level_known:
        weight = 1.0 / sd**2
        for _ in range(_ROUNDS):
            common = float(np.average(differs, weights=weight))
            off = np.abs(differs - common) / sd
            weight = np.minimum(1.0, _ROBUST / np.maximum(off, 1e-9)) / sd**2
    return common, float(2.0 * huber(_ROBUST, (differs - common) / sd).sum())


def _slope(depth: Grid) -> Grid:
    south, east = np.gradient(depth.values, depth.dy, depth.dx)
    return depth.like(np.hypot(south, east))


@dataclass(frozen=True)
class TellingPlaces:
    """Places where measured depths would tell most of the width of a beam.

    Attributes
    ----------
    x, y : array, shape (n,)
        m, the most telling first, flat ground last.
    depth : array, shape (n,)
        Of the map there, m.
    slope : array, shape (n,)
        m per m.
    effect : array, shape (n,)
        By how much a beam of 30 degrees reads less there than one of 10 degrees, m.
    """

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    slope: np.ndarray
    effect: np.ndarray


def telling_places(
    f: Frame,
    *,
    count: int = 10,
    deepest_m: float = np.inf,
    place_m: float = _PLACE_SD,
    progress: Progress = silent,
) -> TellingPlaces:
    """Return where some measured depths would tell most of the width of a beam.

    Parameters
    ----------
    f : Frame
        Of the soundings as they are.
    count : int
        How many places; three in ten are on flat ground, which tells what all measured depths
        have in common.
    deepest_m : float
        Depth down to which a pole or a line reaches, m.
    place_m : float
        Standard uncertainty of a place in one direction, m.
    progress : callable

    Notes
    -----
    They lie on the lanes, where the map is surest, at least two lane spacings apart. Each is
    worth the effect of the width there in standard deviations of a depth that is measured there.
    """
    learned = learn_smooth(f, progress=span(progress, 0.0, 0.6))
    surface, uncertainty, _ = draw_smooth(f, learned, span(progress, 0.6, 0.8)).bands
    every = np.arange(0, len(f.soundings), 1 + len(f.soundings) // _MOST_LOOKED_AT)
    soundings = f.soundings.select(every)
    x, y = soundings.x, soundings.y
    depth, slope = surface.sample(x, y), _slope(surface).sample(x, y)
    ground, lift = without_voids(f, surface), Beams.of(soundings).lift
    narrow, wide = (
        first_returns(ground, x, y, lift, np.full(len(x), np.tan(np.radians(width) / 2.0)))
        for width in (_NARROW, _WIDE)
    )
    progress(0.95)
    # The mean of near pings: one of them may look steep by its noise.
    near = cKDTree(np.column_stack([x, y])).query(np.column_stack([x, y]), min(_NEAR, len(x)))[1]
    effect = np.nan_to_num(narrow - wide)[near.reshape(len(x), -1)].mean(axis=1)
    sd = np.hypot(uncertainty.sample(x, y), np.hypot(_POLE_SD, place_m * slope))
    usable = np.isfinite(depth) & np.isfinite(sd) & (depth > 0.0) & (depth <= deepest_m)
    flat = max(round(_FLAT_SHARE * count), 1)
    worth = np.where(usable & (effect >= LEAST_EFFECT), effect / sd, 0.0)
    chosen = _apart(x, y, worth, _APART * f.spacing, count - flat, [])
    if chosen:
        # As deep as the others, for what is wrong by a share of the depth.
        alike = np.abs(depth - np.median(depth[chosen]))
        level = usable & (slope < _FLAT)
        chosen = _apart(
            x, y, np.where(level, 1.0 / (1.0 + alike), 0.0), _APART * f.spacing, flat, chosen
        )
    progress(1.0)
    return TellingPlaces(x[chosen], y[chosen], depth[chosen], slope[chosen], effect[chosen])


def _apart(x, y, worth, apart: float, count: int, chosen: list) -> list:
    """Return the rows chosen before and up to so many more, of most worth, apart from each other."""
    chosen, worth = list(chosen), np.array(worth)
    for row in chosen:
        worth[np.hypot(x - x[row], y - y[row]) < apart] = 0.0
    for _ in range(count):
        row = int(np.argmax(worth)) if len(worth) else 0
        if not len(worth) or worth[row] <= 0.0:
            break
        chosen.append(row)
        worth[np.hypot(x - x[row], y - y[row]) < apart] = 0.0
    return chosen
