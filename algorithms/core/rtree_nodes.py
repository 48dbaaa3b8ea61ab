"""The nodes of an R-tree of SQLite, as far as a search in it goes wrong if they are damaged.

References
----------
SQLite, The R*Tree Module, section "Shadow tables", and the comments on the structure of nodes
in ext/rtree/rtree.c.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .spatial_index import CELL, ROOT

#: Nodes read at once.
_PAGE = 4096

_NODE = np.dtype(
    [("number", "i8"), ("depth", "i8"), ("count", "i8"), ("sum", "f8"), ("box", "f4", 4)]
)
_HEAD = 4


def finds_all(db: Any, name: str) -> bool:
    """Say whether a search in an R-tree of two dimensions finds all rows that are in it.

    Parameters
    ----------
    db : sqlite3.Connection
    name : str
        Of the R-tree, trusted.

    Notes
    -----
    A search descends where the box of a node meets that of the search. So all rows are found if
    each box holds those of the nodes below it, each node is reached once, and as many rows are
    reached as the tree's list of rows has, with the same sum of row numbers. SQLite's
    ``rtreecheck()`` looks up each row in that list, which takes several times as long.
    """
    try:
        nodes = _nodes(db, name)
        leaves = _descend(db, name, nodes)
    except ValueError:
        return False
    at = np.searchsorted(nodes["number"], leaves)
    rows, total = db.execute(f"SELECT count(*), total(rowid) FROM {name}_rowid").fetchone()
    return int(nodes["count"][at].sum()) == rows and float(nodes["sum"][at].sum()) == total


def _nodes(db, name):
    """Return the number, depth, box, count and sum of rows of all nodes; ValueError if damaged."""
    found = [np.empty(0, _NODE)]
    cursor = db.execute(f"SELECT nodeno, data FROM {name}_node ORDER BY nodeno")
    while page := cursor.fetchmany(_PAGE):
        numbers, blobs = zip(*page)
        depth, cells, used = _cells(blobs)
        box = cells["box"].astype(np.float32)
        if (used & ~((box[..., 0] <= box[..., 1]) & (box[..., 2] <= box[..., 3]))).any():
            raise ValueError("a box of no place")
        nodes = np.empty(len(numbers), _NODE)
        nodes["number"], nodes["depth"], nodes["count"] = numbers, depth, used.sum(axis=1)
        nodes["sum"] = np.where(used, cells["row"], 0).sum(axis=1, dtype=float)
        for k in range(4):
            none, reduce = (np.inf, np.min) if k % 2 == 0 else (-np.inf, np.max)
            nodes["box"][:, k] = reduce(np.where(used, box[..., k], np.float32(none)), axis=1)
        found.append(nodes)
    return np.concatenate(found)


def _descend(db, name, nodes):
    """Return the numbers of the leaves; ValueError if a box or the way to a node is damaged."""
    numbers = nodes["number"]
    if not numbers.size or numbers[0] != ROOT:
        raise ValueError("no root")
    query = f"SELECT data FROM {name}_node WHERE nodeno = ?"
    level, reached = numbers[:1], 1
    for _ in range(nodes["depth"][0]):
        _, cells, used = _cells([db.execute(query, (n,)).fetchone()[0] for n in level.tolist()])
        below, boxes = cells["row"][used].astype(np.int64), cells["box"][used]
        at = np.searchsorted(numbers, below).clip(max=numbers.size - 1)
        reached += below.size
        if (numbers[at] != below).any() or np.unique(below).size < below.size:
            raise ValueError("a node that is not there")
        inner = nodes["box"][at]
        if not ((boxes[:, ::2] <= inner[:, ::2]) & (boxes[:, 1::2] >= inner[:, 1::2])).all():
            raise ValueError("a box that is too small")
        if reached > numbers.size:
            raise ValueError("a node of two others")
        level = below
    if reached < numbers.size:
        raise ValueError("a node that is not reached")
    return level


def _cells(blobs):
    """Return the depths that nodes state, their cells, shape (n, most), and which are in use."""
    size = len(blobs[0]) if blobs and isinstance(blobs[0], bytes) else 0
    most = (size - _HEAD) // CELL.itemsize
    if most < 1 or not all(isinstance(b, bytes) and len(b) == size for b in blobs):
        raise ValueError("nodes that are none")
    data = np.frombuffer(b"".join(blobs), np.uint8).reshape(len(blobs), size)
    heads = np.ascontiguousarray(data[:, :_HEAD]).view(">u2")
    if heads[:, 1].max() > most:
        raise ValueError("more cells than a node has")
    cells = np.ascontiguousarray(data[:, _HEAD : _HEAD + most * CELL.itemsize]).view(CELL)
    return heads[:, 0], cells, np.arange(most) < heads[:, 1:]
