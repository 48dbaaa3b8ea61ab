"""Read logs and Soundings from point layer in the real QGIS."""

import pytest
from qgis.core import QgsProcessingContext, QgsProcessingException, QgsVectorLayer

HEAD = "lon,lat,time,depth_ft,water_temp_f\n"


def table(n=30, day="2026-07-09", lon=-93.0):
    return HEAD + "".join(
        f"{lon:.6f},{45 + i * 2e-5:.6f},{day}T14:00:{i:02d}Z,{10 + i / 10:.1f},68\n"
        for i in range(n)
    )


@pytest.fixture
def folder(tmp_path):
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "a.csv").write_text(table() + "-93.0,45.0,,,\n")
    (logs / "b.csv").write_text(table(day="2026-08-01", lon=-93.001))
    (logs / "empty.txt").write_text("")
    return logs


def column(layer, name):
    return [feature[name] for feature in layer.getFeatures()]


def test_folder_to_soundings(run, folder, feedback):
    result = run(
        "readlogs",
        {"INPUT": [str(folder)], "OUTPUT": "TEMPORARY_OUTPUT", "UNREAD": "TEMPORARY_OUTPUT"},
        feedback,
    )
    layer = result["OUTPUT"]
    assert layer.crs().authid() == "EPSG:32615"
    assert (result["SOUNDINGS"], result["VISITS"], result["UNREAD_COUNT"]) == (60, 2, 2)
    assert layer.featureCount() == 60
    first = next(layer.getFeatures())
    # 10 ft by definition, 68 F; 45 N 93 W in UTM by PROJ.
    assert first["raw_depth_m"] == pytest.approx(3.048)
    assert first["water_temp_c"] == pytest.approx(20.0)
    assert first["time"].toUTC().toString("yyyy-MM-ddTHH:mm:ss") == "2026-07-09T14:00:00"
    point = first.geometry().asPoint()
    assert (point.x(), point.y()) == pytest.approx((500000.0, 4982950.4002), abs=1e-3)
    assert set(column(layer, "visit")) == {"2026-07-09", "2026-08-01"}
    assert set(column(layer, "status")) == {"accepted"}
    assert set(column(layer, "lane")) == {1}
    unread = sorted((f["line"], f["reason"]) for f in result["UNREAD"].getFeatures())
    assert unread == [
        (0, "The file is empty. Choose another log."),
        (32, "no depth or not a number"),
    ]
    assert "depth = 'depth_ft'" in feedback.text
    assert "empty.txt: The file is empty. Choose another log." in feedback.text
    assert "Not read, no depth or not a number: 1" in feedback.text


def test_a_unit_that_had_to_be_assumed_is_a_warning(run, tmp_path, feedback):
    path = tmp_path / "bare.csv"
    path.write_text("lon,lat,depth\n-93.0,45.0,10\n-93.0,45.00001,11\n")

    def corrections(**options):
        result = run(
            "readlogs", {"INPUT": [str(path)], "OUTPUT": "TEMPORARY_OUTPUT", **options}, feedback
        )
        assert result["ASSUMED"] == ("" if options else sentence)
        return set(column(result["OUTPUT"], "corrections"))

    sentence = "The depth unit is not stated, so meters are assumed. File: bare.csv."
    assert corrections() == {"from=unknown;depth_unit=assumed m"}
    assert sentence in feedback.warnings
    assert feedback.messages.count(sentence) == 1
    feedback.warnings.clear()
    assert corrections(DEPTH_UNIT="ft", DEPTH_FROM="surface") == {"from=surface"}
    assert sentence not in feedback.warnings


def test_given_columns_crs_and_visit(run, tmp_path):
    path = tmp_path / "xy.txt"
    path.write_text("500000.0 4982950.4 10\n500002.0 4982950.4 11\n")
    result = run(
        "readlogs",
        {
            "INPUT": [str(path)],
            "COLUMNS": "x=1, y=2, depth=3",
            "CRS": "EPSG:32615",
            "DEPTH_UNIT": "ft",
            "VISIT": "Fall",
            "OUTPUT": str(tmp_path / "out.gpkg"),
        },
    )
    layer = QgsVectorLayer(result["OUTPUT"], "out", "ogr")
    assert column(layer, "depth_m") == pytest.approx([3.048, 3.3528])
    assert set(column(layer, "visit")) == {"Fall"}
    assert [f.geometry().asPoint().x() for f in layer.getFeatures()] == pytest.approx(
        [500000.0, 500002.0], abs=1e-4
    )


def test_unusable_input_is_said_and_leaves_no_file(run, tmp_path, recorder, folder):
    out = tmp_path / "out"
    out.mkdir()
    bad = tmp_path / "picture.png"
    bad.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(50))
    for given, reason in [
        ([str(bad)], "PNG image"),
        ([str(tmp_path / "nowhere.log")], "no file or folder"),
        ([str(folder / "empty.txt")], "file is empty"),
    ]:
        with pytest.raises(QgsProcessingException, match=reason):
            run("readlogs", {"INPUT": given, "OUTPUT": str(out / "a.gpkg")})
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "readlogs",
            {"INPUT": [str(folder)], "OUTPUT": str(out / "a.gpkg")},
            recorder(cancel_at=20),
        )
    assert list(out.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "parameters", "reason"),
    [
        ("readlogs", {"COLUMNS": "wet=3"}, "column role"),
        ("readlogs", {"TIME_ZONE": "Lake/Nowhere"}, "Time zone"),
        ("readpointlayer", {"TIME_ZONE": "Lake/Nowhere"}, "Time zone"),
    ],
)
def test_options_are_checked_beforehand(provider, name, parameters, reason):
    algorithm = provider.algorithm(name)
    ok, message = algorithm.checkParameterValues(
        {"INPUT": ["x"], "OUTPUT": "memory:", **parameters}, QgsProcessingContext()
    )
    assert not ok
    assert reason in message


def test_point_layer_with_fields(run, memory_layer, feedback):
    layer = memory_layer(
        "Point",
        ["POINT(-93 45)", "POINT(-93 45.0001)", None, "POINT(-93 45.0002)"],
        "EPSG:4326",
        "field=d:double&field=t:string&field=trip:string&field=temp:double",
        [
            [10.0, "2026-07-09T09:23:06", "A", 68.0],
            [20.0, "2026-07-09T09:23:05", "A", None],
            [5.0, "", "A", 68.0],
            [None, "2026-07-09T09:23:07", "A", 68.0],
        ],
    )
    result = run(
        "readpointlayer",
        {
            "INPUT": layer,
            "DEPTH_FIELD": "d",
            "DEPTH_UNIT": "ft",
            "TIME_FIELD": "t",
            "TIME_ZONE": "America/Chicago",
            "VISIT_FIELD": "trip",
            "TEMPERATURE_FIELD": "temp",
            "TEMPERATURE_UNIT": "F",
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    got = result["OUTPUT"]
    assert got.crs().authid() == "EPSG:32615"
    assert (result["SOUNDINGS"], result["VISITS"], result["LEFT_OUT"]) == (2, 1, 2)
    assert column(got, "depth_m") == pytest.approx([3.048, 6.096])
    assert column(got, "water_temp_c")[0] == pytest.approx(20.0)
    times = [t.toUTC().toString("HH:mm:ss") for t in column(got, "time")]
    assert times == ["14:23:06", "14:23:05"]
    # The layer's own fields stay beside the rows they belong to.
    assert column(got, "d") == [10.0, 20.0]
    assert "Left out, no geometry: 1" in feedback.text


def test_point_layer_with_z_up_and_multipoints(run, memory_layer):
    layer = memory_layer("MultiPointZ", ["MULTIPOINTZ((500000 4982950 -3),(500001 4982950 -4))"])
    got = run(
        "readpointlayer", {"INPUT": layer, "POSITIVE": "upward", "OUTPUT": "TEMPORARY_OUTPUT"}
    )["OUTPUT"]
    assert column(got, "depth_m") == [3.0, 4.0]
    flat = memory_layer("Point", ["POINT(500000 4982950)"])
    with pytest.raises(QgsProcessingException, match="no Z. Choose the depth field from: none"):
        run("readpointlayer", {"INPUT": flat, "OUTPUT": "TEMPORARY_OUTPUT"})


def test_point_layer_datetimes_and_a_soundings_layer_of_our_own(run, folder):
    first = run("readlogs", {"INPUT": [str(folder)], "OUTPUT": "TEMPORARY_OUTPUT"})["OUTPUT"]
    again = run(
        "readpointlayer",
        {
            "INPUT": first,
            "DEPTH_FIELD": "depth_m",
            "TIME_FIELD": "time",
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
    )["OUTPUT"]
    for name in ("depth_m", "visit", "lane"):
        assert column(again, name) == column(first, name)
    assert [t.toMSecsSinceEpoch() for t in column(again, "time")] == [
        t.toMSecsSinceEpoch() for t in column(first, "time")
    ]


def test_a_unit_in_the_name_of_the_field_is_compared(run, memory_layer, feedback):
    layer = memory_layer(
        "Point",
        ["POINT(400000 5150000)", "POINT(400002 5150000)"],
        "EPSG:32615",
        "field=depth_ft:double",
        [[10.0], [11.0]],
    )
    run(
        "readpointlayer",
        {"INPUT": layer, "DEPTH_FIELD": "depth_ft", "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert "'depth_ft' suggests feet, but the depth unit is meters" in "".join(feedback.warnings)
