"""Surfaces of any size, drawn tile by tile, and brought up to date where soundings are new.

What a method needs to know of the whole survey is learned once, for a large lake from windows
of it. A tile is then a function of that and of the soundings within it and a halo around it,
so that neither the order of the tiles nor the number of threads changes a number, and a tile
whose input has not changed need not be drawn again.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import wait
from contextlib import closing
from dataclasses import dataclass, replace

import numpy as np

from .. import threads
from ..errors import Cancelled
from ..grid import Grid
from ..progress import Progress, silent, span
from ..soundings import Soundings
from . import beam as beams
from .frame import HALO_IN_GAPS, Frame
from .gridding_methods import METHODS
from .learning import within_limits
from .smooth_surface import Learned
from .surface_figures import Figures, figures_of
from .surface_record import Record, digest_of, settings_of
from .tile_digests import TileDigests

#: A grid of up to this many cells is one tile.
ONE_TILE = 2_000_000
# Tiles and halos are multiples of 64 cells, as the coarser grids of the smooth surface want it.
_STEP, _SIDE, _WIDE_SIDE, _WIDEST_HALO = 64, 1024, 2048, 256
_MOST_WORKERS = 4
_LOOK = 0.1


@dataclass(frozen=True)
class Tile:
    """A part of a raster.

    Attributes
    ----------
    key : str
        Names the tile whatever the raster it is in.
    rows, cols : slice
        Cells of the raster that it fills.
    drawn_rows, drawn_cols : slice
        With the halo; they may lie beyond the raster.
    halo : int
        Cells on each side.
    """

    key: str
    rows: slice
    cols: slice
    drawn_rows: slice
    drawn_cols: slice
    halo: int = 0

    @property
    def shape(self) -> tuple:
        """Rows and columns that it fills."""
        return self.rows.stop - self.rows.start, self.cols.stop - self.cols.start


def tiles_of(f: Frame, method: str, halo_spacings: float = 0.0) -> list:
    """Return the tiles of the raster of a frame, from north-west to south-east.

    Their edges are multiples of the tile's side from the origin of the CRS, so that a lake
    that grows keeps its tiles. A raster of up to :data:`ONE_TILE` cells is one tile. The halo is
    that of the method and so many lane spacings more.
    """
    rows, cols = f.grid.shape
    if rows * cols <= ONE_TILE:
        every = slice(0, rows), slice(0, cols)
        return [Tile("whole", *every, *every)]
    reach = max(HALO_IN_GAPS * f.max_gap, METHODS[method].spacings * f.spacing)
    reach += halo_spacings * f.spacing
    halo = _STEP * int(np.ceil(reach / f.grid.dx / _STEP))
    side = _SIDE if halo <= _WIDEST_HALO else _WIDE_SIDE
    top, left = -round(f.grid.north / f.grid.dy), round(f.grid.west / f.grid.dx)
    found = []
    for down in range(top // side, -(-(top + rows) // side)):
        for right in range(left // side, -(-(left + cols) // side)):
            row, col = down * side - top, right * side - left
            found.append(
                Tile(
                    f"{side} {down} {right}",
                    slice(max(row, 0), min(row + side, rows)),
                    slice(max(col, 0), min(col + side, cols)),
                    slice(row - halo, row + side + halo),
                    slice(col - halo, col + side + halo),
                    halo,
                )
            )
    return found


def _bare(soundings: Soundings) -> Soundings:
    """Return soundings without what no tile is drawn from, so that it need not be copied."""
    used = ("x", "y", "depth", "uncert", "corrections")
    return Soundings(
        **{
            name: value if name in used else np.broadcast_to(value[:1], value.shape)
            for name, value in vars(soundings).items()
        }
    )


class _Parts:
    """The parts of a frame that tiles are drawn from.

    Nodes and soundings are sorted into squares, so that none but those near a tile are looked
    through.
    """

    def __init__(self, f: Frame):
        self._frame = replace(f, soundings=_bare(f.soundings))
        self._sorted = {}
        for name in ("nodes", "soundings"):
            row, col = (
                np.floor((at + 0.5) / _SIDE).astype(np.int32)
                for at in f.grid.rows_cols(getattr(f, name).x, getattr(f, name).y)
            )
            corner, shape = (0, 0), (0, 0)
            if len(row):
                corner, shape = (row.min(), col.min()), (np.ptp(row) + 1, np.ptp(col) + 1)
            square = (row - corner[0]) * shape[1] + (col - corner[1])
            order = np.argsort(square, kind="stable")
            starts = np.searchsorted(square[order], np.arange(np.prod(shape) + 1))
            self._sorted[name] = order, starts, corner, shape

    def of(self, tile: Tile) -> tuple:
        """Return what a tile is drawn from, and the row and column where that starts.

        It is cut down to what its soundings reach. They alone decide, not the raster, so that
        a lake that grows draws its tiles alike.
        """
        part = self._window(tile.drawn_rows, tile.drawn_cols)
        spans = [slice(0, size) for size in part.grid.shape]
        if len(part.soundings):
            reach = HALO_IN_GAPS * part.max_gap / part.grid.dx
            for axis, at in enumerate(part.grid.rows_cols(part.soundings.x, part.soundings.y)):
                start = _STEP * int(np.floor((at.min() - reach) / _STEP))
                stop = _STEP * int(np.ceil((at.max() + reach + 1.0) / _STEP))
                spans[axis] = slice(max(start, 0), min(stop, spans[axis].stop))
        wanted = tuple(
            slice(max(tile.halo - span.start, 0), max(size - tile.halo - span.start, 0))
            for span, size in zip(spans, part.grid.shape)
        )
        top, left = tile.drawn_rows.start + spans[0].start, tile.drawn_cols.start + spans[1].start
        return replace(part.window(*spans), wanted=wanted), top, left

    def _window(self, rows: slice, cols: slice) -> Frame:
        """Return what :meth:`Frame.window` does."""
        # A block of soundings that makes a node may begin outside.
        margin = int(np.ceil(self._frame.block / self._frame.grid.dx)) + 1
        wide = [slice(span.start - margin, span.stop + margin) for span in (rows, cols)]
        near = {
            name: getattr(self._frame, name).select(self.near(name, *wide)) for name in self._sorted
        }
        return replace(self._frame, **near).complete().window(rows, cols)

    def near(self, name: str, rows: slice, cols: slice) -> np.ndarray:
        """Return the row numbers of nodes or soundings in the squares that a part meets."""
        order, starts, corner, shape = self._sorted[name]
        (top, bottom), (left, right) = (
            np.clip((cells.start // _SIDE - at, -(-cells.stop // _SIDE) - at), 0, size)
            for cells, at, size in zip((rows, cols), corner, shape)
        )
        chosen = [
            order[starts[row * shape[1] + left] : starts[row * shape[1] + right]]
            for row in range(top, bottom)
        ]
        # As logged again, which the nodes of breaklines and sums of depths depend on.
        return np.sort(np.concatenate([np.empty(0, dtype=order.dtype), *chosen]))


def draw(
    f: Frame,
    record: Record,
    write: Callable,
    *,
    old_grid: Grid | None = None,
    read: Callable | None = None,
    rewrite: bool = True,
    workers: int | None = None,
    progress: Progress = silent,
) -> tuple:
    """Draw a surface tile by tile.

    Parameters
    ----------
    f : Frame
        Of the whole survey.
    record : Record
        What was learned; with the tiles of an older surface, those that have not changed
        are taken from it.
    write : callable
        ``write(rows, cols, bands)`` is called in this thread for one tile after the other;
        ``bands`` are depth, standard uncertainty and distance, m, single precision.
    old_grid : Grid, optional
        Geometry of the older surface.
    read : callable, optional
        ``read(rows, cols) -> bands`` returns cells of the older surface, as rows and
        columns of its own grid.
    rewrite : bool
        Whether tiles taken from the older surface are written too; not so if what is written
        to began as a copy of it.
    workers : int, optional
        Tiles drawn at the same time; a thread for each processor, at most four, if None.
    progress : callable

    Returns
    -------
    record : Record
        With the tiles of this surface.
    figures : Figures
    drawn : int
        Number of tiles drawn; the others were taken from the older surface.
    """
    learned = within_limits(f, record.learned)
    before, record = record, replace(record, learned=learned, tiles={})
    settings = settings_of(f, record)
    every = tiles_of(f, record.method, beams.BEAM_HALO if record.beam else 0.0)
    parts = _Parts(f) if len(every) > 1 else None
    digests = TileDigests(f, parts.near, settings) if parts else None
    f = f if parts else f.complete()
    method = METHODS[record.method]
    options = {k: v for k, v in record.options.items() if k in method.draw_options}
    figures, drawn = Figures(), 0

    def work(tile: Tile, report: Progress):
        where = tile.drawn_rows, tile.drawn_cols
        digest = digests.of(*where) if digests else digest_of(f, settings)
        known = before.tiles.get(tile.key)
        if known and known[0] == digest and _still_holds(known, before.learned, learned):
            window = _window_of(old_grid, f, tile)
            if window:
                report(1.0)
                return tile, known, window, None
        part, top, left = parts.of(tile) if parts else (f, 0, 0)
        bands, low, high = [np.full(tile.shape, np.nan, dtype=np.float32)] * 3, None, None
        if len(part.soundings):
            drawn_bands = _drawn(part, record, method, options, report)
            bands = [_placed(band, top, left, tile) for band in drawn_bands]
            if np.isfinite(bands[0]).any():
                low, high = float(np.nanmin(bands[0])), float(np.nanmax(bands[0]))
            bands = [band.astype(np.float32) for band in bands]
        outside = int(np.isnan(bands[0][_places(f.grid, part.soundings, tile)]).sum())
        return tile, (digest, low, high, figures_of(bands[0], bands[1], outside)), None, bands

    with closing(_in_order(every, work, workers, progress)) as results:
        for tile, entry, window, bands in results:
            if window and rewrite and read is not None:
                rows, cols, top, left = window
                bands = [_placed(band, top, left, tile) for band in read(rows, cols)]
            drawn += not window
            if bands:
                write(tile.rows, tile.cols, bands)
            record.tiles[tile.key] = entry
            figures.add(entry[-1])
    return record, figures, drawn


def _drawn(part: Frame, record: Record, method, options: dict, report: Progress) -> tuple:
    """Return depth, uncertainty and distance of a part, the beam undone where it is known."""
    learned = record.learned
    if record.beam:
        part = beams.undo_beam(part, record.beam, span(report, 0.0, 0.4))
        if isinstance(learned, Learned):
            high = max(learned.high, float(part.soundings.depth.max()))
            learned = replace(learned, high=high)
        report = span(report, 0.4, 1.0)
    part = beams.within_hearing(part)
    surface = method.draw(part, learned, progress=report, **options)
    uncertainty = np.hypot(surface.uncertainty.values, beams.beam_error(part, surface.depth))
    return surface.depth.values, uncertainty, surface.distance.values


def _places(grid: Grid, soundings: Soundings, tile: Tile) -> tuple:
    """Return the rows and columns of a tile, counted from its corner, that hold soundings."""
    row, col = (
        np.floor(at + 0.5).astype(np.int64) - part.start
        for at, part in zip(grid.rows_cols(soundings.x, soundings.y), (tile.rows, tile.cols))
    )
    rows, cols = tile.shape
    mine = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    return row[mine], col[mine]


def _placed(values, top: int, left: int, tile: Tile) -> np.ndarray:
    """Return the cells of a tile, from an array that starts at a row and a column."""
    band = np.full(tile.shape, np.nan, dtype=values.dtype)
    down, right = top - tile.rows.start, left - tile.cols.start
    own = values[max(-down, 0) :, max(-right, 0) :]
    into = band[max(down, 0) :, max(right, 0) :]
    rows, cols = np.minimum(own.shape, into.shape)
    into[:rows, :cols] = own[:rows, :cols]
    return band


def _still_holds(known, before, now) -> bool:
    """Tell whether limits of depth that have changed leave a tile as it is."""
    if not isinstance(now, Learned) or known[1] is None:
        return True
    if (before.low, before.high) == (now.low, now.high):
        return True
    _, low, high, _ = known
    return before.low < low and high < before.high and now.low <= low and high <= now.high


def _window_of(old: Grid | None, f: Frame, tile: Tile):
    """Return the cells of an older raster that lie in a tile, or None if too few do.

    Its rows and columns are followed by where they start in the new raster. Beyond the older
    raster there was nothing to draw if a shoreline, the same around this tile, ended it.
    """
    if old is None:
        return None
    spans, starts = [], []
    ahead = round((old.north - f.grid.north) / old.dy), round((f.grid.west - old.west) / old.dx)
    for wanted, shift, size in zip((tile.rows, tile.cols), ahead, old.shape):
        first, last = max(wanted.start + shift, 0), min(wanted.stop + shift, size)
        whole = last - first == wanted.stop - wanted.start
        if first >= last or not (whole or f.shoreline is not None):
            return None
        spans.append(slice(first, last))
        starts.append(first - shift)
    return *spans, *starts


def _in_order(every, work, workers, progress):
    """Yield the results of ``work`` in order, made in threads, few of them ahead."""
    if len(every) == 1:
        yield work(every[0], progress)
        return
    workers = workers or min(threads.processors(), _MOST_WORKERS)
    stop, done = threading.Event(), np.zeros(len(every))

    def report(number):
        def tell(fraction):
            if stop.is_set():
                raise Cancelled
            done[number] = fraction

        return tell

    waiting = deque()

    def first():
        while not wait([waiting[0]], timeout=_LOOK).done:
            progress(float(done.mean()))
        progress(float(done.mean()))
        return waiting.popleft().result()

    with threads.workers(workers) as pool:
        try:
            for number, tile in enumerate(every):
                waiting.append(pool.submit(work, tile, report(number)))
                if len(waiting) > workers:
                    yield first()
            while waiting:
                yield first()
        finally:
            stop.set()
            for future in waiting:
                future.cancel()
