"""A damaged store gives one plain sentence or the right result, never less than it held."""

import gzip
import random
import re
import shutil
import sqlite3
import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsProcessingException

sys.path.insert(0, str(Path(__file__).parent))
from test_store import CRS, all_of, visit
from test_store_copies import LAYOUT_1

from lakefloor.algorithms import _store
from lakefloor.algorithms._store import file as store_file
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import concatenate

MAY, JUNE = visit("may", "2024-05-14", n=600), visit("june", "2025-06-14", n=600, seed=1, dx=1.0)
JULY = visit("july", "2026-07-01", n=300, seed=2)
BOX = (400_005.0, 5_150_010.0, 400_012.0, 5_150_200.0)

#: What a user should not have to read.
WORDS = re.compile(
    r"sqlite|select |malformed|datatype|constraint|utf-8|codec|NoneType|Traceback|"
    r"no such|object|'\?'",
    re.IGNORECASE,
)


def same(a, b):
    if len(a) != len(b):
        return False
    for name in a.__dataclass_fields__:
        x, y = getattr(a, name), getattr(b, name)
        if not (
            np.array_equal(x, y, equal_nan=True)
            if x.dtype.kind == "f"
            else np.array_equal(x[~np.isnat(x)], y[~np.isnat(y)])
            if x.dtype.kind == "M"
            else (x == y).all()
        ):
            return False
    return True


def hurt(content, rng):
    """Flip a bit, change a byte or some, lose a page, or cut the file off."""
    data, kind = bytearray(content), rng.choice(["bit", "bit", "byte", "bytes", "page", "cut"])
    at = rng.randrange(len(data))
    if kind == "bit":
        data[at] ^= 1 << rng.randrange(8)
    elif kind == "byte":
        data[at] = rng.randrange(256)
    elif kind == "bytes":
        length = min(rng.randrange(1, 64), len(data) - at)
        data[at : at + length] = rng.randbytes(length)
    elif kind == "page":
        start = at // 4096 * 4096
        data[start : start + 4096] = bytes(4096)
    else:
        del data[at:]
    return bytes(data)


def told(way):
    """Return the sentence with which a thing is refused, None where it gives the right result."""
    try:
        right = way()
    except (LakefloorError, QgsProcessingException) as error:
        return str(error)
    return None if right else "wrong result, object"


class Lake:
    """A store, and what each thing done with it has to give."""

    def __init__(self, folder, run):
        self.folder, self.run = folder, run
        self.path = folder / "lake.gpkg"
        _store.add(self.path, concatenate([MAY, JUNE]), CRS)
        self.content = self.path.read_bytes()
        self.held, self.inside = all_of(self.path), all_of(self.path, box=BOX)
        self.friend = folder / "friend.gpkg"
        _store.add(self.friend, JULY, CRS)
        assert 0 < len(self.inside) < 600

    def put(self, content):
        for file in self.folder.iterdir():
            if file != self.friend:
                file.unlink()
        self.path.write_bytes(content)

    def contents(self):
        found = [(v.name, v.soundings) for v in _store.contents(self.path).visits]
        return found == [("may", 600), ("june", 600)]

    def read(self):
        return same(all_of(self.path), self.held)

    def read_box(self):
        return same(all_of(self.path, box=BOX), self.inside)

    def add(self):
        done = _store.add(self.path, JULY, CRS)
        return done.added == 300 and same(all_of(self.path), concatenate([self.held, JULY]))

    def add_again(self):
        done = _store.add(self.path, MAY, CRS)
        return (done.added, done.already_there) == (0, 600)

    def remove(self):
        done = _store.remove(self.path, ["june"])
        return done["removed"] == 600 and same(
            all_of(self.path), self.held.select(self.held.visit == "may")
        )

    def back_up(self):
        return same(all_of(_store.back_up(self.path, self.folder)), self.held)

    def merge(self):
        out = self.folder / "merged.gpkg"
        self.run(
            "mergedatabases",
            {
                "DATABASE": str(self.path),
                "OTHER_DATABASE": str(self.friend),
                "OFFSETS": "none",
                "OUTPUT": str(out),
            },
        )
        return same(all_of(out), concatenate([self.held, JULY]))


@pytest.mark.parametrize("seed", range(4))
def test_bytes_that_changed(run, tmp_path, seed):
    rng = random.Random(seed)
    lake = Lake(tmp_path, run)
    ways = [
        lake.contents,
        lake.read,
        lake.read_box,
        lake.add,
        lake.add_again,
        lake.remove,
        lake.back_up,
        lake.merge,
    ]
    for way in ways:
        lake.put(lake.content)
        assert way(), way.__name__
    refused = 0
    for _ in range(40):
        content = hurt(lake.content, rng)
        for way in rng.sample(ways, 4):
            lake.put(content)
            sentence = told(way)
            refused += sentence is not None
            assert not WORDS.search(sentence or ""), (way.__name__, sentence)
            assert len(sentence or "") < 500
            assert {f.name.split("-")[0] for f in tmp_path.iterdir()} <= {
                "lake.gpkg",
                "friend.gpkg",
                "merged.gpkg",
                "lake",
            }
    assert 40 < refused < 160


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE visits SET soundings = NULL WHERE fid = 1",
        "UPDATE visits SET visit = NULL WHERE fid = 1",
        "UPDATE visits SET fingerprint = NULL WHERE fid = 1",
        "UPDATE visits SET checksum = NULL WHERE fid = 1",
        "UPDATE visits SET without_time = NULL WHERE fid = 1",
        "UPDATE visits SET west = 'x' WHERE fid = 1",
        "UPDATE visits SET time_from = 'May' WHERE fid = 1",
        "UPDATE visits SET datum_elev_m = 'x' WHERE fid = 1",
        "DELETE FROM visits WHERE fid = 1",
        "DELETE FROM soundings WHERE fid = 3",
        "UPDATE soundings SET visit_id = NULL WHERE fid = 3",
        "UPDATE soundings SET visit_id = 9 WHERE fid = 3",
        "UPDATE soundings SET depth_m = 'deep' WHERE fid = 3",
        "UPDATE soundings SET time = 'noon' WHERE fid = 3",
        "UPDATE soundings SET time = 5 WHERE fid = 3",
        "UPDATE soundings SET geom = X'4750' WHERE fid = 3",
        "UPDATE soundings SET geom = 'x' WHERE fid = 3",
        "UPDATE soundings SET visit = X'ff' WHERE fid = 3",
        "UPDATE soundings SET visit = CAST(X'ff' AS TEXT) WHERE fid = 3",
        "UPDATE soundings SET lane = 'x' WHERE fid = 3",
        "UPDATE soundings SET status = 'no bottom' WHERE fid = 3",
        "DROP TABLE rtree_soundings_geom",
        "DROP TABLE history",
        "DROP TRIGGER rtree_soundings_geom_insert",
        "DELETE FROM gpkg_geometry_columns",
        "DELETE FROM gpkg_spatial_ref_sys",
        "UPDATE gpkg_spatial_ref_sys SET organization = 'x', definition = 'undefined'",
        "UPDATE gpkg_spatial_ref_sys SET organization_coordsys_id = -7, organization = 'EPSG'",
        "UPDATE gpkg_contents SET description = 'Lakefloor store, layout' WHERE table_name = 'visits'",
        "UPDATE gpkg_contents SET description = NULL WHERE table_name = 'history'",
    ],
)
def test_rows_that_are_not_what_they_should_be(tmp_path, run, statement):
    """Written past the other programs' way of dating what they edit, as damage would be."""
    lake = Lake(tmp_path, run)
    db = store_file.connect(lake.path)
    db.execute("PRAGMA foreign_keys = OFF")
    db.execute(statement)
    db.close()
    content, said = lake.path.read_bytes(), []
    for way in (lake.contents, lake.read, lake.read_box, lake.add, lake.remove, lake.back_up):
        lake.put(content)
        sentence = told(way)
        said.append(sentence)
        assert not WORDS.search(sentence or ""), (way.__name__, sentence)
        if sentence and way not in (lake.add, lake.remove):
            assert lake.path.read_bytes() == content
    assert any(said), "nothing was noticed"


def test_a_damaged_store_of_layout_1_is_not_upgraded(tmp_path):
    path, rng, refused = tmp_path / "lake.gpkg", random.Random(7), 0
    whole = gzip.decompress(LAYOUT_1.read_bytes())
    path.write_bytes(whole)
    held = all_of(path)
    for _ in range(40):
        content = hurt(whole, rng)
        for file in tmp_path.iterdir():
            file.unlink()
        path.write_bytes(content)

        def way():
            done = _store.remove(path, ["evening; June"])
            return done["removed"] == len(all_of(path)) == 240

        sentence = told(way)
        assert not WORDS.search(sentence or ""), sentence
        if sentence:
            refused += 1
            assert path.read_bytes() == content
            assert list(tmp_path.iterdir()) == [path]
    assert refused > 5
    assert len(held) == 480


def test_a_lost_file_of_the_disk(tmp_path):
    """A store whose folder is gone, or that is a folder, in a sentence too."""
    (tmp_path / "folder.gpkg").mkdir()
    for path in (tmp_path / "folder.gpkg", tmp_path / "no" / "lake.gpkg"):
        with pytest.raises(LakefloorError, match="There is no lake database"):
            _store.contents(path)
    broken = tmp_path / "link.gpkg"
    broken.symlink_to(tmp_path / "gone.gpkg")
    with pytest.raises(LakefloorError, match="There is no lake database"):
        _store.contents(broken)
    shutil.rmtree(tmp_path / "folder.gpkg")
    assert sqlite3.sqlite_version_info >= (3, 24)  # rtreecheck()


# -- what is checked where it is read ----------------------------------------------------------

APART = visit("apart", "2027-07-01", n=300, seed=4, dx=50_000.0)


def past(path, *statements):
    """Change a store past the other programs' way of dating what they edit, as damage would."""
    db = store_file.connect(path)
    db.execute("PRAGMA foreign_keys = OFF")
    for statement in statements:
        db.execute(statement)
    db.close()


def test_damage_in_a_visit_that_the_new_one_does_not_meet(tmp_path):
    """The new visit enters; the damage is told when that other visit is read or copied."""
    path = tmp_path / "lake.gpkg"
    whole = visit("may", "2024-05-14", n=700)
    _store.add(path, concatenate([whole.select(slice(0, 600)), JUNE]), CRS)
    past(path, "UPDATE soundings SET depth_m = depth_m + 1 WHERE fid = 7")
    assert _store.add(path, APART, CRS).added == 300
    assert same(all_of(path, visits=["june", "apart"]), concatenate([JUNE, APART]))
    for way in (
        lambda: all_of(path),
        lambda: all_of(path, visits=["may"]),
        lambda: all_of(path, box=BOX),
        lambda: _store.back_up(path, tmp_path),
    ):
        with pytest.raises(LakefloorError, match="is damaged"):
            way()
    # A log that goes on from it reads it.
    with pytest.raises(LakefloorError, match="is damaged"):
        _store.add(path, whole, CRS)


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM soundings WHERE fid = 3",
        "INSERT INTO soundings (visit_id) VALUES (1)",
        "UPDATE visits SET soundings = soundings - 1 WHERE fid = 1",
    ],
)
def test_rows_that_sql_alone_took_out_or_put_in_are_told_before_anything_enters(
    tmp_path, statement
):
    path = tmp_path / "lake.gpkg"
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    past(path, statement)
    before = path.read_bytes()
    for way in (
        lambda: _store.contents(path),
        lambda: _store.add(path, APART, CRS),
        lambda: _store.remove(path, ["june"]),
    ):
        with pytest.raises(LakefloorError, match="is damaged"):
            way()
    assert path.read_bytes() == before


def test_a_count_of_gdal_that_is_not_known_is_made(tmp_path):
    path = tmp_path / "lake.gpkg"
    for count in ("NULL", "7"):
        path.unlink(missing_ok=True)
        _store.add(path, concatenate([MAY, JUNE]), CRS)
        past(path, f"UPDATE gpkg_ogr_contents SET feature_count = {count}")
        assert [v.soundings for v in _store.contents(path).visits] == [600, 600]
        assert _store.add(path, APART, CRS).added == 300
        past(path, "DELETE FROM soundings WHERE fid = 3")
        with pytest.raises(LakefloorError, match="is damaged"):
            _store.add(path, JULY, CRS)


def test_a_row_that_left_its_visit_is_told_by_a_visit_that_meets_it(tmp_path):
    """All rows are there, but those that the bottom is compared with are too few."""
    path = tmp_path / "lake.gpkg"
    _store.add(path, concatenate([MAY, APART]), CRS)
    past(path, "UPDATE soundings SET visit_id = 2 WHERE fid = 3")
    before = path.read_bytes()
    with pytest.raises(LakefloorError, match="is damaged"):
        _store.add(path, JUNE, CRS)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "statement",
    [
        # The box of a node below the root moves away.
        "UPDATE rtree_soundings_geom_node SET data = CAST(substr(data, 1, 12) || "
        "x'7f000000' || substr(data, 17) AS BLOB) WHERE nodeno = 1",
        "UPDATE rtree_soundings_geom_rowid SET rowid = 99999 WHERE rowid = 3",
    ],
)
def test_a_spatial_index_that_loses_rows_is_told_where_it_is_used(tmp_path, statement):
    path = tmp_path / "lake.gpkg"
    wide = visit("wide", "2023-05-14", n=6000)
    _store.add(path, wide, CRS)
    small = JULY.select(slice(100, 140))
    content = path.read_bytes()
    assert _store.add(path, small, CRS).added == 40
    path.write_bytes(content)
    past(path, statement)
    before = path.read_bytes()
    assert same(all_of(path), wide)
    with pytest.raises(LakefloorError, match="is damaged"):
        all_of(path, box=BOX)
    with pytest.raises(LakefloorError, match="is damaged"):
        _store.add(path, small, CRS)
    assert path.read_bytes() == before


def test_rows_of_the_index_that_the_table_does_not_have_are_told(tmp_path):
    """As when the table lost rows of a place without a trace."""
    path = tmp_path / "lake.gpkg"
    _store.add(path, visit("wide", "2023-05-14", n=6000), CRS)
    past(
        path,
        "INSERT INTO rtree_soundings_geom SELECT 99999, minx, maxx, miny, maxy "
        "FROM rtree_soundings_geom WHERE id = 120",
    )
    with pytest.raises(LakefloorError, match="is damaged"):
        _store.add(path, JULY.select(slice(100, 140)), CRS)


SPOT = visit("spot", "2026-09-01", n=3000, seed=5, shift=0.6)


def _spot():
    """Return soundings over a small part of MANY, where the bottom is another."""
    return SPOT.select((SPOT.x < 400_020.0) & (SPOT.y < 5_150_060.0))


def test_soundings_under_another_visit_are_told_where_the_index_looks_them_up(tmp_path):
    """All of them together are as many as before, but not those of the visit that is met."""
    path = tmp_path / "lake.gpkg"
    _store.add(path, concatenate([visit("many", "2024-05-14"), JUNE]), CRS)
    past(path, "UPDATE soundings SET visit_id = 2 WHERE visit_id = 1 AND fid % 2")
    before = path.read_bytes()
    with pytest.raises(LakefloorError, match="is damaged"):
        _store.add(path, _spot(), CRS)
    assert path.read_bytes() == before


def test_what_is_damaged_is_not_summed_up_again_when_it_is_superseded(tmp_path):
    path = tmp_path / "lake.gpkg"
    _store.add(path, visit("many", "2024-05-14"), CRS)
    whole = path.read_bytes()
    assert _store.add(path, _spot(), CRS, newer_wins=True).superseded > 0
    entered = path.read_bytes()
    for content, way in (
        (whole, lambda: _store.add(path, _spot(), CRS, newer_wins=True)),
        (entered, lambda: _store.remove(path, ["spot"])),
    ):
        path.write_bytes(content)
        past(path, "UPDATE soundings SET hardness = 0.5 WHERE fid = 2500")
        before = path.read_bytes()
        with pytest.raises(LakefloorError, match="is damaged"):
            way()
        assert path.read_bytes() == before
