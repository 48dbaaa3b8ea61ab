"""The spatial index of a GeoPackage, packed in one go.

SQLite keeps an R*Tree in tables of nodes, which may be written as they are: filling it row by row
takes longer than writing the rows themselves.

References
----------
Leutenegger, S. T., Lopez, M. A., Edgington, J. (1997). STR: a simple and efficient algorithm for
R-tree packing. Proceedings of the 13th International Conference on Data Engineering, 497-506.
SQLite, The SQLite R*Tree Module, 6 (implementation details: the shadow tables).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

#: The number of the root, which SQLite wants to be the first node.
ROOT = 1

#: Bytes of a node before its cells: levels below it (of the root only), number of cells.
_HEAD = np.dtype([("levels", ">u2"), ("count", ">u2")])
#: A cell: a row, or a node below, and its box.
CELL = np.dtype([("row", ">i8"), ("box", ">f4", (4,))])


class IndexNodes(NamedTuple):
    """The nodes of an index.

    Attributes
    ----------
    blobs : list of bytes
        Node :data:`ROOT` and those after it.
    parents : int array, shape (k,)
        The node above each node, 0 for the root.
    leaves : int array, shape (n,)
        The node that holds each row.
    """

    blobs: list
    parents: np.ndarray
    leaves: np.ndarray


def round_outward(bounds: np.ndarray) -> np.ndarray:
    """Return boxes as an index holds them: in single precision, no smaller than they are.

    Parameters
    ----------
    bounds : array, shape (n, 4)
        West, south, east, north.

    Returns
    -------
    float32 array, shape (n, 4)
        West, east, south, north, in SQLite's order.

    Examples
    --------
    >>> import numpy as np
    >>> west, east, *_ = round_outward(np.array([[500000.01, 0.0, 500000.01, 0.0]]))[0].tolist()
    >>> west, east
    (500000.0, 500000.03125)
    """
    exact = np.asarray(bounds, dtype=float).reshape(-1, 4)[:, [0, 2, 1, 3]]
    with np.errstate(over="ignore"):
        boxes = exact.astype(np.float32)
        for side, outward, beyond in ((0, -np.inf, np.greater), (1, np.inf, np.less)):
            of_side = boxes[:, side::2]
            inside = beyond(of_side, exact[:, side::2])
            of_side[inside] = np.nextafter(of_side[inside], np.float32(outward))
    return boxes


def pack_nodes(ids: np.ndarray, boxes: np.ndarray, node_bytes: int) -> IndexNodes:
    """Return the nodes of an index over boxes, each as full as it can be.

    Parameters
    ----------
    ids : int array, shape (n,)
        Row numbers.
    boxes : float32 array, shape (n, 4)
        Of :func:`round_outward`.
    node_bytes : int
        Size of a node, which SQLite chooses by the file's pages.

    Raises
    ------
    ValueError
        If a node of that size has no room for two cells.
    """
    room = (node_bytes - _HEAD.itemsize) // CELL.itemsize
    if room < 2:
        raise ValueError(f"a node of {node_bytes} bytes")
    # From the leaves up: the cells of each level in their order, and where each node begins.
    levels = []
    while True:
        order = _tiles(boxes, room) if len(ids) > room else np.arange(len(ids))
        starts = np.arange(0, max(len(ids), 1), room)
        levels.append((ids[order], boxes[order], starts, order))
        if starts.size == 1:
            break
        ids, boxes = np.arange(starts.size), _around(boxes[order], starts)
    counts = [starts.size for _, _, starts, _ in levels]
    first = ROOT + np.append(np.cumsum(counts[::-1])[::-1][1:], 0)  # number of a level's first node
    blobs, parents = [], np.zeros(sum(counts), np.int64)
    for level in range(len(levels) - 1, -1, -1):
        cells, bounds, starts, _ = levels[level]
        if level:
            cells = cells + first[level - 1]
            parents[cells - ROOT] = first[level] + np.arange(cells.size) // room
        depth = level if level == len(levels) - 1 else 0
        blobs += _blobs(cells, bounds, starts, room, node_bytes, depth)
    leaves = np.empty(len(levels[0][3]), np.int64)
    leaves[levels[0][3]] = first[0] + np.arange(leaves.size) // room
    return IndexNodes(blobs, parents, leaves)


def _tiles(boxes, room):
    """Return an order in which each ``room`` boxes lie together: tiles of vertical slices."""
    # Boxes may reach as far as numbers do; where such ones lie in the order is of no account.
    with np.errstate(over="ignore", invalid="ignore"):
        x, y = boxes[:, 0] + boxes[:, 1], boxes[:, 2] + boxes[:, 3]
    slices = int(np.ceil(np.sqrt(-(-len(boxes) // room))))
    across = np.argsort(x, kind="stable")
    slice_of = np.arange(len(boxes)) // (slices * room)
    return across[np.lexsort((y[across], slice_of))]


def _around(boxes, starts):
    """Return the box around the boxes of each node."""
    low = np.minimum.reduceat(boxes[:, ::2], starts)
    high = np.maximum.reduceat(boxes[:, 1::2], starts)
    return np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1)


def _blobs(cells, boxes, starts, room, node_bytes, depth):
    kind = np.dtype(
        {
            "names": ["head", "cells"],
            "formats": [_HEAD, (CELL, (room,))],
            "offsets": [0, _HEAD.itemsize],
            "itemsize": node_bytes,
        }
    )
    nodes = np.zeros(starts.size, kind)
    nodes["head"]["levels"] = depth
    nodes["head"]["count"] = np.diff(np.append(starts, cells.size))
    node, place = np.divmod(np.arange(cells.size), room)
    nodes["cells"]["row"][node, place] = cells
    nodes["cells"]["box"][node, place] = boxes
    raw = nodes.tobytes()
    return [raw[at : at + node_bytes] for at in range(0, len(raw), node_bytes)]
