"""What is read by columns is what QGIS's own loop over features gives, whichever way is taken."""

import sqlite3
from contextlib import closing
from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from osgeo import ogr, osr
from qgis.core import (
    NULL,
    Qgis,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureRequest,
    QgsGeometry,
    QgsPoint,
    QgsProcessingContext,
    QgsProcessingFeatureSource,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorFileWriter,
    QgsVectorLayer,
    QgsVectorLayerJoinInfo,
)
from qgis.PyQt.QtCore import QDate, QDateTime, Qt, QTime

from lakefloor.algorithms._compat import KEEPS_MILLISECONDS, is_null, make_field
from lakefloor.algorithms._io import columns as by_columns
from lakefloor.algorithms._io.columns import as_times, listed, read_columns
from lakefloor.algorithms._io.features import (
    read_contours,
    read_given_points,
    read_lines,
    read_table,
)
from lakefloor.algorithms._io.given_rows import GivenRows
from lakefloor.algorithms._io.inputs import Inputs
from lakefloor.algorithms._io.iso_times import iso_milliseconds
from lakefloor.algorithms._io.piece_points import all_points, first_points
from lakefloor.algorithms._io.soundings_layer import read_given
from lakefloor.algorithms._io.values import milliseconds
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError

UTM = QgsCoordinateReferenceSystem("EPSG:32615")
FILE, COPY, LOOP = "file", "copy", "loop"
UTC, LOCAL = Qt.TimeSpec.UTC, Qt.TimeSpec.LocalTime

#: Fields of a table, with values that are easily changed on the way.
VALUES = {
    "i": (ogr.OFTInteger, [0, -7, 2**31 - 1, None, 5, 5]),
    "l": (ogr.OFTInteger64, [2**60 + 1, None, -(2**53) - 1, 0, 3, 3]),
    "r": (ogr.OFTReal, [0.1, None, 1e-300, -0.0, 2.0, float("inf")]),
    "s": (ogr.OFTString, ["", None, "ü²😀", "'=1+1", " x ", "x" * 10_000]),
    "t": (
        ogr.OFTDateTime,
        [
            "2026-05-14T14:00:00.250Z",
            None,
            "2026-05-14T14:00:01.000Z",
            "1969-12-31T23:59:59.500Z",
            "2024-02-29T00:00:00Z",
            "2026-05-14T14:00:00.750",
        ],
    ),
}


def gpkg(path, wkts, values=None, kind=ogr.wkbPoint, epsg=32615, fids=None, name="t"):
    """Make a GeoPackage by GDAL, with the texts of times written as they are."""
    values = VALUES if values is None else values
    reference = osr.SpatialReference()
    reference.ImportFromEPSG(epsg)
    source = ogr.GetDriverByName("GPKG").CreateDataSource(str(path))
    table = source.CreateLayer(name, reference, kind)
    for field, (type_, _) in values.items():
        table.CreateField(ogr.FieldDefn(field, type_))
    table.StartTransaction()
    for row, wkt in enumerate(wkts):
        feature = ogr.Feature(table.GetLayerDefn())
        if fids is not None:
            feature.SetFID(fids[row])
        if wkt is not None:
            feature.SetGeometry(ogr.CreateGeometryFromWkt(wkt))
        for field, (type_, column) in values.items():
            value = column[row % len(column)]
            if value is not None and type_ != ogr.OFTDateTime:
                feature.SetField(field, value)
        table.CreateFeature(feature)
    table.CommitTransaction()
    del table, source
    times = [field for field, (type_, _) in values.items() if type_ == ogr.OFTDateTime]
    if times:
        write_texts(path, name, {field: values[field][1] for field in times})
    layer = QgsVectorLayer(f"{path}|layername={name}", "layer", "ogr")
    assert layer.isValid()
    return layer


def write_texts(path, table, columns):
    """Write values into a table as they are, without the triggers that need GDAL's functions."""
    with closing(sqlite3.connect(str(path))) as db, db:
        triggers = db.execute("SELECT name, sql FROM sqlite_master WHERE type='trigger'").fetchall()
        for trigger, _ in triggers:
            db.execute(f'DROP TRIGGER "{trigger}"')
        fids = [row[0] for row in db.execute(f'SELECT fid FROM "{table}" ORDER BY fid')]
        for field, values in columns.items():
            db.executemany(
                f'UPDATE "{table}" SET "{field}" = ? WHERE fid = ?',
                [(values[row % len(values)], fid) for row, fid in enumerate(fids)],
            )
        for _, sql in triggers:
            db.execute(sql)


def points(n):
    return [f"POINT({500_000 + 1.37 * k} {5_100_000 + 0.11 * k * k})" for k in range(n)]


def reference(source, crs=None):
    """Return ids, places of all points and attributes, by the plain loop."""
    request = QgsFeatureRequest()
    if crs is not None:
        request.setDestinationCrs(crs, QgsProcessingContext().transformContext())
    ids, places, attributes = [], [], []
    for feature in source.getFeatures(request):
        ids.append(feature.id())
        places.append(
            [(p.x(), p.y(), p.z() if p.is3D() else np.nan) for p in feature.geometry().vertices()]
            or [(np.nan,) * 3]
        )
        attributes.append(feature.attributes())
    return ids, places, attributes


def by_pieces(source, crs=None, indexes=None, geometry="xyz"):
    """Return ids (None if not read), places, attributes by index and the ways that were taken."""
    indexes = list(range(source.fields().count())) if indexes is None else indexes
    ids, places, ways = [], [], []
    attributes = {index: [] for index in indexes}
    context, feedback = QgsProcessingContext(), QgsProcessingFeedback(False)
    for piece in read_columns(source, crs, indexes, context, feedback, geometry):
        if geometry:
            x, y, z, rows = all_points(piece)
            assert rows.max(initial=-1) < piece.count
            of_rows = [[] for _ in range(piece.count)]
            for row, place in zip(rows, zip(x, y, z)):
                of_rows[row].append(place)
            places += of_rows
            assert np.array_equal(
                np.array([of_row[0][:2] for of_row in of_rows]),
                np.column_stack(first_points(piece)),
                equal_nan=True,
            )
        for index in indexes:
            attributes[index] += listed(piece.columns[index])
        if isinstance(piece.geometries, list) or (
            not geometry and all(isinstance(c, list) for c in piece.columns.values())
        ):
            ways.append(LOOP)
        else:
            ways.append(COPY if piece.ids is None else FILE)
        ids += [None] * piece.count if piece.ids is None else piece.ids.tolist()
    return ids, places, attributes, ways


def bits(value):
    """Return a value so that equal means equal to the bit, and of one type."""
    if is_null(value):
        return None
    if isinstance(value, float):
        return np.float64(value).tobytes()
    if isinstance(value, QDateTime):
        # Times of day that QGIS cuts short are compared with the file in a test of their own.
        return value.toString(Qt.DateFormat.ISODate), value.isValid()
    return type(value).__name__, value


def assert_as_the_loop(source, way, crs=None, indexes=None, geometry="xyz"):
    """Compare every value with the loop's, and the way with the one that is expected."""
    ids, places, attributes = reference(source, crs)
    found_ids, found_places, found, ways = by_pieces(source, crs, indexes, geometry)
    assert set(ways) == {way}
    if way != COPY:
        assert found_ids == ids
    assert len(found_ids) == len(ids)
    if geometry == "xyz":
        assert [np.array(p).tobytes() for p in found_places] == [
            np.array(p).tobytes() for p in places
        ]
    for index, column in found.items():
        assert [bits(v) for v in column] == [bits(a[index]) for a in attributes], index


def memory(fields, rows, wkts, kind="Point", crs="EPSG:32615"):
    layer = QgsVectorLayer(f"{kind}?crs={crs}&{fields}", "layer", "memory")
    features = []
    for wkt, row in zip(wkts, rows):
        feature = QgsFeature(layer.fields())
        if wkt is not None:
            feature.setGeometry(QgsGeometry.fromWkt(wkt))
        feature.setAttributes(list(row))
        features.append(feature)
    assert layer.dataProvider().addFeatures(features)[0]
    return layer


ALL_TYPES = (
    "field=i:integer&field=l:int8&field=r:double&field=s:string(20000)&field=b:boolean&field=d:date"
    "&field=c:time&field=t:datetime"
)
#: Values of a layer in memory, one of each type in a row.
ALL_ROWS = [
    (0, 2**60 + 1, 0.1, "", True, QDate(2026, 5, 14), QTime(1, 2, 3)),
    (NULL,) * 7,
    (-7, -(2**53) - 1, -0.0, "ü²😀", False, QDate(1969, 1, 1), QTime(0, 0)),
    (2**31 - 1, 0, float("inf"), "'=1+1", True, QDate(2024, 2, 29), QTime(23, 59, 59)),
    (5, 3, float("nan"), "NULL", False, QDate(2026, 5, 14), QTime(12, 0)),
    (5, 3, 1e-300, "x" * 10_000, True, QDate(2026, 5, 14), QTime(12, 0)),
]
ALL_TIMES = [
    QDateTime(QDate(2026, 5, 14), QTime(14, 0, 0, 250), UTC),
    NULL,
    QDateTime(QDate(2026, 5, 14), QTime(14, 0, 1, 7), LOCAL),
    QDateTime(QDate(1969, 12, 31), QTime(23, 59, 59, 999), UTC),
    QDateTime(QDate(2026, 5, 14), QTime(14, 0, 0, 5), Qt.TimeSpec.OffsetFromUTC, -5 * 3600),
    QDateTime(QDate(2026, 5, 14), QTime(14, 0, 0, 750), LOCAL),
]


def of_all_types():
    rows = [(*row, when) for row, when in zip(ALL_ROWS, ALL_TIMES)]
    return memory(ALL_TYPES, rows * 2, points(12))


def source_of(layer, definition=None, context=None):
    """Return the source that an algorithm gets for a parameter."""
    from lakefloor.algorithms import algorithm_classes

    algorithm = next(c for c in algorithm_classes() if c.NAME == "readpointlayer")()
    algorithm = algorithm.create()
    context = context or QgsProcessingContext()
    context.setProject(QgsProject.instance())
    value = layer if definition is None else definition
    return Inputs(algorithm, {"INPUT": value}, context).source("INPUT")


# -- a table of a GeoPackage -----------------------------------------------------------


def test_a_table_of_a_geopackage_is_read_from_its_file(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(50))
    assert_as_the_loop(layer, FILE)
    assert_as_the_loop(layer, FILE, geometry="")
    assert_as_the_loop(layer, FILE, indexes=[2])
    assert_as_the_loop(layer, FILE, indexes=[])


@pytest.mark.parametrize("uri", ["{}", "{}|layerid=0", "{}|layername=t"])
def test_a_layer_may_be_named_in_each_way(tmp_path, uri):
    gpkg(tmp_path / "a.gpkg", points(5))
    layer = QgsVectorLayer(uri.format(tmp_path / "a.gpkg"), "layer", "ogr")
    assert_as_the_loop(layer, FILE)


def test_times_are_those_of_the_file_to_the_millisecond(tmp_path):
    # The reference is the text in the file: QGIS 3.22 cuts 1.050 s to 1.049 s.
    texts = [f"2026-05-14T14:{k // 1000 % 60:02d}:59.{k % 1000:03d}" for k in range(2000)]
    layer = gpkg(tmp_path / "a.gpkg", points(2000), {"t": (ogr.OFTDateTime, texts)})
    (piece,) = read_columns(layer, None, [1], None, QgsProcessingFeedback(False), "")
    assert np.array_equal(as_times(piece.columns[1]), np.array(texts, "datetime64[ms]"))
    loop = np.array([milliseconds(f["t"]) for f in layer.getFeatures()])
    away = np.array(texts, "datetime64[ms]").astype(np.int64) - loop
    assert set(away) <= ({0} if KEEPS_MILLISECONDS else {0, 1})
    assert [milliseconds(v) for v in listed(piece.columns[1])] == (loop + away).tolist()


@pytest.mark.parametrize(
    "text",
    [
        "2026-05-14T14:00:00+02:00",
        "2026-05-14T14:00:00.5Z",
        "2026-05-14T14:00:60.000Z",
        "2026-02-30T14:00:00.000Z",
        "2026-13-01T14:00:00.000Z",
        "2026-05-14",
        "2026-05-14 14:00:00",
        "0000-05-14T14:00:00.000Z",
        "2026-05-14T24:00:00.000Z",
        "tomorrow",
        "",
        1_778_767_200,
    ],
)
def test_a_time_that_gdal_and_qgis_may_take_differently_is_left_to_qgis(tmp_path, text):
    values = {"t": (ogr.OFTDateTime, ["2026-05-14T14:00:00.250Z", text])}
    layer = gpkg(tmp_path / "a.gpkg", points(4), values)
    *_, ways = by_pieces(layer)
    assert FILE not in ways
    assert_as_the_loop(layer, ways[0])


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("i", 3.7), ("i", "abc"), ("i", 2**40), ("l", 2.5), ("r", "abc"), ("r", "1,5"), ("r", 3),
        ("s", 5), ("s", 2.5), ("s", b"abc"),
    ],
)  # fmt: skip
def test_values_of_another_type_than_their_field_are_as_qgis_takes_them(tmp_path, field, value):
    layer = gpkg(tmp_path / "a.gpkg", points(3))
    write_texts(tmp_path / "a.gpkg", "t", {field: [value]})
    assert_as_the_loop(layer, FILE)


def test_a_text_that_is_not_utf8_is_left_to_qgis(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(3))
    write_texts(tmp_path / "a.gpkg", "t", {"s": [b"\xff\xfe"]})
    assert FILE not in by_pieces(layer)[3]
    assert [v for v in by_pieces(layer)[2][4]] == [f["s"] for f in layer.getFeatures()]


@pytest.mark.parametrize(("field", "value"), [("s", "\ufeffx"), ("t", b"2026-05-14T14:00:00.250Z")])
def test_what_qt_reads_in_its_own_way_is_left_to_qgis(tmp_path, field, value):
    layer = gpkg(tmp_path / "a.gpkg", points(3))
    write_texts(tmp_path / "a.gpkg", "t", {field: [value]})
    assert_as_the_loop(layer, COPY)


def test_a_field_with_the_name_that_gdal_has_for_geometries_is_left_to_qgis(tmp_path):
    values = {"r": VALUES["r"], "OGR_GEOMETRY": VALUES["s"]}
    layer = gpkg(tmp_path / "a.gpkg", points(3), values)
    assert FILE not in by_pieces(layer, indexes=[1])[3]
    assert_as_the_loop(layer, COPY)


def test_fids_with_gaps_and_out_of_order_keep_the_order_of_the_loop(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(5), fids=[70, 3, 2**40, 12, 5])
    assert_as_the_loop(layer, FILE)


@pytest.mark.parametrize(
    ("kind", "wkts"),
    [
        (ogr.wkbPoint25D, ["POINT Z (1 2 3)", None, "POINT Z (1 2 0)", "POINT Z (4 5 -6)"]),
        (ogr.wkbPointM, ["POINT M (1 2 3)", "POINT M (4 5 6)"]),
        (ogr.wkbPointZM, ["POINT ZM (1 2 3 4)", "POINT ZM (4 5 6 7)"]),
        (ogr.wkbUnknown, ["POINT (1 2)", "POINT Z (1 2 3)", "MULTIPOINT (1 2, 3 4)", None]),
        (ogr.wkbMultiPoint, ["MULTIPOINT (1 2, 3 4)", "MULTIPOINT (5 6)", None]),
        (ogr.wkbMultiPoint25D, ["MULTIPOINT Z (1 2 3, 3 4 5)", "MULTIPOINT Z (5 6 7)"]),
        (ogr.wkbPoint, ["POINT (1 2)", None, "POINT EMPTY", "POINT (3 4)"]),
    ],
)
def test_points_of_each_kind_come_from_the_file(tmp_path, kind, wkts):
    layer = gpkg(tmp_path / "a.gpkg", wkts, kind=kind)
    assert_as_the_loop(layer, FILE)
    assert_as_the_loop(layer, FILE, crs=QgsCoordinateReferenceSystem("EPSG:4326"))


def test_a_boolean_and_a_date_take_the_copy_and_a_list_the_loop(tmp_path):
    path = str(tmp_path / "a.gpkg")
    layer = gpkg(path, points(3))
    provider = layer.dataProvider()
    with closing(sqlite3.connect(path)) as db, db:
        for name, kind in (("b", "BOOLEAN"), ("d", "DATE"), ("f", "FLOAT"), ("n", "BLOB")):
            db.execute(f"ALTER TABLE t ADD COLUMN {name} {kind}")
    del provider
    write_texts(path, "t", {"b": [1, 0, None], "d": ["2026-05-14"], "f": [0.1], "n": [b"abc"]})
    layer = QgsVectorLayer(f"{path}|layername=t", "layer", "ogr")
    names = layer.fields().names()
    for name in "bdf":
        assert_as_the_loop(layer, COPY, indexes=[names.index(name)])
    assert_as_the_loop(layer, LOOP, indexes=[names.index("n")])
    assert_as_the_loop(layer, FILE, indexes=[names.index("r"), names.index("t")])


def test_what_qgis_has_just_saved_is_read(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(9))
    reading = layer.getFeatures()  # keeps the file open, as a map does
    next(reading)
    layer.startEditing()
    first, second = (f.id() for f, _ in zip(layer.getFeatures(), range(2)))
    assert layer.changeAttributeValue(first, 3, 12.5)
    assert layer.deleteFeature(second)
    assert layer.commitChanges()
    assert_as_the_loop(layer, FILE)
    assert 12.5 in by_pieces(layer)[2][3]


def test_a_table_whose_count_of_rows_is_wrong_is_read_to_its_end(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(9))
    with closing(sqlite3.connect(str(tmp_path / "a.gpkg"))) as db, db:
        db.execute("UPDATE gpkg_ogr_contents SET feature_count = 5")
    ids, _, found, ways = by_pieces(layer)
    assert ways == [FILE]
    assert ids == list(range(1, 10))
    assert len(found[1]) == 9


# -- what a file does not tell ---------------------------------------------------------


def test_a_part_of_a_table_is_left_to_qgis(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(40))
    layer.setSubsetString('"i" = 5')
    assert 0 < layer.featureCount() < 40
    assert_as_the_loop(layer, COPY)


def test_a_view_is_left_to_qgis(tmp_path):
    path = tmp_path / "a.gpkg"
    gpkg(path, points(9))
    with closing(sqlite3.connect(str(path))) as db, db:
        db.execute("CREATE VIEW v AS SELECT fid, geom, i, r FROM t WHERE i = 5 ORDER BY r DESC")
        db.execute(
            "INSERT INTO gpkg_contents (table_name, identifier, data_type, srs_id) "
            "VALUES ('v', 'v', 'features', 32615)"
        )
        db.execute("INSERT INTO gpkg_geometry_columns VALUES ('v', 'geom', 'POINT', 32615, 0, 0)")
    layer = QgsVectorLayer(f"{path}|layername=v", "layer", "ogr")
    assert layer.featureCount() > 0
    assert_as_the_loop(layer, COPY)


def test_an_open_edit_is_read_with_what_is_not_saved(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(9))
    layer.startEditing()
    assert_as_the_loop(layer, COPY)
    first, second, third = (f.id() for f, _ in zip(layer.getFeatures(), range(3)))
    assert layer.changeAttributeValue(first, 3, 12.5)
    assert layer.deleteFeature(second)
    layer.changeGeometry(third, QgsGeometry.fromWkt("POINT (7 8)"))
    added = QgsFeature(layer.fields())
    added.setGeometry(QgsGeometry.fromWkt("POINT (9 9)"))
    assert layer.addFeature(added)
    assert_as_the_loop(layer, LOOP)
    layer.rollBack()
    assert_as_the_loop(layer, FILE)


def test_joined_and_virtual_fields_are_read(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(9))
    layer.addExpressionField('"i" * 2.5', make_field("twice", "double"))
    assert_as_the_loop(layer, COPY)
    other = memory("field=key:integer&field=word:string", [(5, "five"), (0, None)], points(2))
    QgsProject.instance().addMapLayer(other)
    try:
        join = QgsVectorLayerJoinInfo()
        join.setJoinLayer(other)
        join.setJoinFieldName("key")
        join.setTargetFieldName("i")
        join.setUsingMemoryCache(True)
        assert layer.addJoin(join)
        assert "five" in [f["layer_word"] for f in layer.getFeatures()]
        assert_as_the_loop(layer, COPY)
    finally:
        QgsProject.instance().removeMapLayer(other)


@pytest.mark.parametrize("option", ["selected", "limit", "filter", "geometry"])
def test_the_options_of_an_input_are_honored(tmp_path, option):
    layer = gpkg(tmp_path / "a.gpkg", points(30))
    layer.selectByIds([3, 7, 20])
    QgsProject.instance().addMapLayer(layer, False)
    definition = QgsProcessingFeatureSourceDefinition(layer.id(), option == "selected")
    count, way = {"selected": 3, "limit": 4, "filter": 10, "geometry": 30}[option], COPY
    if option == "limit":
        definition.featureLimit = 4
    elif option == "filter":
        if Qgis.QGIS_VERSION_INT < 33200:
            pytest.skip("inputs have no filter in this QGIS")
        definition.filterExpression = '"i" = 5'
    elif option == "geometry":
        definition.flags = (
            QgsProcessingFeatureSourceDefinition.Flag.FlagOverrideDefaultGeometryCheck
        )
        definition.geometryCheck = QgsFeatureRequest.InvalidGeometryCheck.GeometrySkipInvalid
        way = FILE
    try:
        context = QgsProcessingContext()
        source = source_of(layer, definition, context)
        assert len(reference(source)[0]) == count
        assert_as_the_loop(source, way)
        assert_as_the_loop(source_of(layer), FILE)
    finally:
        QgsProject.instance().removeMapLayer(layer)


def test_a_source_of_which_the_layer_is_not_known_takes_the_loop(tmp_path):
    layer, context = gpkg(tmp_path / "a.gpkg", points(9)), QgsProcessingContext()
    assert_as_the_loop(QgsProcessingFeatureSource(layer, context), LOOP)


# -- other providers -------------------------------------------------------------------


def test_a_layer_in_memory_is_read_from_a_copy():
    layer = of_all_types()
    assert_as_the_loop(layer, COPY)
    assert_as_the_loop(layer, COPY, indexes=[7, 2])
    assert_as_the_loop(layer, COPY, indexes=[])
    assert_as_the_loop(layer, COPY, geometry="")
    *_, found, _ = by_pieces(layer)
    wanted = [f["t"] for f in layer.getFeatures()]
    assert [milliseconds(v) for v in found[7]] == [milliseconds(v) for v in wanted]
    (piece,) = read_columns(layer, None, [7], None, QgsProcessingFeedback(False))
    assert as_times(piece.columns[7]).astype(np.int64).tolist() == [milliseconds(v) for v in wanted]


@pytest.mark.parametrize(
    ("kind", "wkts", "way"),
    [
        ("PointZ", ["PointZ (1 2 3)", "PointZ (4 5 -6)"], COPY),
        ("PointZ", ["PointZ (1 2 3)", "PointZ (4 5 0)"], LOOP),
        ("PointZ", ["PointZ (1 2 3)", "Point (4 5)"], LOOP),
        ("Point", ["Point (1 2)", "PointZ (4 5 6)"], LOOP),
        ("Point", ["Point (1 2)", None, "Point (4 5)"], LOOP),
        ("Point", [None, None], LOOP),
        ("Point", ["Point (1 2)", "Point EMPTY"], LOOP),
        ("Point", ["Point (1 2)", "MultiPoint ((1 2), (3 4))"], LOOP),
        ("MultiPoint", ["MultiPoint ((1 2), (3 4))", "MultiPoint EMPTY"], LOOP),
        ("MultiPointZ", ["MultiPointZ ((1 2 3), (3 4 5))"], LOOP),
        ("NoGeometry", [None, None], LOOP),
    ],
)
def test_points_of_each_kind_in_memory(kind, wkts, way):
    layer = memory("field=i:integer", [(k,) for k in range(len(wkts))], wkts, kind)
    assert_as_the_loop(layer, way)


def test_a_list_in_memory_takes_the_loop():
    layer = memory("field=w:string[]&field=i:integer", [(["a", "b"], 1), (NULL, 2)], points(2))
    assert_as_the_loop(layer, LOOP, indexes=[0])


@pytest.mark.parametrize("driver", ["ESRI Shapefile", "GeoJSON", "CSV", "FlatGeobuf", "SQLite"])
def test_other_files_give_what_the_loop_gives(tmp_path, driver):
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = driver
    options.layerOptions = ["GEOMETRY=AS_XY"] if driver == "CSV" else []
    endings = {"ESRI Shapefile": "shp", "GeoJSON": "geojson", "CSV": "csv", "FlatGeobuf": "fgb"}
    path = tmp_path / f"a.{endings.get(driver, 'sqlite')}"
    layer = memory(
        "field=i:integer&field=r:double&field=s:string(20)&field=t:datetime",
        [(k, k / 3, ["a", NULL, "ü"][k % 3], ALL_TIMES[k % 2]) for k in range(12)],
        points(12),
    )
    QgsVectorFileWriter.writeAsVectorFormatV3(
        layer, str(path), QgsProcessingContext().transformContext(), options
    )
    if driver == "CSV":
        # With the types that GDAL finds, without geometry; then as text with points.
        table = QgsVectorLayer(str(path), "layer", "ogr")
        assert table.featureCount() == 12
        assert_as_the_loop(table, LOOP, geometry="")
        uri = f"file://{path}?type=csv&xField=X&yField=Y&crs=EPSG:32615"
        layer = QgsVectorLayer(uri, "layer", "delimitedtext")
        assert_as_the_loop(layer, COPY)
        layer = QgsVectorLayer(f"{uri}&detectTypes=no", "layer", "delimitedtext")
        assert layer.fields()[3].typeName().lower() == "text"
    else:
        layer = QgsVectorLayer(str(path), "layer", "ogr")
    assert layer.featureCount() == 12
    *_, ways = by_pieces(layer)
    assert_as_the_loop(layer, ways[0])
    assert COPY in ways


def test_a_virtual_layer_gives_what_the_loop_gives(tmp_path):
    layer = gpkg(tmp_path / "a.gpkg", points(9))
    QgsProject.instance().addMapLayer(layer, False)
    try:
        query = f"?layer_ref={layer.id()}:t&query=SELECT i, r, s, geometry FROM t WHERE i = 5"
        virtual = QgsVectorLayer(query, "layer", "virtual")
        assert virtual.featureCount() > 0
        *_, ways = by_pieces(virtual)
        assert_as_the_loop(virtual, ways[0])
    finally:
        QgsProject.instance().removeMapLayer(layer)


# -- places ----------------------------------------------------------------------------


@pytest.mark.parametrize("make", ["file", "copy"])
@pytest.mark.parametrize("target", ["EPSG:32616", "EPSG:26915", "EPSG:3857", "EPSG:4267"])
def test_projected_places_are_those_of_the_loop_to_the_bit(tmp_path, make, target):
    # NAD27 (4267) takes a shift of datum.
    wkts = [f"POINT ({-93 + 0.017 * k} {45 + 0.013 * k})" for k in range(200)]
    if make == "file":
        layer = gpkg(tmp_path / "a.gpkg", wkts, epsg=4326)
    else:
        layer = memory("field=i:integer", [(k,) for k in range(200)], wkts, crs="EPSG:4326")
    assert_as_the_loop(layer, make, crs=QgsCoordinateReferenceSystem(target))


@pytest.mark.parametrize("make", ["file", "copy"])
def test_a_place_that_cannot_be_projected_is_nowhere_and_the_others_are_not(tmp_path, make):
    wkts = ["POINT (-93 45)", "POINT (170 -89)", "POINT (-93 95)", "POINT (1e9 1)", "POINT (-92 4)"]
    if make == "file":
        layer = gpkg(tmp_path / "a.gpkg", wkts, epsg=4326)
    else:
        layer = memory("field=i:integer", [(k,) for k in range(5)], wkts, crs="EPSG:4326")
    places = reference(layer, UTM)[1]
    assert any(np.isnan(place[0][0]) for place in places)
    assert not np.isnan(places[0][0][0])
    assert_as_the_loop(layer, make, crs=UTM)


def test_places_that_are_no_numbers_are_as_the_loop_has_them():
    layer = memory("field=i:integer", [(0,)], ["Point (1 2)"])
    for x, y in ((np.nan, np.nan), (np.inf, 2.0), (1.0, -np.inf)):
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry(QgsPoint(x, y)))
        layer.dataProvider().addFeatures([feature])
    assert layer.featureCount() == 4
    for crs in (None, QgsCoordinateReferenceSystem("EPSG:4326")):
        assert_as_the_loop(layer, by_pieces(layer, crs)[3][0], crs=crs)


def test_a_layer_without_crs_is_refused_before_anything_is_read():
    layer = memory("field=i:integer", [(0,)], ["Point (1 2)"], crs="")
    layer.setCrs(QgsCoordinateReferenceSystem())
    with pytest.raises(LakefloorError, match="no coordinate reference system"):
        by_pieces(layer, UTM)
    assert_as_the_loop(layer, COPY)


# -- pieces, cancel, change ------------------------------------------------------------


def test_pieces_follow_each_other_without_a_seam(tmp_path, monkeypatch):
    monkeypatch.setattr(by_columns, "_ROWS", 7)
    layer = gpkg(tmp_path / "a.gpkg", points(60))
    assert len(by_pieces(layer)[3]) == 9
    assert_as_the_loop(layer, FILE)
    assert_as_the_loop(of_all_types(), COPY)


def test_the_loop_goes_on_where_a_doubt_arises_in_the_middle(tmp_path, monkeypatch):
    monkeypatch.setattr(by_columns, "_ROWS", 4)
    texts = ["2026-05-14T14:00:00.250Z"] * 9 + ["yesterday"]
    layer = gpkg(tmp_path / "a.gpkg", points(10), {"t": (ogr.OFTDateTime, texts)})
    ids, _, found, ways = by_pieces(layer)
    assert ways == [FILE, FILE, LOOP]
    assert ids == [f.id() for f in layer.getFeatures()]
    assert [milliseconds(v) for v in found[1]] == [
        milliseconds(f["t"]) for f in layer.getFeatures()
    ]


@pytest.mark.parametrize("make", ["file", "copy", "loop"])
def test_cancel_is_answered(tmp_path, monkeypatch, make):
    monkeypatch.setattr(by_columns, "_ROWS", 5)
    layer = gpkg(tmp_path / "a.gpkg", points(30)) if make == "file" else of_all_types()
    if make == "loop":
        layer.startEditing()
        layer.deleteFeature(1)
    feedback = QgsProcessingFeedback(False)
    pieces = read_columns(layer, None, [0], None, feedback)
    if make == "file":
        next(pieces)
    feedback.cancel()
    with pytest.raises(Cancelled):
        list(pieces)
    layer.rollBack()


@pytest.mark.parametrize("make", ["file", "copy", "loop"])
def test_further_fields_are_handed_on_as_qgis_has_them(tmp_path, monkeypatch, make):
    monkeypatch.setattr(by_columns, "_ROWS", 16)
    layer = gpkg(tmp_path / "a.gpkg", points(50)) if make == "file" else of_all_types()
    rows = [f.attributes() for f in layer.getFeatures()]
    ids = np.array([f.id() for f in layer.getFeatures()])
    order = np.random.default_rng(1).permutation(np.repeat(np.arange(len(rows)), 2))
    source = QgsProcessingFeatureSource(layer, QgsProcessingContext()) if make == "loop" else layer
    parts = list(GivenRows(source, order, ids).further_columns(9))
    assert [len(part[0]) for part in parts[:-1]] == [9] * (len(parts) - 1)
    start = 1 if make == "file" else 0
    for number, index in enumerate(range(start, layer.fields().count())):
        found = [value for part in parts for value in part[number]]
        assert [bits(v) for v in found] == [bits(rows[row][index]) for row in np.sort(order)]
    with pytest.raises(LakefloorError, match="was changed while it was read"):
        list(GivenRows(source, order, ids + 1).further_columns(9))


# -- the routines that use it ----------------------------------------------------------


def soundings_rows(n):
    return [
        (
            ["May", "June", NULL, "'=1"][k // 9 % 4],
            [k, NULL][k % 5 == 4],
            ALL_TIMES[k % 4],
            2.0 + k / 7,
            2.0 + k / 7,
            ["accepted", NULL, "spike"][k % 3],
        )
        for k in range(n)
    ]


SOUNDINGS = (
    "field=visit:string&field=lane:integer&field=time:datetime&field=raw_depth_m:double"
    "&field=depth_m:double&field=status:string"
)


def test_soundings_are_the_same_by_the_copy_and_by_the_loop():
    layer, context = memory(SOUNDINGS, soundings_rows(200), points(200)), QgsProcessingContext()
    feedback = QgsProcessingFeedback(False)
    found, _, rows = read_given(layer, context, feedback)
    wanted, _, of_loop = read_given(QgsProcessingFeatureSource(layer, context), context, feedback)
    for name, column in vars(wanted).items():
        mine = getattr(found, name)
        assert mine.dtype == column.dtype
        assert np.array_equal(mine, column, equal_nan=column.dtype.kind in "fM"), name
    assert np.array_equal(rows.order, of_loop.order)


def test_a_depth_that_is_no_number_is_named_by_its_row_whichever_way(tmp_path):
    values = {"depth_m": (ogr.OFTString, ["1.5", "2", "deep", "3"])}
    layer, context = gpkg(tmp_path / "a.gpkg", points(8), values), QgsProcessingContext()
    messages = []
    for source in (layer, QgsProcessingFeatureSource(layer, context)):
        with pytest.raises(LakefloorError, match="row 3: field 'depth_m' holds 'deep'") as error:
            read_given(source, context, QgsProcessingFeedback(False))
        messages.append(str(error.value))
    assert messages[0] == messages[1]


def test_a_line_among_points_is_named_by_its_row_whichever_way(tmp_path):
    wkts = [*points(5), "LINESTRING (0 0, 1 1)", None]
    values = {"depth_m": (ogr.OFTReal, [1.5])}
    layer, context = gpkg(tmp_path / "a.gpkg", wkts, values), QgsProcessingContext()
    for source in (layer, QgsProcessingFeatureSource(layer, context)):
        with pytest.raises(LakefloorError, match="'layer', row 6: the geometry is a LineString"):
            read_given(source, context, QgsProcessingFeedback(False))


@pytest.mark.parametrize("make", ["file", "copy"])
def test_points_and_tables_are_the_same_as_by_the_loop(tmp_path, make):
    layer = gpkg(tmp_path / "a.gpkg", points(40)) if make == "file" else of_all_types()
    context, feedback = QgsProcessingContext(), QgsProcessingFeedback(False)
    loop = QgsProcessingFeatureSource(layer, context)
    names = layer.fields().names()
    *places, found, rows = read_given_points(layer, UTM, names, context, feedback)
    *wanted_places, wanted, of_loop = read_given_points(loop, UTM, names, context, feedback)
    assert np.array_equal(places, wanted_places, equal_nan=True)
    assert {k: [bits(v) for v in c] for k, c in found.items()} == {
        k: [bits(v) for v in c] for k, c in wanted.items()
    }
    assert np.array_equal(rows.order, of_loop.order)
    assert np.array_equal(rows.ids, of_loop.ids)
    table, of_loop = read_table(layer, feedback), read_table(loop, feedback)
    assert {k: [bits(v) for v in c] for k, c in table.items()} == {
        k: [bits(v) for v in c] for k, c in of_loop.items()
    }


def test_vertices_of_lines_are_those_of_qgis():
    wkts = [
        "LineString (0.1 0.2, 3 4, 5 6.7)",
        "LineStringZ (0.1 0.2 9, 3 4 8)",
        "MultiLineStringM ((0 1 5, 2 3 6), (4 5 7, 6 7 8, 8 9 9))",
        "LineStringZM (0 1 5 3, 2 3 6 4)",
        "CompoundCurve (CircularString (0 0, 1 1, 2 0), (2 0, 3 3))",
        "LineString EMPTY",
        None,
    ]
    layer = memory("field=depth:double", [(k,) for k in range(7)], wkts, "MultiLineString")
    context, feedback = QgsProcessingContext(), QgsProcessingFeedback(False)
    wanted = [
        np.array([(p.x(), p.y(), p.z())[: 3 if part.is3D() else 2] for p in part.vertices()])
        for feature in layer.getFeatures()
        for part in feature.geometry().constParts()
    ]
    found = read_lines(layer, layer.crs(), context, feedback)
    assert [a.tolist() for a in found] == [a.tolist() for a in wanted]
    contours = read_contours(layer, layer.crs(), "depth", context, feedback)
    assert [a.tolist() for a in contours.coords] == [
        a[:, :2].tolist() if a.size else [] for a in wanted
    ]


@settings(deadline=None)
@given(
    moments=st.lists(st.datetimes(), min_size=1, max_size=20),
    zone=st.one_of(st.sampled_from(["", "Z"]), st.integers(-14 * 60, 14 * 60)),
    precise=st.booleans(),
)
def test_times_are_those_that_python_reads(moments, zone, precise):
    if isinstance(zone, int):
        zone = f"{'-' if zone < 0 else '+'}{abs(zone) // 60:02d}:{abs(zone) % 60:02d}"
    unit = "milliseconds" if precise else "seconds"
    texts = [moment.isoformat(timespec=unit) + zone for moment in moments]
    table = np.array([list(text.encode()) for text in texts], dtype=np.uint8)
    epoch = datetime(1970, 1, 1, tzinfo=timezone.utc)
    wanted = [
        (datetime.fromisoformat(text.replace("Z", "") + ("" if zone[1:] else "+00:00")) - epoch)
        // timedelta(milliseconds=1)
        for text in texts
    ]
    assert iso_milliseconds(table).tolist() == wanted


# -- random tables ---------------------------------------------------------------------

_doubles = st.one_of(st.none(), st.floats(allow_nan=False))
_texts = st.one_of(
    st.none(), st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"))
)
_places = st.floats(-1e6, 1e6)
#: Memory layers refuse the least integer of all.
_rows = st.lists(
    st.tuples(
        st.one_of(st.none(), st.integers(1 - 2**31, 2**31 - 1)),
        st.one_of(st.none(), st.integers(1 - 2**63, 2**63 - 1)),
        _doubles,
        _texts,
        _places,
        _places,
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(rows=_rows)
def test_random_tables_are_the_same_by_every_way(tmp_path_factory, rows):
    wkts = [f"POINT ({x!r} {y!r})" for *_, x, y in rows]
    kinds = (ogr.OFTInteger, ogr.OFTInteger64, ogr.OFTReal, ogr.OFTString)
    values = {
        name: (kind, [row[k] for row in rows]) for k, (name, kind) in enumerate(zip("ilrs", kinds))
    }
    layer = gpkg(tmp_path_factory.mktemp("t") / "a.gpkg", wkts, values)
    assert_as_the_loop(layer, FILE)
    layer.startEditing()
    assert_as_the_loop(layer, COPY)
    layer.rollBack()
    assert_as_the_loop(QgsProcessingFeatureSource(layer, QgsProcessingContext()), LOOP)
    copy = memory(
        "field=i:integer&field=l:int8&field=r:double&field=s:string",
        [row[:4] for row in rows],
        wkts,
    )
    assert_as_the_loop(copy, COPY)
