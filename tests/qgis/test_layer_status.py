"""The status of soundings in a layer follows the lake database; QGIS reads what was written."""

import sqlite3

import numpy as np
import pytest
from osgeo import ogr
from qgis.core import QgsMarkerSymbol, QgsSingleSymbolRenderer, QgsVectorLayer

from lakefloor.algorithms import _store
from lakefloor.algorithms._store.layer_status import renew_statuses
from lakefloor.algorithms._styling import apply_style
from lakefloor.algorithms._styling.soundings import show_reasons
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.geopackage import allow_updates
from lakefloor.algorithms.core.soundings import Soundings

N = 400


def visit(name, day, timed=True):
    rng = np.random.default_rng(day)
    time = np.datetime64("2026-06-01T12:00:00.123") + np.timedelta64(day, "D")
    depth = 3.0 + rng.uniform(0.0, 1.0, N).round(2)
    return Soundings.build(
        4e5 + np.arange(N) * 1.0,
        np.full(N, 5.15e6 + day),
        depth,
        raw_depth=depth,
        time=time + np.arange(N) * np.timedelta64(250, "ms") if timed else np.datetime64("NaT"),
        visit=name,
        lane=1,
        uncert=0.1,
        corrections="datum=summer level:0",
    )


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "lake_database.gpkg"
    _store.add(path, visit("may", 0), "EPSG:32615")
    _store.add(path, visit("june", 30), "EPSG:32615")
    return path


@pytest.fixture
def layer_file(run, store, tmp_path):
    path = tmp_path / "soundings é'x.gpkg"
    run("readdatabase", {"DATABASE": str(store), "OUTPUT": str(path)})
    return path


def table_of(path):
    source = ogr.Open(str(path))
    return source.GetLayer(0).GetName()


def write(path, sql, *values):
    db = sqlite3.connect(path)
    allow_updates(db)
    with db:
        db.execute(sql, values)
    db.close()


def statuses(path):
    """Return status by place and time, as QGIS reads them."""
    return statuses_of(QgsVectorLayer(f"{path}|layername={table_of(path)}"))


def statuses_of(layer):
    assert layer.isValid()
    return {
        (f.geometry().asPoint().x(), f.geometry().asPoint().y(), f["raw_depth_m"]): f["status"]
        for f in layer.getFeatures()
    }


def in_store(path):
    layer = QgsVectorLayer(f"{path}|layername=soundings")
    return statuses_of(layer)


def test_the_layer_shows_what_the_database_says(store, layer_file):
    table = table_of(layer_file)
    assert renew_statuses(layer_file, table, store) == {}
    write(store, "UPDATE soundings SET status = 'rejected by hand: fish' WHERE fid % 7 = 0")
    write(layer_file, f"UPDATE \"{table}\" SET status = 'spike' WHERE fid % 11 = 0")
    before = statuses(layer_file)
    wrong = sum(before[ping] != status for ping, status in in_store(store).items())
    assert wrong > 100
    assert sum(renew_statuses(layer_file, table, store).values()) == wrong
    assert statuses(layer_file) == in_store(store)


def test_a_layer_that_qgis_has_open_shows_it_after_reloading(store, layer_file):
    table = table_of(layer_file)
    layer = QgsVectorLayer(f"{layer_file}|layername={table}")
    next(layer.getFeatures())
    write(store, "UPDATE soundings SET status = 'rejected by hand: fish' WHERE fid = 5")
    assert renew_statuses(layer_file, table, store) == {"rejected by hand: fish": 1}
    layer.reload()
    assert [f["status"] for f in layer.getFeatures()].count("rejected by hand: fish") == 1


def test_only_a_box_is_looked_at(store, layer_file):
    table = table_of(layer_file)
    write(store, "UPDATE soundings SET status = 'rejected by hand: fish'")
    box = (4e5 + 9.5, 5.15e6 - 1.0, 4e5 + 19.5, 5.15e6 + 1.0)
    assert renew_statuses(layer_file, table, store, box) == {"rejected by hand: fish": 10}
    changed = {ping for ping, status in statuses(layer_file).items() if status != "accepted"}
    assert {x for x, *_ in changed} == set(4e5 + np.arange(10.0, 20.0))


def test_pings_that_the_database_lacks_keep_their_status(store, layer_file):
    table = table_of(layer_file)
    write(layer_file, f"UPDATE \"{table}\" SET status = 'mine', raw_depth_m = -1 WHERE fid = 3")
    assert renew_statuses(layer_file, table, store) == {}
    assert "mine" in statuses(layer_file).values()


def test_pings_that_nothing_tells_apart_are_paired_in_order(run, tmp_path):
    twice = visit("may", 0, timed=False)
    twice = twice.select(np.repeat(np.arange(3), 2))
    store, path = tmp_path / "lake.gpkg", tmp_path / "layer.gpkg"
    _store.add(store, twice, "EPSG:32615")
    run("readdatabase", {"DATABASE": str(store), "OUTPUT": str(path)})
    write(store, "UPDATE soundings SET status = 'rejected by hand: fish' WHERE fid = 4")
    assert renew_statuses(path, table_of(path), store) == {"rejected by hand: fish": 1}
    layer = QgsVectorLayer(str(path))
    rejected = [f["status"] != "accepted" for f in layer.getFeatures()]
    assert rejected == [False, False, False, True, False, False]


def test_a_new_reason_gets_a_symbol_and_the_style_stays(store, layer_file):
    layer = QgsVectorLayer(f"{layer_file}|layername={table_of(layer_file)}")
    apply_style(layer, "soundings")
    before = [(c.value(), c.label()) for c in layer.renderer().categories()]
    show_reasons(layer, ["accepted", "rejected by hand: fish"])
    after = [(c.value(), c.label()) for c in layer.renderer().categories()]
    assert after == [*before, ("rejected by hand: fish", "not used: rejected by hand: fish")]
    show_reasons(layer, ["rejected by hand: fish"])
    assert len(layer.renderer().categories()) == len(after)
    layer.setRenderer(QgsSingleSymbolRenderer(QgsMarkerSymbol()))
    show_reasons(layer, ["spike"])
    assert isinstance(layer.renderer(), QgsSingleSymbolRenderer)


def test_a_cancel_leaves_the_layer_as_it_was(store, layer_file):
    write(store, "UPDATE soundings SET status = 'rejected by hand: fish'")
    before = layer_file.read_bytes()

    def cancel(fraction):
        if fraction == 1.0:
            raise Cancelled  # all is done but for the commit

    with pytest.raises(Cancelled):
        renew_statuses(layer_file, table_of(layer_file), store, None, cancel)
    assert layer_file.read_bytes() == before


def test_the_database_itself_as_layer_is_up_to_date(store):
    write(store, "UPDATE soundings SET status = 'rejected by hand: fish' WHERE fid = 5")
    assert renew_statuses(store, "soundings", store) == {}


def test_what_is_refused(store, layer_file, tmp_path):
    table = table_of(layer_file)
    with pytest.raises(LakefloorError, match="no soundings in table 'nothing'"):
        renew_statuses(layer_file, "nothing", store)
    with pytest.raises(LakefloorError, match="not a lake database"):
        renew_statuses(layer_file, table, layer_file)
    with pytest.raises(LakefloorError):
        renew_statuses(tmp_path / "none.gpkg", table, store)
    with pytest.raises(LakefloorError):
        renew_statuses(layer_file, table, tmp_path / "none.gpkg")
