"""Minimum-curvature surface on a grid: a thin plate held by weighted soundings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import binary_dilation, gaussian_filter
from scipy.sparse import csr_matrix

from .. import threads
from ..progress import Progress, silent, span

#: Stiffness left where a breakline crosses the plate.
SOFT = 1e-3
# Outside the grid: one cell for the depths on its edge, and two for the stencil.
_PAD = 3
_BLOCK = 60_000
# In lane spacings: the coarsest cells, and the largest and smallest to look for strike on.
_COARSEST, _STRIKE_FROM, _STRIKE_TO = 1.4, 0.35, 0.2
# Pings in one cell share errors of level and position: together they count as this many.
_MOST = 4.0
# Weight, in stiffnesses of a cell, that holds the plate for good; more only costs steps.
_FIRM = 1e3
# Steps of conjugate gradients by level, the finest first; the coarsest, which starts from nothing,
# gets the most. A fixed number, since a small bay hardly shows in a measure of the whole lake;
# fewer only where single precision is reached.
_STEPS, _ROUNDING = (3, 40, 80), 1e-13
# Cubic (Lagrange) weights of four cell centers for a point a quarter of a cell past the second.
_CUBIC = np.array([-7.0, 105.0, 35.0, -5.0]) / 128.0


@dataclass(frozen=True)
class Held:
    """Depths that hold the plate; every field has shape (n,).

    Attributes
    ----------
    row, col : float
        Position in cells, 0 at the first cell center.
    depth : float
        m.
    weight : float
        One over the variance, 1/m2.
    """

    row: np.ndarray
    col: np.ndarray
    depth: np.ndarray
    weight: np.ndarray

    def coarser(self) -> Held:
        """Return the same in cells twice as large."""
        return Held((self.row - 0.5) / 2.0, (self.col - 0.5) / 2.0, self.depth, self.weight)


def per_cell(held: Held, shape: tuple, most: float = np.inf) -> Held:
    """Return one weighted mean a cell.

    Parameters
    ----------
    held : Held
    shape : tuple
        Rows and columns; positions lie within.
    most : float
        The weight of a cell is at most this many times the mean weight of a depth in it.
    """
    r = np.rint(held.row).astype(np.int64).clip(0, shape[0] - 1)
    c = np.rint(held.col).astype(np.int64).clip(0, shape[1] - 1)
    key = r * shape[1] + c
    size = shape[0] * shape[1]
    count = np.bincount(key, minlength=size)
    some = np.flatnonzero(count)
    total = np.bincount(key, held.weight, size)[some]

    def mean(value):
        return np.bincount(key, held.weight * value, size)[some] / total

    row, col = some // shape[1], some % shape[1]
    weight = total * np.minimum(1.0, most / count[some])
    return Held(row + mean(held.row - r), col + mean(held.col - c), mean(held.depth), weight)


class _Plate:
    """The equations of one level: bending energy plus weighted misfit, on a padded grid.

    ``wet``, ``soft``, ``along`` are those of :func:`thin_plate`, ``strike`` is what
    :func:`_strike` returns or None, and ``stiffness`` counts bending in cells.
    """

    def __init__(self, wet, held: Held, stiffness, soft, along, strike):
        shape = tuple(n + 2 * _PAD for n in wet.shape)
        self.shape = shape
        wet = np.pad(wet, _PAD)
        row, col = held.row + _PAD, held.col + _PAD
        r0 = np.floor(row).astype(np.int32).clip(0, shape[0] - 2)
        c0 = np.floor(col).astype(np.int32).clip(0, shape[1] - 2)
        fr, fc = row - r0, col - c0
        corner = r0 * shape[1] + c0
        n = len(corner)
        at = np.column_stack([corner, corner + 1, corner + shape[1], corner + shape[1] + 1])
        part = np.column_stack([(1 - fr) * (1 - fc), (1 - fr) * fc, fr * (1 - fc), fr * fc])
        self.see = csr_matrix(
            (part.ravel().astype(np.float32), at.ravel(), np.arange(0, 4 * n + 1, 4)),
            shape=(n, wet.size),
        )
        self.weight = held.weight.astype(np.float32)
        self.depth = held.depth.astype(np.float32)
        seen = np.zeros(wet.size, dtype=bool)
        seen[at.ravel()] = True
        domain = wet | seen.reshape(shape)
        self.domain = domain
        d = domain
        inner = (slice(1, -1), slice(1, -1))
        xx = np.zeros(shape, dtype=np.float32)
        yy, xy = np.zeros_like(xx), np.zeros_like(xx)
        # Bending is felt in wet cells: land narrower than the stencil carries none across.
        xx[:, 1:-1] = wet[:, 1:-1] & d[:, :-2] & d[:, 2:]
        yy[1:-1] = wet[1:-1] & d[:-2] & d[2:]
        # xy[r, c] is the corner between rows r, r + 1 and columns c, c + 1.
        quad = d[:-1, :-1] & d[:-1, 1:] & d[1:, :-1] & d[1:, 1:]
        quad &= wet[:-1, :-1] | wet[:-1, 1:] | wet[1:, :-1] | wet[1:, 1:]
        xy[:-1, :-1] = 2.0 * quad
        if soft is not None:
            east, south = (np.pad(part, _PAD) for part in soft)
            xx[:, 1:-1][east[:, :-2] | east[:, 1:-1]] *= SOFT
            yy[1:-1][south[:-2] | south[1:-1]] *= SOFT
            cut = east[:-1, :-1] | east[1:, :-1] | south[:-1, :-1] | south[:-1, 1:]
            xy[:-1, :-1][cut] *= SOFT
        scale = np.float32(stiffness)
        self.xx, self.yy, self.xy = scale * xx, scale * yy, scale * xy
        self.along = None
        if strike is not None:
            cos2, sin2 = strike
            full = (xx[inner] == 1) & (yy[inner] == 1)
            for part in (xy[:-2, :-2], xy[:-2, 1:-1], xy[1:-1, :-2], xy[1:-1, 1:-1]):
                full &= part == 2
            root = np.zeros(shape, dtype=np.float32)
            root[inner] = full
            cos2, sin2 = np.pad(cos2, _PAD), np.pad(sin2, _PAD)
            size = np.hypot(cos2, sin2)
            root *= np.sqrt(scale * np.float32(along)) * size
            size = np.maximum(size, 1e-12)
            cos2, sin2 = cos2 / size, sin2 / size
            self.along = tuple(
                (root * part).astype(np.float32)
                for part in (0.5 * (1.0 + cos2), 0.5 * (1.0 - cos2), 0.25 * sin2)
            )
        self.diagonal = self._diagonal()

    def _diagonal(self):
        out = np.bincount(
            self.see.indices,
            np.repeat(self.weight, 4) * self.see.data**2,
            self.shape[0] * self.shape[1],
        ).reshape(self.shape)
        out = out.astype(np.float32)
        out[:, 1:-1] += self.xx[:, :-2] + 4.0 * self.xx[:, 1:-1] + self.xx[:, 2:]
        out[1:-1] += self.yy[:-2] + 4.0 * self.yy[1:-1] + self.yy[2:]
        out[1:, 1:] += self.xy[1:, 1:] + self.xy[:-1, 1:] + self.xy[1:, :-1] + self.xy[:-1, :-1]
        if self.along is not None:
            a, b, m = self.along
            out += 4.0 * (a + b) ** 2
            out[:, 1:-1] += a[:, :-2] ** 2 + a[:, 2:] ** 2
            out[1:-1] += b[:-2] ** 2 + b[2:] ** 2
            m = m**2
            out[1:-1, 1:-1] += m[:-2, :-2] + m[:-2, 2:] + m[2:, :-2] + m[2:, 2:]
        return out

    def _rows(self, work, pool):
        """Do ``work(start, stop)`` on blocks of rows and return the sum of the results."""
        step = max(_BLOCK // self.shape[1], 8)
        starts = range(2, self.shape[0] - 2, step)
        if len(starts) == 1:
            return work(2, self.shape[0] - 2)
        return sum(pool.map(lambda a: work(a, min(a + step, self.shape[0] - 2)), starts))

    def times(self, z, pool):
        """Return the matrix of the equations times z, and z times that."""
        out = np.zeros_like(z)
        held = pool.submit(lambda: self.see.T @ (self.weight * (self.see @ z.ravel())))

        def bend(start, stop):
            self._bend(z, start, stop, out)
            return 0.0

        self._rows(bend, pool)
        held = held.result().reshape(self.shape)

        def add(start, stop):
            out[start:stop] += held[start:stop]
            return float(np.vdot(z[start:stop], out[start:stop]))

        return out, self._rows(add, pool)

    def _bend(self, z, start, stop, out):
        """Write rows start..stop of the bending forces."""
        rows = slice(start - 1, stop + 1)
        z = z[start - 2 : stop + 2]
        mid = z[1:-1]
        twice = 2.0 * mid
        xx = np.zeros_like(mid)
        np.add(mid[:, :-2], mid[:, 2:], out=xx[:, 1:-1])
        xx[:, 1:-1] -= twice[:, 1:-1]
        yy = z[:-2] + z[2:]
        yy -= twice
        # Corners between rows start - 2 and start - 1 up to stop and stop + 1.
        down = z[1:] - z[:-1]
        xy = np.zeros_like(down)
        np.subtract(down[:, 1:], down[:, :-1], out=xy[:, :-1])
        if self.along is not None:
            a, b, m = (part[rows] for part in self.along)
            pair = xy[:-1] + xy[1:]
            mean = pair.copy()
            mean[:, 1:] += pair[:, :-1]
            q = m * mean
            q += a * xx
            q += b * yy
        xx *= self.xx[rows]
        yy *= self.yy[rows]
        xy *= self.xy[start - 2 : stop + 1]
        if self.along is not None:
            xx += a * q
            yy += b * q
            q *= m
            pair = q.copy()
            pair[:, :-1] += q[:, 1:]
            xy[:-1] += pair
            xy[1:] += pair
        force = yy[:-2] + yy[2:]
        force -= 2.0 * yy[1:-1]
        x = xx[1:-1]
        force -= 2.0 * x
        force[:, 1:] += x[:, :-1]
        force[:, :-1] += x[:, 1:]
        # Corner (r, c) pulls at (r, c) and (r + 1, c + 1), and pushes the other two.
        turn = (xy[1:] - xy[:-1])[1:-1]
        force += turn
        force[:, 1:] -= turn[:, :-1]
        out[start:stop] = force

    def solve(self, z, steps, pool, progress):
        """Improve z by conjugate gradients with the diagonal as preconditioner."""
        z = np.pad(z, _PAD, mode="reflect", reflect_type="odd")
        with np.errstate(divide="ignore"):
            inverse = np.where(self.diagonal > 0, 1.0 / self.diagonal, np.float32(0.0))
        left = (self.see.T @ (self.weight * self.depth)).reshape(self.shape)
        left -= self.times(z, pool)[0]
        down = inverse * left
        move = down.copy()
        first = size = float(np.vdot(left, down))
        for done in range(steps):
            progress(done / steps)
            bent, energy = self.times(move, pool)
            if not (energy > 0.0 and size > _ROUNDING * first):
                break
            step = np.float32(size / energy)

            def walk(start, stop, step=step, bent=bent):
                rows = slice(start, stop)
                z[rows] += step * move[rows]
                left[rows] -= step * bent[rows]
                np.multiply(inverse[rows], left[rows], out=down[rows])
                return float(np.vdot(left[rows], down[rows]))

            before, size = size, self._rows(walk, pool)
            turn = np.float32(size / before)

            def steer(start, stop, turn=turn):
                rows = slice(start, stop)
                move[rows] *= turn
                move[rows] += down[rows]
                return 0.0

            self._rows(steer, pool)
        progress(1.0)
        return z[_PAD:-_PAD, _PAD:-_PAD]


def _prolong(z, shape):
    """Return values at the cells of a grid twice as fine, by cubics."""
    for axis in (0, 1):
        z = np.moveaxis(z, axis, 0)
        p = np.pad(z, ((2, 2), (0, 0)), mode="reflect", reflect_type="odd")
        fine = np.empty((2 * len(z), z.shape[1]), dtype=z.dtype)
        near = [p[k : k + len(z)] for k in range(5)]
        fine[0::2] = sum(w * part for w, part in zip(_CUBIC[::-1].astype(z.dtype), near[:4]))
        fine[1::2] = sum(w * part for w, part in zip(_CUBIC.astype(z.dtype), near[1:]))
        z = np.moveaxis(fine, 0, axis)
    return z[: shape[0], : shape[1]]


def halve(flags: np.ndarray) -> np.ndarray:
    """Return flags of cells twice as large: whether any of the four in one has it."""
    rows, cols = (n + n % 2 for n in flags.shape)
    even = np.zeros((rows, cols), dtype=bool)
    even[: flags.shape[0], : flags.shape[1]] = flags
    return even[::2, ::2] | even[1::2, ::2] | even[::2, 1::2] | even[1::2, 1::2]


def _clear_of_cuts(held: Held, soft) -> Held:
    """Leave out the depths in cells that a breakline cuts: large cells hold both sides."""
    east, south = soft
    cut = east | south
    cut[:, 1:] |= east[:, :-1]
    cut[1:] |= south[:-1]
    r = np.rint(held.row).astype(np.int64).clip(0, cut.shape[0] - 1)
    c = np.rint(held.col).astype(np.int64).clip(0, cut.shape[1] - 1)
    clear = ~cut[r, c]
    return Held(*(value[clear] for value in vars(held).values())) if clear.any() else held


def _strike(z, domain, reach: float):
    """Return cosine and sine of twice the strike of the bottom, times how clear it is."""
    z = np.where(domain, z, np.nan)
    gy, gx = np.gradient(z)
    known = np.isfinite(gx) & np.isfinite(gy)
    gx, gy = np.where(known, gx, 0.0), np.where(known, gy, 0.0)
    squares = (gx * gx, gy * gy, gx * gy)
    xx, yy, xy = (gaussian_filter(part, reach, truncate=3.0) for part in squares)
    size = np.maximum(xx + yy, 1e-12)
    # The contour runs square to the mean gradient, which turns the doubled angle by 180 degrees.
    return np.where(domain, (yy - xx) / size, 0.0), np.where(domain, -2.0 * xy / size, 0.0)


def thin_plate(
    wet: np.ndarray,
    held: Held,
    *,
    cell: float,
    give: float,
    along: float = 0.0,
    spacing: float,
    soft: tuple | None = None,
    progress: Progress = silent,
) -> np.ndarray:
    """Return the depths of a plate bent as little as the soundings on it allow.

    Parameters
    ----------
    wet : array of bool, shape (rows, cols)
        Cells of the plate; nothing is carried across the others.
    held : Held
        Positions within the grid, at most one cell off the wet ones.
    cell : float
        Cell size, m.
    give : float
        How readily the plate bends: bending energy counts by one over its square.
        It has no unit, and hardly depends on the spacing of the lanes.
    along : float
        How much stiffer the plate is along the strike of the bottom (the way contours
        run) than across it; 0 for a plate alike in all directions.
    spacing : float
        Lane spacing, m.
    soft : tuple of array of bool, shape (rows, cols), optional
        Cells cut by a breakline from their eastern, and from their southern neighbor.
    progress : callable

    Returns
    -------
    array, shape (rows, cols)
        m; without meaning off ``wet``.

    Notes
    -----
    The sum of ``weight * (z - depth)^2`` over the soundings, z bilinear in the four cells
    around, and of ``(z_xx^2 + 2 z_xy^2 + z_yy^2 + along c^2 z_tt^2) / give^2`` over the
    area is made least; edges are free. z_tt is curvature along the strike, and c (0..1)
    the coherence of the gradient around, so that a drop-off seen on two lanes runs
    straight from one to the other instead of in steps, while a rough bottom stays as it
    is. Cells of about the spacing are solved first, alike in all directions until they
    show the strike; each finer grid starts from the coarser (cascadic conjugate gradients).

    References
    ----------
    Briggs, I. C. (1974). Machine contouring using minimum curvature. Geophysics 39(1), 39-48.
    Bigun, J. and Granlund, G. H. (1987). Optimal orientation detection of linear symmetry.
    Proceedings of the first International Conference on Computer Vision, 433-438.
    Bornemann, F. A. and Deuflhard, P. (1996). The cascadic multigrid method for elliptic
    problems. Numerische Mathematik 75, 135-152.
    """
    middle = np.average(held.depth, weights=held.weight)
    held = Held(held.row, held.col, held.depth - middle, held.weight)
    levels = [(wet, held, soft, cell)]
    while levels[-1][3] < _COARSEST * spacing and min(levels[-1][0].shape) > 2:
        wet, held, soft, size = levels[-1]
        soft = None if soft is None else tuple(halve(part) for part in soft)
        levels.append((halve(wet), held.coarser(), soft, 2.0 * size))
    strike, z = None, np.zeros(levels[-1][0].shape, dtype=np.float32)
    with threads.pool() as pool:
        for level in range(len(levels) - 1, -1, -1):
            wet, held, soft, size = levels[level]
            if level < len(levels) - 1:
                z = _prolong(z, wet.shape)
                if along and size < _STRIKE_FROM * spacing:
                    if strike is None or size >= _STRIKE_TO * spacing:
                        strike = _strike(z, wet, 0.5 * spacing / size)
                    elif level == 0:
                        # The few steps left to the finest cells are too short to carry it.
                        strike = None
                    else:
                        strike = tuple(_twice(part, wet.shape) for part in strike)
            # A coarse plate reaches past the shore, so that cubics find values there.
            bed = binary_dilation(wet, iterations=2) if level else wet
            stiffness = 1.0 / (give * size) ** 2
            if level and soft is not None:
                held = _clear_of_cuts(held, soft)
            mean = per_cell(held, wet.shape, _MOST)
            mean = replace(mean, weight=np.minimum(mean.weight, _FIRM * stiffness))
            plate = _Plate(bed, mean, stiffness, soft, along, strike)
            share = 4.0**-level
            steps = _STEPS[-1 if level == len(levels) - 1 else min(level, len(_STEPS) - 1)]
            z = plate.solve(z, steps, pool, span(progress, 0.4 * share, share))
    progress(1.0)
    return z.astype(float) + middle


def _twice(values, shape):
    return np.repeat(np.repeat(values, 2, axis=0), 2, axis=1)[: shape[0], : shape[1]]
