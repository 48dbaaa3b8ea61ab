"""Closed contour rings of a grid by marching squares, one level at a time."""

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

# A crossing keeps this share of a grid edge away from both ends, so that a ring
# through a value equal to its level neither touches itself nor collapses.
_EDGE = 1e-5

# Corners of a square clockwise from the north-west: bits 1, 2, 4, 8. Edges
# clockwise from the north: 0 to 3; edge i follows corner i. For each set of
# corners at or beyond the level: the edges where its line starts and ends with
# that set on the left. The two saddles have a second line.
_START = np.array([-1, 3, 0, 3, 1, 3, 0, 3, 2, 2, 0, 2, 1, 1, 0, -1])
_STOP = np.array([-1, 0, 1, 1, 2, 0, 2, 2, 3, 0, 1, 1, 3, 0, 3, -1])
_SADDLES = {
    # corners: (lines around the corners beyond, lines around the corners short of it)
    5: (((3, 0), (1, 2)), ((3, 2), (1, 0))),
    10: (((0, 1), (2, 3)), ((0, 3), (2, 1))),
}


def link(start: np.ndarray, stop: np.ndarray) -> tuple:
    """Put directed segments into the order of the closed rings they form.

    Parameters
    ----------
    start, stop : array of int, shape (n,)
        Node ids; each node starts one segment and ends one.

    Returns
    -------
    order : array of int, shape (n,)
        Segments, ring after ring.
    first : array of int, shape (rings + 1,)
        Where each ring begins in ``order``; the last entry is n.
    """
    by_start = np.argsort(start, kind="stable")
    following = by_start[np.searchsorted(start[by_start], stop)].tolist()
    seen = bytearray(len(start))
    order, first = [], [0]
    for segment in range(len(start)):
        if seen[segment]:
            continue
        while not seen[segment]:
            seen[segment] = 1
            order.append(segment)
            segment = following[segment]
        first.append(len(order))
    return np.array(order, dtype=int), np.array(first)


def square_ranges(values: np.ndarray) -> tuple:
    """Return the least and the greatest corner of each square, flat, for :func:`trace`."""
    pairs = np.minimum(values[:-1], values[1:]), np.maximum(values[:-1], values[1:])
    least = np.minimum(pairs[0][:, :-1], pairs[0][:, 1:])
    greatest = np.maximum(pairs[1][:, :-1], pairs[1][:, 1:])
    return least.ravel(), greatest.ravel()


def _flat_tops(flat, cols, nodes, level, outside) -> np.ndarray:
    """Mark nodes on plateaus at exactly the level whose whole surrounding lies beyond it.

    Parameters
    ----------
    flat : array
        All values.
    cols : int
        Nodes in a row.
    nodes : array of int, shape (4, n)
        Corners of the squares that the level passes.

    Returns
    -------
    array of bool, shape (4, n)
    """
    plateau = np.unique(nodes[flat[nodes] == level])
    if len(plateau) == 0:
        return np.zeros(nodes.shape, dtype=bool)
    around = plateau[:, None] + np.add.outer((-cols, 0, cols), (-1, 0, 1)).ravel()
    value = flat[around]
    at = np.searchsorted(plateau, around).clip(0, len(plateau) - 1)
    one, _ = np.nonzero(plateau[at] == around)
    two = at[plateau[at] == around]
    links = coo_matrix((np.ones(len(one), dtype=bool), (one, two)), shape=(len(plateau),) * 2)
    count, label = connected_components(links, directed=False)
    shallower, deeper = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    shallower[label[((value < level) & (value > outside)).any(axis=1)]] = True
    deeper[label[(value > level).any(axis=1)]] = True
    tops = plateau[(deeper & ~shallower)[label]]
    return np.isin(nodes, tops)


def trace(
    values: np.ndarray, level: float, ranges: tuple, outside: float, flat_tops: bool = True
) -> tuple:
    """Trace the rings that part values at or beyond a level from those short of it.

    Parameters
    ----------
    values : array, shape (rows, cols)
        Row 0 is the northern row. Finite; ``outside`` all along the border, so that
        every ring closes.
    level : float
        Above ``outside``.
    ranges : tuple
        From :func:`square_ranges`; shared by all levels.
    outside : float
        Value, below all others, of what is not part of the surface.
    flat_tops : bool
        Whether a plateau at exactly the level gets a ring also where all that
        surrounds it lies beyond the level.

    Returns
    -------
    rows, cols : array, shape (n,)
        Fractional positions of the vertices; the values beyond the level lie on
        the left of a ring as seen on a map.
    squares : array of int, shape (n,)
        Flat index, in the array of (rows - 1) x (cols - 1) squares, of the
        square that the segment from each vertex to the next one crosses.
    first : array of int, shape (rings + 1,)
        Where each ring begins; the last entry is n.

    Notes
    -----
    A value equal to the level counts as beyond it, except on a flat top. So a
    plateau at exactly the level is ringed, never lost, whichever way the bottom
    turns around it. A saddle is resolved by the mean of its four corners; as
    that mean does not depend on the level, lines of two levels never cross.

    References
    ----------
    Lorensen, W. E. and Cline, H. E. (1987). Marching cubes: a high resolution 3D
    surface construction algorithm. Computer Graphics 21(4), 163-169.
    Wyvill, G., McPheeters, C. and Wyvill, B. (1986). Data structure for soft
    objects. The Visual Computer 2(4), 227-234 (the mean at the center of an
    ambiguous square).
    """
    cols = values.shape[1]
    least, greatest = ranges
    squares = np.flatnonzero((least <= level) & (greatest >= level))
    row, col = np.divmod(squares, cols - 1)
    node = row * cols + col
    flat = values.ravel()
    corners = node, node + 1, node + cols + 1, node + cols
    beyond = [flat[corner] >= level for corner in corners]
    if flat_tops:
        tops = _flat_tops(flat, cols, np.stack(corners), level, outside)
        beyond = [side & ~top for side, top in zip(beyond, tops)]
    case = beyond[0] + 2 * beyond[1] + 4 * beyond[2] + 8 * beyond[3]

    start, stop = _START[case], _STOP[case]
    picks, starts, stops = [np.flatnonzero(start >= 0)], [], []
    saddle = np.flatnonzero((case == 5) | (case == 10))
    joined = sum(flat[corner[saddle]] for corner in corners) >= 4.0 * level
    for code, ways in _SADDLES.items():
        for way, (one, two) in enumerate(ways):
            here = saddle[(case[saddle] == code) & (joined == bool(way))]
            start[here], stop[here] = one
            picks.append(here)
            starts.append(np.full(len(here), two[0]))
            stops.append(np.full(len(here), two[1]))
    pick = np.concatenate(picks)
    start = np.concatenate([start[picks[0]], *starts])
    stop = np.concatenate([stop[picks[0]], *stops])

    # Grid edges are numbered by their northern or western node: even towards
    # the east, odd towards the south.
    offset = np.array([0, 3, 2 * cols, 1])
    begin, end = 2 * node[pick] + offset[start], 2 * node[pick] + offset[stop]
    order, first = link(begin, end)
    begin, squares = begin[order], squares[pick][order]

    one = begin // 2
    south = begin % 2
    a, b = flat[one], flat[one + np.where(south, cols, 1)]
    t = np.clip((level - a) / (b - a), _EDGE, 1.0 - _EDGE)
    row, col = np.divmod(one, cols)
    return row + t * south, col + t * (1 - south), squares, first
