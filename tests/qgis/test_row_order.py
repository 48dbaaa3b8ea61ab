"""Results do not depend on the order of rows: shuffled or by place, the same soundings give the
same numbers, rasters and rows, and what is written back keeps the rows' order and further fields.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsPoint,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeatureSource,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)

from lakefloor.algorithms import algorithm_classes
from lakefloor.algorithms._io import params
from lakefloor.algorithms._io.given_rows import GivenRows
from lakefloor.algorithms._io.inputs import Inputs
from lakefloor.algorithms._io.soundings_layer import read_given
from lakefloor.algorithms._io.values import milliseconds, to_qdatetime
from lakefloor.algorithms._sheets.layer_facts import collect_facts
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.shared_copy import shared_soundings
from lakefloor.algorithms.core.soundings import SCHEMA, Soundings, concatenate
from lakefloor.algorithms.core.wording.sheet_facts import SheetSettings

UTM15, X, Y = QgsCoordinateReferenceSystem("EPSG:32615"), 500_000.0, 5_100_000.0
ORDERS = ("shuffled", "by place")
KINDS = {"text": "string", "int": "integer", "double": "double", "datetime": "datetime"}
DATUM = "from=transducer;datum=pool;datum_elev_m=0.5;level_m=0.700"
WIDE, HIGH = 180.0, 130.0


def depth_at(x, y):
    """A basin 8 m deep with a hump; x and y from its middle, m."""
    return 8.0 * (1.0 - (x / WIDE) ** 2 - (y / HIGH) ** 2) - 3.0 * np.exp(
        -((x - 60.0) ** 2 + (y + 20.0) ** 2) / 900.0
    )


def outing(visit, across, spacing, every_ms, stamp_ms, seed, shift=0.0):
    """Lanes there and back, cut off at the shore; stamps are cut to ``stamp_ms``."""
    rng = np.random.default_rng(seed)
    x, y, lane = [], [], []
    reach, side = (HIGH, WIDE) if across else (WIDE, HIGH)
    for k, at in enumerate(np.arange(-side + spacing / 2, side, spacing)):
        u = np.arange(-reach, reach, 2.2)
        u, v = (u if k % 2 == 0 else u[::-1]), np.full(u.size, at)
        x.append(v if across else u)
        y.append(u if across else v)
        lane.append(np.full(u.size, k + 1))
    x, y, lane = (np.concatenate(c) for c in (x, y, lane))
    n = x.size
    ms = np.arange(n) * every_ms // stamp_ms * stamp_ms
    time = np.datetime64(f"{visit}T15:00:00.000") + ms.astype("timedelta64[ms]")
    x, y = x + rng.normal(0.0, 0.5, n), y + rng.normal(0.0, 0.5, n)
    depth = depth_at(x, y) + rng.normal(0.0, 0.04, n) + shift
    depth[::90] *= 2.0
    status = np.full(n, "accepted", dtype=object)
    status[::90] = "spike along track"
    hard = 0.3 + 0.4 * (x > 20.0) + rng.normal(0.0, 0.03, n)
    afloat = depth_at(x, y) > 0.4
    return Soundings.build(
        X + x,
        Y + y,
        np.round(depth, 2),
        time=time,
        visit=visit,
        lane=lane,
        status=status,
        uncert=0.1,
        hardness=hard.clip(0.0, 1.0),
        water_temp=18.0 + 0.01 * np.arange(n) / n,
        corrections=DATUM,
    ).select(afloat)


def soundings_layer(soundings, order, name="Soundings"):
    """A layer as the algorithms write it, and two fields of the user's own."""
    fields = [(field, KINDS[kind]) for field, (_, kind) in SCHEMA.items()]
    spec = "&".join(f"field={f}:{k}" for f, k in [("own", "integer"), *fields, ("note", "string")])
    layer = QgsVectorLayer(f"Point?crs=EPSG:32615&{spec}", name, "memory")
    columns = [getattr(soundings, attr).tolist() for attr, _ in SCHEMA.values()]
    columns[2] = [to_qdatetime(t) for t in soundings.time]
    features = []
    for row in order.tolist():
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry(QgsPoint(soundings.x[row], soundings.y[row])))
        feature.setAttributes([row, *(c[row] for c in columns), f"of row {row}"])
        features.append(feature)
    assert layer.dataProvider().addFeatures(features)[0]
    layer.updateExtents()
    return layer


class Lake:
    """The same soundings in three orders of rows, and what else the algorithms take."""

    def __init__(self, folder, run):
        logged = concatenate(
            [
                outing("2025-05-17", False, 20.0, 1000, 1, 1),
                # Two pings a second with stamps of a second, and water 0.2 m higher.
                outing("2025-08-09", True, 40.0, 500, 1000, 2, shift=0.2),
            ]
        )
        self.logged, n = logged, len(logged)
        self.orders = {
            "logged": np.arange(n),
            "shuffled": np.random.default_rng(12).permutation(n),
            "by place": np.lexsort((logged.y, logged.x)),
        }
        raw = logged.replace(corrections=np.full(n, "from=transducer", dtype=object))
        first = logged.visit == "2025-05-17"
        ungauged = np.where(first, DATUM, "from=transducer").astype(object)
        known = {"ready": logged, "raw": raw, "ungauged": logged.replace(corrections=ungauged)}
        self.layers = {
            (kind, order): soundings_layer(soundings, rows)
            for kind, soundings in known.items()
            for order, rows in self.orders.items()
        }
        angle = np.linspace(0.0, 2.0 * np.pi, 120)
        ring = ", ".join(f"{X + WIDE * np.cos(a)} {Y + HIGH * np.sin(a)}" for a in angle)
        self.shoreline = QgsVectorLayer("Polygon?crs=EPSG:32615", "Shoreline", "memory")
        feature = QgsFeature()
        feature.setGeometry(QgsGeometry.fromWkt(f"POLYGON(({ring}))"))
        self.shoreline.dataProvider().addFeatures([feature])
        self.shoreline.updateExtents()
        self.surface = run(
            "tinsurface",
            {
                "INPUT": self.layers["ready", "logged"],
                "SHORELINE": self.shoreline,
                "CELL_SIZE": 4.0,
                "MAX_GAP": 60.0,
                "OUTPUT": str(folder / "surface.tif"),
            },
        )["OUTPUT"]
        self.bottom = run(
            "bottomtype",
            {
                "INPUT": self.layers["ready", "logged"],
                "SURFACE": self.surface,
                "OUTPUT": str(folder / "bottom.tif"),
            },
        )["OUTPUT"]
        self.contours = run(
            "depthcontours", {"INPUT": self.surface, "OUTPUT": str(folder / "contours.gpkg")}
        )["OUTPUT"]


@pytest.fixture(scope="module")
def lake(provider, tmp_path_factory):
    import processing

    made = Lake(
        tmp_path_factory.mktemp("lake"),
        lambda name, parameters: processing.run(f"lakefloor:{name}", parameters),
    )
    yield made
    made.layers.clear()
    made.shoreline = None


TEMPORARY = "TEMPORARY_OUTPUT"
GRIDDED = ("INPUT", "ready", {"CELL_SIZE": 4.0, "MAX_GAP": 60.0, "OUTPUT": "surface.tif"})

#: Of each algorithm that takes soundings: the parameter, the kind of soundings, and others. A text
#: that ends like a file is the name of a file.
CASES = {
    "readpointlayer": (
        "INPUT",
        "ready",
        {
            "DEPTH_FIELD": "raw_depth_m",
            "TIME_FIELD": "time",
            "VISIT_FIELD": "visit",
            "HARDNESS_FIELD": "hardness",
            "OUTPUT": TEMPORARY,
        },
    ),
    "cleansoundings": (
        "INPUT",
        "ready",
        {"FORGET_EARLIER": True, "OUTPUT": TEMPORARY, "COUNTS": TEMPORARY},
    ),
    "findtimeoffset": (
        "INPUT",
        "ready",
        {"MAX_DISTANCE": 8.0, "TIME_OFFSETS": TEMPORARY, "REPORT": "offset.html"},
    ),
    "findbeamwidth": ("INPUT", "ready", {"CELL_SIZE": 4.0, "MAX_GAP": 60.0, "PLACES": TEMPORARY}),
    "correctdepths": ("INPUT", "raw", {"DRAFT": 0.3, "TIME_OFFSET": 0.4, "OUTPUT": TEMPORARY}),
    "reducetodatum": (
        "INPUT",
        "raw",
        {"LAKE_LEVEL": 0.7, "DATUM_ELEVATION": 0.5, "OUTPUT": TEMPORARY},
    ),
    "uncertaintybudget": ("INPUT", "ready", {"OUTPUT": TEMPORARY, "TERMS": TEMPORARY}),
    "checkcrosslines": ("INPUT", "ready", {"CROSSINGS": TEMPORARY, "REPORT": "crossings.html"}),
    "adjustvisits": (
        "INPUT",
        "ungauged",
        {"OUTPUT": TEMPORARY, "OFFSETS": TEMPORARY, "DIFFERENCES": TEMPORARY},
    ),
    # The second visit is 0.2 m off, which the first look finds.
    "addtodatabase": (
        "INPUT",
        "ready",
        {
            "DATABASE": "store.gpkg",
            "FINDINGS": "enter all the same",
            "CHANGED": TEMPORARY,
            "LOOK": TEMPORARY,
        },
    ),
    "reviewsoundings": ("INPUT", "ready", {"DATABASE": "own.gpkg", "REASON": "fish"}),
    "mergedatabases": (
        "COPY",
        "ready",
        {"DATABASE": "own.gpkg", "OFFSETS": "none", "OUTPUT": "merged.gpkg"},
    ),
    "tinsurface": GRIDDED,
    "idwsurface": GRIDDED,
    "smoothsurface": GRIDDED,
    "comparemethods": (
        "INPUT",
        "ready",
        {"CELL_SIZE": 4.0, "MAX_GAP": 60.0, "TABLE": TEMPORARY, "REPORT": "methods.html"},
    ),
    "bottomtype": (
        "INPUT",
        "ready",
        {
            "ADJUST_VISITS": "at overlaps",
            "OUTPUT": "bottom.tif",
            "AREAS": TEMPORARY,
            "REPORT": "bottom.html",
        },
    ),
    "hardsofttransitions": ("SOUNDINGS", "ready", {"OUTPUT": TEMPORARY}),
    "lakeproject": ("SOUNDINGS", "ready", {"OUTPUT": "lake.qgz"}),
    "copytoshare": (
        "LAYERS",
        "ready",
        {"COARSEN": 15.0, "EXTRA_FIELDS": "hardness", "OUTPUT": "copy"},
    ),
}

#: When the rows of a store were written.
WRITTEN = {("visits", "added"), ("history", "time")}

#: What these say of the soundings is read by one routine, :func:`collect_facts`.
BY_FACTS = {"mapsheet", "lakereport", "structuresheets", "phonepackage"}


def takes_soundings(algorithm):
    help_ = params.soundings().help()
    return any(
        p.help() == help_ or p.name() == "SOUNDINGS" or p.description() == "Soundings"
        for p in algorithm.parameterDefinitions()
        if not p.isDestination()
    )


def test_every_algorithm_that_takes_soundings_is_tested(provider):
    found = {a.NAME for a in (cls().create() for cls in algorithm_classes()) if takes_soundings(a)}
    # These take points or layers of any kind.
    assert found | {"readpointlayer", "mergedatabases", "copytoshare"} == set(CASES) | BY_FACTS


def outcome(lake, run, name, order, folder, kind=None):
    """Run an algorithm on the soundings in an order; return its results with files in a folder."""
    folder.mkdir()
    parameter, usual, others = CASES[name]
    layer = lake.layers[kind or usual, order]
    given = {
        key: str(folder / value)
        if isinstance(value, str) and (Path(value).suffix or value == "copy")
        else value
        for key, value in others.items()
    }
    if name in ("mergedatabases", "reviewsoundings"):
        # One's own store has the first visit and half of the second.
        most = np.arange(int(0.8 * len(lake.logged)))
        part = soundings_layer(lake.logged, most)
        run(
            "addtodatabase",
            {"INPUT": part, "DATABASE": given["DATABASE"], "FINDINGS": "enter all the same"},
        )
    given.update(
        {
            "lakeproject": {"SHORELINE": lake.shoreline, "CONTOURS": lake.contours},
            "bottomtype": {"SURFACE": lake.surface},
            "hardsofttransitions": {"INPUT": lake.bottom, "SURFACE": lake.surface},
        }.get(name, {})
    )
    given[parameter] = [layer] if parameter == "LAYERS" else layer
    return run(name, given)


def comparable(results, folder, order):
    """Return results as plain values: numbers, rows of layers, pixels of rasters, texts."""
    found = {}
    for key, value in results.items():
        if isinstance(value, QgsVectorLayer):
            found[key] = rows_of(value, order)
        elif not (isinstance(value, str) and value.startswith(str(folder))):
            found[key] = value
    for path in sorted(folder.rglob("*")):
        if path.suffix == ".tif":
            found[path.name] = pixels(path)
        elif path.suffix == ".gpkg":
            found[path.name] = tables(path, order)
        elif path.suffix in (".html", ".txt"):
            found[path.name] = path.read_text(encoding="utf-8")
    return found


def rows_of(layer, order):
    """Return the rows of a layer; those of soundings, which have the order given, by number."""
    names = layer.fields().names()
    rows = [
        [bytes(f.geometry().asWkb()) if f.hasGeometry() else b"", *f.attributes()]
        for f in layer.getFeatures()
    ]
    if "own" in names:
        own = [row[1 + names.index("own")] for row in rows]
        assert own == order.tolist()
        assert [row[1 + names.index("note")] for row in rows] == [f"of row {i}" for i in own]
        rows = [row for _, row in sorted(zip(own, rows), key=lambda pair: pair[0])]
    if "fid" in names:  # rows are numbered as they come
        at = 1 + names.index("fid")
        rows = [[*row[:at], *row[at + 1 :]] for row in rows]
    # NULL is not NULL, nor is what is no number itself; their texts are.
    return [[v if isinstance(v, (bytes, int, float, str)) else repr(v) for v in r] for r in rows]


def pixels(path):
    dataset = gdal.Open(str(path))
    return dataset.ReadAsArray().tobytes(), dataset.GetMetadata(), dataset.GetGeoTransform()


def tables(path, order):
    """Return the rows of the tables of a GeoPackage but for the time at which they were written."""
    found = {}
    with closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT table_name FROM gpkg_contents ORDER BY 1")]
        for name in names:
            columns = [row[1] for row in db.execute(f'PRAGMA table_info("{name}")')]
            rows = db.execute(f'SELECT * FROM "{name}" ORDER BY fid').fetchall()
            if "own" in columns:
                at = columns.index("own")
                assert [row[at] for row in rows] == order.tolist()
                rows = sorted((row[1:] for row in rows), key=lambda row: row[at - 1])
                columns = columns[1:]
            kept = [i for i, c in enumerate(columns) if (name, c) not in WRITTEN]
            found[name] = [tuple(row[i] for i in kept) for row in rows]
    return found


@pytest.mark.parametrize("name", sorted(CASES))
def test_the_order_of_rows_changes_nothing(lake, run, tmp_path, name):
    found = {}
    for order in lake.orders:
        folder = tmp_path / order
        found[order] = comparable(
            outcome(lake, run, name, order, folder), folder, lake.orders[order]
        )
    assert found["logged"]
    for order in ORDERS:
        assert set(found[order]) == set(found["logged"])
        for key, value in found["logged"].items():
            assert found[order][key] == value, (order, key)


def test_the_survey_is_no_easy_one(lake, run):
    """There is something to find in it, so that equal results say something."""
    crossings = run(
        "checkcrosslines", {"INPUT": lake.layers["ready", "by place"], "CROSSINGS": TEMPORARY}
    )
    assert crossings["BETWEEN"] > 50
    cleaned = run(
        "cleansoundings",
        {"INPUT": lake.layers["ready", "shuffled"], "FORGET_EARLIER": True, "OUTPUT": TEMPORARY},
    )
    assert cleaned["REJECTED"] > 10
    levelled = run(
        "adjustvisits",
        {"INPUT": lake.layers["ungauged", "shuffled"], "OUTPUT": TEMPORARY, "OFFSETS": TEMPORARY},
    )
    assert levelled["MAX_OFFSET"] == pytest.approx(0.2, abs=0.02)


def test_sheets_and_reports_say_the_same(lake, feedback):
    def facts(order):
        layers = {"soundings": lake.layers["ready", order], "shoreline": lake.shoreline}
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        return repr(
            collect_facts(layers, UTM15, SheetSettings("Lake"), Inputs(None, {}, context, feedback))
        )

    assert "crossings=DifferenceStatistics(" in facts("logged")
    for order in ORDERS:
        assert facts(order) == facts("logged")


def test_rows_without_times_say_that_they_have_no_track(lake, run, recorder, memory_layer):
    place = lake.orders["by place"]
    part = lake.logged.select(place)
    fields = "field=depth_m:double"
    wkts = [f"POINT({x} {y})" for x, y in zip(part.x, part.y)]
    layer = memory_layer("Point", wkts, fields=fields, rows=[[d] for d in part.depth.tolist()])
    said = recorder()
    found = run("checkcrosslines", {"INPUT": layer, "CROSSINGS": TEMPORARY}, said)
    assert (found["BETWEEN"], found["WITHIN"]) == (0, 0)
    assert "no usable times" in said.text
    said = recorder()
    run("cleansoundings", {"INPUT": layer, "OUTPUT": TEMPORARY}, said)
    assert "no usable times" in said.text
    said = recorder()
    made = run(
        "readpointlayer", {"INPUT": layer, "DEPTH_FIELD": "depth_m", "OUTPUT": TEMPORARY}, said
    )["OUTPUT"]
    assert "no usable times" in said.text
    assert {f["lane"] for f in made.getFeatures()} == {0}
    with pytest.raises(QgsProcessingException, match="no usable times"):
        run("adjustvisits", {"INPUT": layer, "OUTPUT": TEMPORARY, "OFFSETS": TEMPORARY})


def test_what_tools_of_qgis_leave_counts_alike(lake, run, tmp_path):
    """Clip follows a spatial index, and writes whole seconds in QGIS 3.22; sort goes by place."""
    import processing

    layer = lake.layers["ready", "logged"]

    def crossings(layer):
        found = run("checkcrosslines", {"INPUT": layer, "CROSSINGS": TEMPORARY})
        return {key: found[key] for key in ("BETWEEN", "WITHIN", "RMSE")}

    wanted = crossings(layer)
    assert wanted["BETWEEN"] > 50
    stored = processing.run(
        "native:savefeatures", {"INPUT": layer, "OUTPUT": str(tmp_path / "all.gpkg")}
    )["OUTPUT"]
    around = processing.run(
        "native:buffer", {"INPUT": lake.shoreline, "DISTANCE": 50.0, "OUTPUT": TEMPORARY}
    )["OUTPUT"]
    for tool, options in (
        ("native:clip", {"OVERLAY": around}),
        ("native:extractbylocation", {"INTERSECT": around, "PREDICATE": [0]}),
        ("native:orderbyexpression", {"EXPRESSION": "$x", "ASCENDING": False}),
    ):
        made = processing.run(
            tool, {"INPUT": stored, "OUTPUT": str(tmp_path / f"{tool[7:]}.gpkg"), **options}
        )["OUTPUT"]
        assert crossings(made) == wanted, tool


def test_some_rows_of_a_file_keep_their_order_and_fields(lake, run, tmp_path):
    import processing

    path = str(tmp_path / "all.gpkg")
    processing.run(
        "native:savefeatures", {"INPUT": lake.layers["ready", "shuffled"], "OUTPUT": path}
    )
    layer = QgsVectorLayer(path, "all", "ogr")
    layer.selectByExpression('"own" % 3 = 1')
    context = QgsProcessingContext()
    project = QgsProject.instance()
    project.addMapLayer(layer)
    try:
        selected = QgsProcessingFeatureSourceDefinition(layer.id(), True)
        context.setProject(project)
        made = run(
            "correctdepths",
            {
                "INPUT": selected,
                "DRAFT": 0.3,
                "FROM_RAW": True,
                "OUTPUT": str(tmp_path / "some.gpkg"),
            },
            context=context,
        )["OUTPUT"]
        wanted = [f["own"] for f in layer.getSelectedFeatures()]
    finally:
        project.removeMapLayer(layer.id())
    made = QgsVectorLayer(made, "made", "ogr")
    rows = list(made.getFeatures())
    assert [f["own"] for f in rows] == wanted
    assert made.fields().names()[-2:] == ["own", "note"]
    for f in rows:
        assert f["note"] == f"of row {f['own']}"
        assert f["raw_depth_m"] == lake.logged.raw_depth[f["own"]]
        assert np.datetime64(milliseconds(f["time"]), "ms") == lake.logged.time[f["own"]]


def test_a_layer_changed_in_between_is_no_longer_matched(lake):
    layer = lake.layers["ready", "shuffled"].clone()
    context = QgsProcessingContext()
    source = QgsProcessingFeatureSource(layer, context)
    given = read_given(source, context, QgsProcessingFeedback())[2]
    assert sum(len(columns[0]) for columns in given.further_columns(500)) == len(lake.logged)
    gone = GivenRows(source, given.order, given.ids + 1)
    with pytest.raises(LakefloorError, match="was changed while it was read"):
        list(gone.further_columns(500))


@pytest.mark.parametrize("name", ["tinsurface", "mergedatabases", "addtodatabase", "copytoshare"])
def test_a_coarsened_copy_counts_alike_in_any_order(lake, run, tmp_path, name):
    x, y, depth = shared_soundings(lake.logged, ["depth"], area=None, cell=12.0)
    copy = Soundings.build(x, y, depth, uncert=0.1)
    orders = (
        np.arange(len(copy)),
        np.random.default_rng(3).permutation(len(copy)),
        np.lexsort((copy.x, -copy.y)),
    )
    found = []
    for number, order in enumerate(orders):
        lake.layers["copy", number] = soundings_layer(copy, order)
        folder = tmp_path / str(number)
        results = outcome(lake, run, name, number, folder, "copy")
        found.append(comparable(results, folder, order))
    assert found[0] == found[1] == found[2]
