"""Damaged R-trees, told as SQLite's own rtreecheck() tells them."""

import random
import sqlite3
from contextlib import closing

import numpy as np
import pytest

from lakefloor.algorithms.core.rtree_nodes import finds_all

#: No row has the number of a node: among such rows rtreecheck() goes astray where the depth
#: of the tree is damaged.
FIRST = 100_000


def tree(n, seed=0, gone=0):
    """Return a database with an R-tree of n points, of which some were deleted again."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    db.execute("CREATE VIRTUAL TABLE tree USING rtree(id, minx, maxx, miny, maxy)")
    x, y = np.random.default_rng(seed).uniform(400_000.0, 401_000.0, (2, n)).tolist()
    db.executemany(
        "INSERT INTO tree VALUES (?, ?, ?, ?, ?)", zip(range(FIRST, FIRST + n), x, x, y, y)
    )
    db.execute("DELETE FROM tree WHERE id < ?", (FIRST + gone,))
    return db


def checked(db):
    return db.execute("SELECT rtreecheck('tree')").fetchone() == ("ok",)


@pytest.mark.parametrize(
    ("n", "gone"), [(0, 0), (1, 0), (51, 0), (52, 0), (3000, 0), (3000, 2900), (3000, 3000)]
)
def test_a_whole_tree(n, gone):
    with closing(tree(n, gone=gone)) as db:
        assert checked(db)
        assert finds_all(db, "tree")


@pytest.mark.parametrize("seed", range(3))
def test_a_byte_of_a_node_that_changed(seed):
    """As rtreecheck() says; 3000 points make three levels of nodes."""
    rng, told = random.Random(seed), 0
    with closing(tree(3000, seed)) as db:
        nodes = db.execute("SELECT nodeno, data FROM tree_node").fetchall()
        for _ in range(300):
            number, data = rng.choice([nodes[0], rng.choice(nodes)])
            hurt = bytearray(data)
            hurt[rng.choice([rng.randrange(4), rng.randrange(len(data))])] ^= 1 << rng.randrange(8)
            db.execute("UPDATE tree_node SET data = ? WHERE nodeno = ?", (bytes(hurt), number))
            whole = checked(db)
            told += not whole
            assert finds_all(db, "tree") == whole, (number, hurt[:4])
            db.execute("UPDATE tree_node SET data = ? WHERE nodeno = ?", (data, number))
        assert finds_all(db, "tree")
    assert told > 50


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM tree_node WHERE nodeno = 1",
        "DELETE FROM tree_node WHERE nodeno = (SELECT max(nodeno) FROM tree_node)",
        "DELETE FROM tree_node",
        "DELETE FROM tree_rowid WHERE rowid = 100007",
        "UPDATE tree_rowid SET rowid = 109000 WHERE rowid = 100007",
        "INSERT INTO tree_node SELECT 9000, data FROM tree_node WHERE nodeno = 3",
        "UPDATE tree_node SET data = x'00' WHERE nodeno = 2",
        "UPDATE tree_node SET data = NULL WHERE nodeno = 2",
        "UPDATE tree_node SET data = 'text' WHERE nodeno = 1",
        "UPDATE tree_node SET data = (SELECT data FROM tree_node WHERE nodeno = 3) "
        "WHERE nodeno = 2",
    ],
)
def test_nodes_and_rows_that_are_lost(statement):
    with closing(tree(3000)) as db:
        db.execute(statement)
        assert not finds_all(db, "tree")
