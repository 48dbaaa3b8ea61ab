"""Hardness of single pings made into observations that are independent of each other."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.ndimage import minimum_filter1d

from ..correcting.first_return import Beams, check_beam
from ..correction_keys import USUAL_BEAM_DEG
from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..progress import Progress, silent, watched
from ..soundings import Soundings

_LEAST_BLOCK = 1.0
#: A visit of which more than this share stands at the end of the scale is saturated.
SATURATED = 0.05
_LEAST_NOISE = 0.003
#: Observations on each side that a step of hardness is seen from.
WINDOW = 3
_STEP = 3.0


@dataclass(frozen=True)
class Observations:
    """One row for the pings of one footprint, in the order logged within each visit.

    Attributes
    ----------
    x, y, depth : array, shape (n,)
        m.
    slope : array, shape (n,)
        Degrees; NaN where the depth surface tells none.
    hardness : array, shape (n,)
        As logged, 0..1.
    visit : int array, shape (n,)
        Index into the names of the visits.
    lane : int array, shape (n,)
    pings : int array, shape (n,)
        Pings that the observation is the mean of.
    """

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    slope: np.ndarray
    hardness: np.ndarray
    visit: np.ndarray
    lane: np.ndarray
    pings: np.ndarray

    def __len__(self) -> int:
        return len(self.x)

    def select(self, rows: np.ndarray) -> Observations:
        """Return the rows picked by a mask or an index array."""
        return Observations(*(getattr(self, f.name)[rows] for f in fields(self)))


@dataclass(frozen=True)
class LoggedHardness:
    """Observations, and what is to be known of each of the k visits.

    Attributes
    ----------
    observations : Observations
    visits : object array (str), shape (k,)
    noise : array, shape (k,)
        Standard deviation of one observation.
    saturated : array, shape (k,)
        Share of the pings at the lowest or at the highest value logged, the larger of both,
        less the share at the next value.
    footprint : float
        Median over the observations of the length of track that makes one, m.
    """

    observations: Observations
    visits: np.ndarray
    noise: np.ndarray
    saturated: np.ndarray
    footprint: float


def observations_of(
    soundings: Soundings,
    depth: Grid,
    slope: Grid,
    beam_deg: float | None = None,
    progress: Progress = silent,
) -> LoggedHardness:
    """Average the pings of each footprint.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones with a hardness are used.
    depth : Grid
        Depth, m, positive down.
    slope : Grid
        Degrees.
    beam_deg : float, optional
        Full width of the sounder's beam for all soundings. If None, what their corrections state,
        else :data:`~.correction_keys.USUAL_BEAM_DEG`.

    Raises
    ------
    LakefloorError
        If there is no hardness, it is not within 0..1, or all lies off the depth surface.
    """
    if beam_deg is not None:
        check_beam(beam_deg)
    kept, bed = _on_surface(_with_hardness(soundings), depth)
    visits, visit = np.unique(kept.visit.astype(str), return_inverse=True)
    order = np.argsort(visit, kind="stable")
    kept, visit, bed = kept.select(order), visit[order], bed[order]
    stated = Beams.of(kept).width if beam_deg is None else np.full(len(kept), beam_deg)
    width = np.where(np.isnan(stated), USUAL_BEAM_DEG, stated)
    footprint = np.maximum(2.0 * bed * np.tan(np.radians(width) / 2.0), _LEAST_BLOCK)
    new = _starts(kept.x.tolist(), kept.y.tolist(), visit.tolist(), footprint.tolist(), progress)
    group = np.cumsum(new) - 1
    pings = np.bincount(group)

    def mean(value):
        first = value[new][group]
        return value[new] + np.bincount(group, value - first) / pings

    observations = Observations(
        mean(kept.x),
        mean(kept.y),
        mean(bed),
        slope.sample(mean(kept.x), mean(kept.y)),
        mean(kept.hardness),
        visit[new],
        kept.lane[new].astype(int),
        pings,
    )
    return LoggedHardness(
        observations,
        visits.astype(object),
        _noise(observations, len(visits)),
        np.array([_saturated(kept.hardness[visit == v]) for v in range(len(visits))]),
        float(np.median(footprint[new])),
    )


def _with_hardness(soundings: Soundings) -> Soundings:
    """Return the accepted soundings with a hardness, and refuse what is none."""
    kept = soundings.select(
        soundings.accepted
        & np.isfinite(soundings.hardness)
        & np.isfinite(soundings.x)
        & np.isfinite(soundings.y)
    )
    if not len(kept):
        raise LakefloorError(
            "No sounding is accepted and has a hardness. Read logs that have a hardness column, or "
            "name the column in Read logs."
        )
    low, high = kept.hardness.min(), kept.hardness.max()
    if low < 0.0 or high > 1.0:
        raise LakefloorError(
            f"Field 'hardness' runs from {written(low, 'g')} to {written(high, 'g')}, but it must "
            "lie within 0 and 1. Divide it by the sounder's full scale (often 100 or 255) first."
        )
    return kept


def _on_surface(kept: Soundings, depth: Grid) -> tuple:
    """Return the soundings on the depth surface, and its depth there, at least 0.1 m."""
    bed = depth.sample(kept.x, kept.y)
    on = np.isfinite(bed)
    if not on.any():
        raise LakefloorError(
            "No sounding with a hardness lies on the depth surface. Check that both belong to the "
            "same lake."
        )
    return kept.select(on), np.maximum(bed[on], 0.1)


def _starts(x, y, visit, footprint, progress) -> np.ndarray:
    """Tell which pings lie more than a footprint from the first of their group, or begin a visit.

    Unlike the cells of a grid, groups do not fall apart where a parked boat drifts over an edge.
    """
    new = np.zeros(len(x), dtype=bool)
    x0 = y0 = v0 = limit = None
    for i, (xi, yi, vi) in enumerate(watched(zip(x, y, visit), progress, len(x))):
        if vi != v0 or (xi - x0) ** 2 + (yi - y0) ** 2 > limit:
            new[i] = True
            x0, y0, v0, limit = xi, yi, vi, footprint[i] ** 2
    return new


def _noise(obs: Observations, visits: int) -> np.ndarray:
    """Return the scatter of each visit about a straight line of three observations."""
    bend = np.diff(obs.hardness, n=2)
    same = obs.visit[2:] == obs.visit[:-2]
    out = np.full(visits, np.nan)
    for v in range(visits):
        mine = np.abs(bend[same & (obs.visit[1:-1] == v)])
        if mine.size >= 5:
            # Noise of standard deviation s bends by s sqrt(1 + 4 + 1).
            out[v] = 1.4826 * np.median(mine) / np.sqrt(6.0)
    typical = np.nanmedian(out) if np.isfinite(out).any() else _LEAST_NOISE
    return np.maximum(np.where(np.isfinite(out), out, typical), _LEAST_NOISE)


def _saturated(hardness) -> float:
    values, count = np.unique(hardness, return_counts=True)
    if len(values) < 3:
        return 1.0
    # What stands at the end beyond what the scale's own steps explain.
    return float(max(count[0] - count[1], count[-1] - count[-2], 0) / len(hardness))


def hardness_steps(obs: Observations) -> tuple:
    """Return the change of hardness along the track about each observation.

    Returns
    -------
    step : array, shape (n,)
        Mean of the three observations after less that of the three before; 0 at the ends.
    rate : array, shape (n,)
        The step's size by distance, 1/m.
    """
    n, w = len(obs), WINDOW
    step, rate = np.zeros(n), np.zeros(n)
    if n < 2 * w + 1:
        return step, rate

    def means(value):
        total = np.r_[0.0, np.cumsum(value)]
        return (total[at] - total[at - w]) / w, (total[at + w + 1] - total[at + 1]) / w

    at = np.arange(w, n - w)
    same = obs.visit[at - w] == obs.visit[at + w]
    before, after = means(obs.hardness)
    step[at] = np.where(same, after - before, 0.0)
    (x0, x1), (y0, y1) = means(obs.x), means(obs.y)
    rate[at] = np.abs(step[at]) / np.maximum(np.hypot(x1 - x0, y1 - y0), 1e-3)
    return step, rate


def away_from_edges(obs: Observations, noise: np.ndarray) -> np.ndarray:
    """Tell which observations lie away from an edge of a hard patch, shape (n,).

    An edge is where the means of the three observations before and after differ by more than
    three standard errors, and the three each side of it: a footprint there shows a mixture of
    two bottoms, which is a class of its own no more than the values between two classes are.
    """
    limit = _STEP * noise[obs.visit] * np.sqrt(2.0 / WINDOW)
    return minimum_filter1d(np.abs(hardness_steps(obs)[0]) <= limit, 2 * WINDOW + 1)
