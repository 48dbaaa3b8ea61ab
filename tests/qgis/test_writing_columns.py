"""Layers written as columns are those that QGIS's own sink writes, and GDAL lives with them."""

import sqlite3
import sys
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from osgeo import gdal, ogr
from qgis.core import (
    NULL,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureRequest,
    QgsField,
    QgsFields,
    QgsGeometry,
    QgsLineString,
    QgsPoint,
    QgsProcessingContext,
    QgsProcessingFeatureSource,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFeatureSink,
    QgsRectangle,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QByteArray, QDate, QDateTime, Qt, QTime, QVariant
from shapely.geometry import MultiPolygon, Polygon, box

from lakefloor.algorithms._base import LakefloorAlgorithm
from lakefloor.algorithms._compat import KEEPS_MILLISECONDS
from lakefloor.algorithms._io import bulk_rows, layer_rows, layer_sinks, soundings_layer
from lakefloor.algorithms._io.outputs import Outputs
from lakefloor.algorithms._io.package import MARK
from lakefloor.algorithms._io.values import to_attributes
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Areas, Lines
from lakefloor.algorithms.core.soundings import SCHEMA, Soundings

UTM15 = QgsCoordinateReferenceSystem("EPSG:32615")
NOWHERE = QgsCoordinateReferenceSystem()
TYPES = QgsWkbTypes.Type
FIELDS = [(name, kind) for name, (_, kind) in SCHEMA.items()]


class Write(LakefloorAlgorithm):
    """Declares an output, into which the tests write."""

    NAME, DISPLAY, GROUP = "write", "Write", "share"

    def declare(self):
        self.addParameter(QgsProcessingParameterFeatureSink("OUTPUT", "Written layer"))


@pytest.fixture
def by_columns(qgis_app, feedback, monkeypatch):
    """Write as the algorithms do; ``way`` says which way the last layer took."""
    ways = []
    real = layer_sinks.LayerSink.write

    def write(sink, *arguments):
        written = real(sink, *arguments)
        ways.append("columns" if written.by_columns else "sink")
        return written

    monkeypatch.setattr(layer_sinks.LayerSink, "write", write)

    def call(target, fill, way="columns", **options):
        if options:
            definition = QgsProcessingOutputLayerDefinition(str(target))
            definition.createOptions = options
            target = definition
        else:
            target = str(target)
        algorithm = Write().create()
        with Outputs(algorithm, {"OUTPUT": target}, QgsProcessingContext(), feedback) as outputs:
            fill(outputs)
        assert ways.pop() == way
        return outputs.results["OUTPUT"]

    return call


@pytest.fixture
def by_sink(qgis_app):
    """Write features one by one into QGIS's own sink, as any algorithm in Python does."""

    def call(path, fields, wkb_type, crs, rows, **options):
        target = QgsProcessingOutputLayerDefinition(str(path))
        target.createOptions = options
        made = QgsFields()
        for field in fields:
            made.append(field)
        sink, _ = (
            Write()
            .create()
            .parameterAsSink(
                {"OUTPUT": target}, "OUTPUT", QgsProcessingContext(), made, wkb_type, crs
            )
        )
        for geometry, values in rows:
            feature = QgsFeature(made)
            feature.setAttributes(list(values))
            if geometry is not None:
                feature.setGeometry(geometry)
            assert sink.addFeature(feature), sink.lastError()
        sink.flushBuffer()
        del sink

    return call


def fields_of(fields):
    return list(layer_rows.Layer.build(fields, TYPES.Point, UTM15).fields)


def quoted(name):
    return '"{}"'.format(name.replace('"', '""'))


def content(path):
    """Return all that a GeoPackage holds, but for times of change and the nodes of its index."""
    with closing(sqlite3.connect(str(path))) as db:
        masters = db.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
        found = {"masters": sorted(masters, key=repr)}
        for name in sorted(name for kind, name, *_ in masters if kind == "table"):
            info = db.execute(f"PRAGMA table_info({quoted(name)})").fetchall()
            columns = [column for _, column, *_ in info]
            if name == "gpkg_contents":
                columns.remove("last_change")
            if name.startswith("rtree_"):
                columns = ["id"] if "id" in columns else ["count(*)"]
                if name.endswith(("_node", "_parent")):
                    continue
            names = ", ".join(
                c if "(" in c else f"{quoted(c)}, typeof({quoted(c)})" for c in columns
            )
            rows = db.execute(f"SELECT {names} FROM {quoted(name)} ORDER BY 1").fetchall()
            moments = [i for i, row in enumerate(info) if row[2] == "DATETIME"]
            if name not in ("gpkg_contents", "gpkg_metadata_reference"):
                rows = [tuple(_moment(v, i // 2 in moments) for i, v in enumerate(r)) for r in rows]
            found[name] = [tuple("" if v == MARK else v for v in row) for row in rows]
        if "gpkg_contents" in found:
            # GDAL 3.6 has SQLite print the extent, which does so to 16 digits at most.
            found["gpkg_contents"] = [
                tuple(float(f"{v:.14g}") if isinstance(v, float) else v for v in row)
                for row in found["gpkg_contents"]
            ]
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        for name in [n for _, n, _, sql in masters if sql and "USING rtree" in sql]:
            assert db.execute("SELECT rtreecheck(?)", (name,)).fetchone() == ("ok",)
    return found


def _moment(value, is_moment):
    """Return a time as QGIS 3.22 writes it: to the second, without a zone."""
    if KEEPS_MILLISECONDS or not is_moment or not isinstance(value, str) or len(value) < 19:
        return value
    return value[:19]


def same(path, other):
    """Compare files of one name in two folders, but for the number of features of no rows."""
    a, b = content(path), content(other)
    assert a.keys() == b.keys()
    for name in a:
        assert a[name] == b[name], name


@pytest.fixture
def places(tmp_path):
    """Two folders, so that both files, and so their tables, have one name."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    return lambda name: (tmp_path / "a" / name, tmp_path / "b" / name)


def soundings(n=7, seed=0):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(400_000, 401_000, n), rng.uniform(5_150_000, 5_151_000, n)
    depth = rng.uniform(1, 30, n)
    time = np.datetime64("2025-05-17T23:59:59.250") + np.arange(n) * np.timedelta64(333, "ms")
    lane = rng.integers(0, 9, n)
    status = np.where(rng.random(n) < 0.9, "accepted", "Spike ü 🛶 'quoted\"")
    made = Soundings.build(x, y, depth, time=time, visit="Überlingen", lane=lane, status=status)
    if n > 5:
        made.time[2] = np.datetime64("NaT")
        made.depth[:3] = np.nan, np.inf, -np.inf
        made.x[1], made.y[4], made.x[5] = np.nan, np.inf, -np.inf
        made.water_temp[3] = 12.125
        made.corrections[3], made.visit[5] = "", ""
    return made


def as_features(made):
    """Return soundings as the sink takes them."""
    columns = [to_attributes(getattr(made, attr), kind) for attr, kind in SCHEMA.values()]
    placed = np.isfinite(made.x) & np.isfinite(made.y)
    for i, values in enumerate(zip(*columns)):
        yield QgsGeometry(QgsPoint(made.x[i], made.y[i])) if placed[i] else None, values


def in_sink(write, path, made, **options):
    write(path, fields_of(FIELDS), TYPES.Point, UTM15, as_features(made), **options)


@pytest.mark.parametrize("n", [0, 1, 7, 60, 3000])
def test_soundings_are_those_of_the_sink(by_columns, by_sink, places, n, monkeypatch):
    monkeypatch.setattr(layer_rows, "ROWS", 1000)
    ours, theirs = places("Tiefen \"am\" 'See' ü.gpkg")
    made = soundings(n)
    by_columns(ours, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    in_sink(by_sink, theirs, made)
    same(ours, theirs)
    with closing(sqlite3.connect(str(ours))) as db:
        times = db.execute(f"SELECT time FROM {quoted(ours.stem)} ORDER BY fid").fetchall()
    assert times == [(None if np.isnat(t) else f"{t}Z",) for t in made.time]


def test_parts_of_a_large_layer_follow_each_other(by_columns, by_sink, places):
    ours, theirs = places("soundings.gpkg")
    made = soundings(400)
    cuts = [made.select(slice(a, b)) for a, b in ((0, 1), (1, 1), (1, 150), (150, 400))]
    by_columns(ours, lambda outputs: outputs.soundings("OUTPUT", iter(cuts), UTM15, 400))
    in_sink(by_sink, theirs, made)
    same(ours, theirs)


@pytest.mark.parametrize(
    "options",
    [
        {"SPATIAL_INDEX": "NO"},
        {"FID": "row id", "GEOMETRY_NAME": 'Ort "der" Messung'},
        {"DESCRIPTION": MARK, "IDENTIFIER": "two words"},
        {"VERSION": "1.2", "ADD_GPKG_OGR_CONTENTS": "NO"},
    ],
    ids=lambda options: next(iter(options)),
)
def test_options_are_the_sinks(by_columns, by_sink, places, options):
    ours, theirs = places("soundings.gpkg")
    made = soundings(90)
    by_columns(ours, lambda outputs: outputs.soundings("OUTPUT", made, UTM15), **options)
    in_sink(by_sink, theirs, made, **options)
    same(ours, theirs)


_UTC = QDateTime(QDate(2025, 5, 17), QTime(23, 59, 59, 250), Qt.TimeSpec.UTC)
_LOCAL = QDateTime(QDate(2025, 5, 17), QTime(23, 59, 59, 250), Qt.TimeSpec.LocalTime)
_WINTER = QDateTime(QDate(2025, 5, 17), QTime(1, 2, 3), Qt.TimeSpec.OffsetFromUTC, -19_800)
#: Type of QGIS, values, and whether they are written as columns.
KINDS = {
    "Int": ([1, -(2**31) + 1, NULL, 0], True),
    "LongLong": ([2**62, -(2**63), NULL, 0], True),
    "Double": ([0.1, float("inf"), NULL, 1e300], True),
    "String": (["", "déjà vu", NULL, "x" * 9000], True),
    "Bool": ([True, False, NULL, True], True),
    "Date": ([QDate(2025, 5, 7), QDate(987, 1, 1), NULL, QDate()], True),
    "DateTime": ([_UTC, _LOCAL, NULL, _WINTER], True),
    "ByteArray": ([QByteArray(b"\x00\xff"), QByteArray(b""), NULL, QByteArray(b"a")], True),
    "Time": ([QTime(1, 2, 3), QTime(23, 0, 0), NULL, QTime()], False),
    "StringList": ([["a", "b"], [], NULL, ["c"]], False),
}


@pytest.mark.parametrize("kind", KINDS)
def test_further_fields_of_every_type(by_columns, by_sink, places, feedback, kind):
    """The rows of a layer in memory, whose own fields follow those of soundings."""
    values, columns = KINDS[kind]
    own = QgsField("own", getattr(QVariant, kind))
    layer = QgsVectorLayer("Point?crs=EPSG:32615", "given", "memory")
    layer.dataProvider().addAttributes([*fields_of(FIELDS), own])
    layer.updateFields()
    made = replace(soundings(4), visit=np.array(["a"] * 4, dtype=object))
    features = []
    for (geometry, attributes), value in zip(as_features(made), values):
        feature = QgsFeature(layer.fields())
        feature.setGeometry(geometry)
        feature.setAttributes([*attributes, value])
        features.append(feature)
    ok, features = layer.dataProvider().addFeatures(features)
    assert ok
    context = QgsProcessingContext()
    source = QgsProcessingFeatureSource(layer, context)
    read, crs, given = soundings_layer.read_given(source, context, feedback)
    ours, theirs = places("given.gpkg")
    by_columns(
        ours,
        lambda outputs: outputs.soundings("OUTPUT", read, crs, given=given),
        "columns" if columns else "sink",
    )
    rows = [(f.geometry(), f.attributes()) for f in layer.getFeatures()]
    by_sink(theirs, list(layer.fields()), TYPES.Point, UTM15, rows)
    same(ours, theirs)


def test_fields_with_a_length_keep_it(by_columns, by_sink, places):
    ours, theirs = places("table.gpkg")
    fields = [QgsField("a", QVariant.String, len=3), QgsField("b", QVariant.Double, len=6, prec=2)]
    rows = [["abc", 1.25], [NULL, NULL], ["é", 7.0]]
    by_columns(ours, lambda outputs: outputs.table("OUTPUT", fields, rows))
    by_sink(theirs, fields, TYPES.NoGeometry, NOWHERE, [(None, row) for row in rows])
    same(ours, theirs)


#: Values of another type than their field, as a table has them while it is edited.
FOREIGN = {
    "String": [QDate(2026, 5, 14), _UTC, 2.5, True, 7, QByteArray(b"abc")],
    "LongLong": ["12", 2.7, -2.5, True],
    "Int": ["7", 2.5, False],
    "Double": [3, "3.5", True],
    "Bool": [5, 0, "true"],
    "Date": ["2026-05-14", QDateTime(QDate(2026, 5, 14), QTime(1, 2, 3))],
    "DateTime": [QDate(2026, 5, 14), "2026-05-14T01:02:03"],
}


@pytest.mark.parametrize("kind", FOREIGN)
def test_values_of_another_type_than_their_field_are_as_qgis_converts_them(
    by_columns, by_sink, places, kind
):
    ours, theirs = places("table.gpkg")
    fields, rows = [QgsField("a", getattr(QVariant, kind))], [[v] for v in FOREIGN[kind]]
    by_columns(ours, lambda outputs: outputs.table("OUTPUT", fields, rows))
    by_sink(theirs, fields, TYPES.NoGeometry, NOWHERE, [(None, row) for row in rows])
    same(ours, theirs)


def test_a_value_that_qgis_cannot_convert_is_told(by_columns, places):
    path, _ = places("table.gpkg")
    fields = [QgsField("depth", QVariant.LongLong)]
    with pytest.raises(LakefloorError, match=r"depth: .*\"abc\" is not a number"):
        by_columns(path, lambda outputs: outputs.table("OUTPUT", fields, [[1], ["abc"]]))
    assert list(path.parent.iterdir()) == []


@pytest.mark.parametrize("n", [0, 1, 700])
def test_lines_are_those_of_the_sink(by_columns, by_sink, places, n):
    ours, theirs = places("Höhenlinien.gpkg")
    rng = np.random.default_rng(n)
    coords = [rng.uniform(0, 900, (rng.integers(2, 9), 2)) + (4e5, 5e6) for _ in range(n)]
    lines = Lines(coords, {"depth": rng.uniform(0, 9, n), "label": ["5 ft"] * n, "k": range(n)})
    fields = [("depth", "double"), ("label", "text"), ("k", "int")]
    by_columns(ours, lambda outputs: outputs.lines("OUTPUT", lines, fields, UTM15))
    rows = [
        (
            QgsGeometry(QgsLineString(xy[:, 0].tolist(), xy[:, 1].tolist())),
            [lines.attributes["depth"].tolist()[i], "5 ft", i],
        )
        for i, xy in enumerate(coords)
    ]
    by_sink(theirs, fields_of(fields), TYPES.LineString, UTM15, rows)
    same(ours, theirs)


@pytest.mark.parametrize("n", [0, 3, 400])
def test_areas_are_those_of_the_sink(by_columns, by_sink, places, n):
    ours, theirs = places("areas.gpkg")
    holed = Polygon(box(0, 0, 9, 9).exterior, [box(2, 2, 3, 3).exterior])
    kinds = [holed, MultiPolygon([box(0, 0, 1, 1), box(2, 2, 4, 5)]), Polygon()]
    polygons = [kinds[i % 3] for i in range(n)]
    areas = Areas(polygons, {"depth": np.arange(n) / 3.0})
    fields = [("depth", "double")]
    by_columns(ours, lambda outputs: outputs.areas("OUTPUT", areas, fields, UTM15))
    rows = []
    for i, polygon in enumerate(polygons):
        multiple = MultiPolygon([polygon]) if polygon.geom_type == "Polygon" else polygon
        geometry = QgsGeometry()
        geometry.fromWkb(multiple.wkb)
        rows.append((None if polygon.is_empty else geometry, [i / 3.0]))
    by_sink(theirs, fields_of(fields), TYPES.MultiPolygon, UTM15, rows)
    same(ours, theirs)


def test_a_table_is_that_of_the_sink(by_columns, by_sink, places):
    ours, theirs = places("table.gpkg")
    fields = [("name", "text"), ("n", "int"), ("x", "double"), ("t", "datetime")]
    rows = [["a", 1, 2.5, _UTC], [None, None, None, None], ["", 0, float("nan"), NULL]]
    by_columns(ours, lambda outputs: outputs.table("OUTPUT", fields, rows))
    by_sink(theirs, fields_of(fields), TYPES.NoGeometry, NOWHERE, [(None, row) for row in rows])
    same(ours, theirs)


@pytest.mark.parametrize(
    ("kind", "wkts"),
    [
        ("Point", ["POINT(1 2)", None, "POINT EMPTY"]),
        ("MultiLineString", ["MULTILINESTRING((1 2,3 4),(0 0,-5 9))", None]),
        ("Polygon", ["POLYGON((0 0,4 0,4 4,0 0))", "POLYGON EMPTY"]),
        ("MultiPoint", ["MULTIPOINT((1 2),(3 4))", None]),
    ],
)
def test_features_are_those_of_the_sink(by_columns, by_sink, places, kind, wkts):
    ours, theirs = places("marks.gpkg")
    made = [wkt and QgsGeometry.fromWkt(wkt) for wkt in wkts]
    rows = [(geometry, [f"mark {i}"]) for i, geometry in enumerate(made)]
    wkb_type = getattr(TYPES, kind)
    by_columns(
        ours, lambda outputs: outputs.features("OUTPUT", [("name", "text")], wkb_type, UTM15, rows)
    )
    by_sink(theirs, fields_of([("name", "text")]), wkb_type, UTM15, rows)
    same(ours, theirs)


def test_heights_go_through_the_sink(by_columns, by_sink, places):
    ours, theirs = places("marks.gpkg")
    rows = [(QgsGeometry.fromWkt("PointZ(1 2 3)"), ["a"])]
    by_columns(
        ours,
        lambda outputs: outputs.features("OUTPUT", [("name", "text")], TYPES.PointZ, UTM15, rows),
        "sink",
    )
    by_sink(theirs, fields_of([("name", "text")]), TYPES.PointZ, UTM15, rows)
    same(ours, theirs)


def test_a_table_among_others(by_columns, places):
    """A destination such as QGIS makes for a layer of a GeoPackage that is there."""
    path, alone = places("lake.gpkg")
    made = soundings(500)
    by_columns(path, lambda outputs: outputs.soundings("OUTPUT", soundings(3), UTM15))
    uri = f"ogr:dbname='{path}' table=\"Echolot 2\" (geom)"
    layer = by_columns(uri, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    by_columns(alone, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    found, expected = content(path), content(alone)
    assert found["Echolot 2"] == expected["lake"]
    assert len(found["lake"]) == 3
    assert QgsVectorLayer(layer).featureCount() == 500


def test_a_file_that_qgis_shows_is_replaced(by_columns, places):
    path, _ = places("lake.gpkg")
    by_columns(path, lambda outputs: outputs.soundings("OUTPUT", soundings(30), UTM15))
    shown = QgsVectorLayer(str(path))
    assert sum(1 for _ in shown.getFeatures()) == 30
    by_columns(path, lambda outputs: outputs.soundings("OUTPUT", soundings(80), UTM15))
    assert QgsVectorLayer(str(path)).featureCount() == 80
    content(path)


def test_names_that_geopackage_takes_for_itself(by_columns, places):
    """GDAL would call them otherwise, so it does."""
    path, _ = places("table.gpkg")
    fields = [("geom", "text"), ("name", "text")]
    rows = [(QgsGeometry.fromWkt("POINT(1 2)"), ["a", "b"])]
    with pytest.raises(LakefloorError, match="cannot be written|Cannot write"):
        by_columns(
            path, lambda outputs: outputs.features("OUTPUT", fields, TYPES.Point, UTM15, rows)
        )


# -- GDAL and QGIS live with it -----------------------------------------------------------------


def test_the_standard_is_kept(by_columns, places):
    samples = pytest.importorskip("osgeo_utils.samples.validate_gpkg")
    path, _ = places("lake.gpkg")
    # What GDAL calls an empty point its validator takes for one that is not.
    made = soundings(400).select(np.r_[6:400])
    by_columns(path, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    areas = Areas([box(0, 0, 2, 3), box(1, 1, 5, 5)], {"name": ["a", "b"]})
    other = path.with_name("areas.gpkg")
    by_columns(other, lambda outputs: outputs.areas("OUTPUT", areas, [("name", "text")], UTM15))
    for each in (path, other):
        samples.check(str(each), abort_at_first_error=True)


def _count(path, table):
    with closing(sqlite3.connect(str(path))) as db:
        counted = db.execute("SELECT feature_count FROM gpkg_ogr_contents").fetchone()
        found = db.execute(f'SELECT count(*) FROM "{table}"').fetchone()
        ids = {i for (i,) in db.execute(f'SELECT id FROM "rtree_{table}_geom"')}
        assert db.execute("SELECT rtreecheck(?)", (f"rtree_{table}_geom",)).fetchone() == ("ok",)
    assert counted == found
    return ids


def test_a_layer_is_edited_afterwards(by_columns, places):
    path, _ = places("lake.gpkg")
    by_columns(path, lambda outputs: outputs.soundings("OUTPUT", soundings(2000), UTM15))
    layer = QgsVectorLayer(str(path))
    before = _count(path, "lake")
    assert before == set(range(1, 2001)) - {2, 5, 6}
    layer.startEditing()
    added = QgsFeature(layer.fields())
    added.setGeometry(QgsGeometry.fromWkt("POINT(0 0)"))
    assert layer.addFeature(added)
    assert layer.deleteFeatures([7, 8, 9])
    assert layer.changeGeometry(10, QgsGeometry.fromWkt("POINT(10 10)"))
    assert layer.changeGeometry(2, QgsGeometry.fromWkt("POINT(20 20)"))
    assert layer.commitChanges(), layer.commitErrors()
    del layer, added
    assert _count(path, "lake") == before - {7, 8, 9} | {2, 2001}
    dataset = ogr.Open(str(path), 1)
    layer = dataset.GetLayer(0)
    layer.SetSpatialFilterRect(-1, -1, 30, 30)
    assert [feature.GetFID() for feature in layer] == [2, 10, 2001]
    layer.SetSpatialFilter(None)
    assert layer.DeleteFeature(2001) == 0
    layer = dataset = None
    assert 2001 not in _count(path, "lake")


@pytest.mark.parametrize("n", [50, 4000])
def test_a_filter_finds_what_is_in_a_box(by_columns, by_sink, places, n):
    ours, theirs = places("lake.gpkg")
    made = soundings(n)
    by_columns(ours, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    in_sink(by_sink, theirs, made)
    layers = [QgsVectorLayer(str(path)) for path in (ours, theirs)]
    assert layers[0].extent().toString(6) == layers[1].extent().toString(6)
    rng = np.random.default_rng(1)
    for _ in range(25):
        x, y = np.sort(rng.uniform(0, 1000, (2, 2)), axis=1) + [[400_000], [5_150_000]]
        request = QgsFeatureRequest().setFilterRect(QgsRectangle(x[0], y[0], x[1], y[1]))
        found, expected = ([f.id() for f in each.getFeatures(request)] for each in layers)
        inside = (made.x >= x[0]) & (made.x <= x[1]) & (made.y >= y[0]) & (made.y <= y[1])
        assert sorted(found) == sorted(expected) == (np.flatnonzero(inside) + 1).tolist()


# -- what goes wrong ----------------------------------------------------------------------------


def test_cancel_leaves_nothing(by_columns, places, feedback, monkeypatch):
    monkeypatch.setattr(layer_rows, "ROWS", 100)
    path, _ = places("lake.gpkg")
    feedback.progressChanged.connect(lambda percent: percent >= 40 and feedback.cancel())
    with pytest.raises(Cancelled):
        by_columns(path, lambda outputs: outputs.soundings("OUTPUT", soundings(1000), UTM15))
    assert list(path.parent.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="the size of files has no limit there")
@pytest.mark.parametrize("room", [200_000, 700_000])
def test_a_full_disk_is_told_and_leaves_the_old_file(by_columns, places, room):
    import resource

    path, _ = places("lake.gpkg")
    by_columns(path, lambda outputs: outputs.soundings("OUTPUT", soundings(10), UTM15))
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, limits[1]))
    try:
        with pytest.raises(LakefloorError, match="Nothing was kept"):
            by_columns(path, lambda outputs: outputs.soundings("OUTPUT", soundings(9000), UTM15))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert [each.name for each in path.parent.iterdir()] == ["lake.gpkg"]
    assert path.read_bytes() == before


def _wrong(ids, boxes, size):
    nodes = real_pack(ids, boxes, size)
    return nodes._replace(leaves=nodes.leaves + 1)


def _no_room(ids, boxes, size):
    return real_pack(ids, boxes, 40)


real_pack = bulk_rows.pack_nodes


@pytest.mark.parametrize("pack", [_wrong, _no_room])
def test_sqlite_fills_the_index_where_its_nodes_are_not_right(
    by_columns, by_sink, places, monkeypatch, pack
):
    monkeypatch.setattr(bulk_rows, "pack_nodes", pack)
    ours, theirs = places("lake.gpkg")
    made = soundings(400)
    by_columns(ours, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    in_sink(by_sink, theirs, made)
    same(ours, theirs)


@pytest.mark.skipif(
    not hasattr(sqlite3, "SQLITE_DBCONFIG_DEFENSIVE"), reason="Python before 3.12 cannot ask for it"
)
def test_sqlite_may_guard_the_tables_of_an_index(by_columns, by_sink, places, monkeypatch):
    real = sqlite3.connect

    def guarded(*arguments, **options):
        db = real(*arguments, **options)
        db.setconfig(sqlite3.SQLITE_DBCONFIG_DEFENSIVE, True)
        return db

    ours, theirs = places("lake.gpkg")
    made = soundings(400)
    with monkeypatch.context() as patched:
        patched.setattr(bulk_rows.sqlite3, "connect", guarded)
        by_columns(ours, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    in_sink(by_sink, theirs, made)
    same(ours, theirs)


def test_half_a_character_becomes_a_question_mark(by_columns, places):
    path, _ = places("table.gpkg")
    by_columns(path, lambda outputs: outputs.table("OUTPUT", [("a", "text")], [["x\ud83d"], ["é"]]))
    with closing(sqlite3.connect(str(path))) as db:
        assert db.execute('SELECT a FROM "table"').fetchall() == [("x?",), ("é",)]


def test_gdal_reads_every_row(by_columns, places):
    path, _ = places("lake.gpkg")
    made = soundings(3000)
    by_columns(path, lambda outputs: outputs.soundings("OUTPUT", made, UTM15))
    dataset = gdal.OpenEx(str(path), gdal.OF_VECTOR)
    layer = dataset.GetLayer(0)
    depths = [feature.GetField("depth_m") for feature in layer]
    expected = [None if np.isnan(d) else d for d in made.depth.tolist()]
    assert depths == expected
    dataset = layer = None
