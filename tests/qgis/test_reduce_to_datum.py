"""Reduce to lake datum in the real QGIS."""

import pytest
from qgis.core import QgsProcessingContext, QgsProcessingException, QgsVectorLayer

FOOT = 0.3048
# Worked by hand: 08:00 2.40 ft, 12:00 2.34 ft, 16:00 2.50 ft, datum 2.00 ft: 20.00 ft at 09:00,
# 13:30 and 15:00 are 19.615, 19.600 and 19.540 ft.
EXPECTED = [19.615 * FOOT, 19.600 * FOOT, 19.540 * FOOT]
FIELDS = (
    "field=visit:string&field=time:datetime&field=raw_depth_m:double&field=depth_m:double"
    "&field=status:string&field=corrections:string"
)


@pytest.fixture
def soundings(memory_layer):
    return memory_layer(
        "Point",
        [f"POINT({400000 + i} 5150000)" for i in range(3)],
        "EPSG:32615",
        FIELDS,
        [
            [visit, f"2026-05-14T{clock}:00", 20 * FOOT, 20 * FOOT, "accepted", "from=surface"]
            for visit, clock in (("A", "09:00"), ("B", "13:30"), ("B", "15:00"))
        ],
    )


@pytest.fixture
def csv(tmp_path):
    def write(text, name="gauge.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


def reduced(run, soundings, feedback=None, **options):
    result = run(
        "reducetodatum",
        {
            "INPUT": soundings,
            "LEVEL_UNIT": "ft",
            "DATUM_ELEVATION": 2.0,
            "OUTPUT": "TEMPORARY_OUTPUT",
            **options,
        },
        feedback,
    )
    return [f["depth_m"] for f in result["OUTPUT"].getFeatures()], result


READINGS = {
    "zone in the text": (
        "time_utc,level_ft\n2026-05-14T16:00:00Z,2.50\n2026-05-14T08:00:00Z,2.40\n"
        "2026-05-14T10:00:00Z,\n2026-05-14T07:00:00-05:00,2.34\n",
        {},
    ),
    "local time": (
        "stage;when;time\n2,40;x;2026-05-14 03:00\n2,34;x;2026-05-14 07:00\n"
        "2,50;x;2026-05-14 11:00\n",
        {"GAUGE_TIME_ZONE": "America/Chicago"},
    ),
    "date and time apart": (
        "Date,Time,Water level (ft)\n2026-05-14,08:00,2.40\n2026-05-14,12:00,2.34\n"
        "2026-05-14,16:00,2.50\n",
        {},
    ),
    "fields given": (
        "time,level,read_at,value\n1,9,2026-05-14 08:00,2.40\n2,9,2026-05-14 12:00,2.34\n"
        "3,9,2026-05-14 16:00,2.50\n",
        {"TIME_FIELD": "read_at", "LEVEL_FIELD": "value"},
    ),
}


@pytest.mark.parametrize("kind", READINGS)
def test_worked_example_from_text_tables(run, soundings, csv, feedback, kind):
    text, options = READINGS[kind]
    depth, result = reduced(run, soundings, feedback, GAUGE=csv(text), **options)
    assert depth == pytest.approx(EXPECTED, abs=1e-6)
    assert result["MEAN_REDUCTION"] == pytest.approx(-0.415 * FOOT)
    first = next(result["OUTPUT"].getFeatures())
    assert first["corrections"] == (
        "from=surface;datum=lake datum;datum_elev_m=0.6096;level_m=0.727;level_sd_m=0.003"
    )
    assert first["raw_depth_m"] == 20 * FOOT
    assert "Visit 'A': 1 soundings, mean lake level 2.385 ft" in feedback.text


def test_worked_example_from_typed_fields(run, soundings, memory_layer):
    gauge = memory_layer(
        "None",
        [None] * 3,
        "EPSG:32615",
        "field=time:datetime&field=level:double",
        [
            [f"2026-05-14T{clock}:00:00", level]
            for clock, level in (("08", 2.40), ("12", 2.34), ("16", 2.50))
        ],
    )
    assert reduced(run, soundings, GAUGE=gauge)[0] == pytest.approx(EXPECTED, abs=1e-6)


def test_worked_example_from_a_delimited_text_layer(run, soundings, csv):
    path = csv(
        "time,level\n2026-05-14T08:00:00,2.40\n2026-05-14T12:00:00,2.34\n2026-05-14T16:00:00,2.50\n"
    )
    layer = QgsVectorLayer(f"file://{path}?geomType=none&detectTypes=yes", "gauge", "delimitedtext")
    assert layer.isValid()
    assert reduced(run, soundings, GAUGE=layer)[0] == pytest.approx(EXPECTED, abs=1e-6)


def test_table_of_visits(run, soundings, csv):
    depth, _ = reduced(run, soundings, GAUGE=csv("visit,level\nA,2.4\nB,2.6\n"))
    assert depth == pytest.approx([19.6 * FOOT, 19.4 * FOOT, 19.4 * FOOT])
    with pytest.raises(QgsProcessingException, match="no lake level for visit 'B'"):
        reduced(run, soundings, GAUGE=csv("outing,level\nA,2.4\n", "one.csv"), VISIT_FIELD="outing")


def test_one_level_and_no_second_run(run, soundings):
    depth, result = reduced(run, soundings, LAKE_LEVEL=3.0, DATUM_NAME="low water")
    assert depth == pytest.approx([19.0 * FOOT] * 3)
    with pytest.raises(QgsProcessingException, match="visits 'A', 'B' are already reduced"):
        reduced(run, result["OUTPUT"], LAKE_LEVEL=3.0)


def test_outside_the_readings(run, soundings, csv, feedback):
    short = csv("time,level\n2026-05-14T08:00,2.40\n2026-05-14T12:00,2.34\n")
    with pytest.raises(
        QgsProcessingException, match=r"2 soundings of visit 'B'.*also hold the first and last"
    ):
        reduced(run, soundings, GAUGE=short)
    depth, result = reduced(run, soundings, feedback, GAUGE=short, HOLD_READINGS=True)
    assert depth == pytest.approx([19.615 * FOOT, 19.66 * FOOT, 19.66 * FOOT])
    assert result["OUTSIDE_READINGS"] == 2
    assert "after the last reading: 2" in feedback.text


def test_bad_tables_are_told(run, soundings, csv):
    with pytest.raises(
        QgsProcessingException, match=r"'bad' has no field that looks like level.*'b'"
    ):
        reduced(run, soundings, GAUGE=csv("a,b\n1,2\n", "bad.csv"))
    words = csv("time,level\n2026-05-14T08:00,2\n2026-05-15,low\n", "words.csv")
    with pytest.raises(QgsProcessingException, match=r"Row 2 .*'low' is not a number"):
        reduced(run, soundings, GAUGE=words)
    with pytest.raises(QgsProcessingException, match="row 1 has a lake level but no time"):
        reduced(run, soundings, GAUGE=csv("time,level\nnoonish,2\n", "n.csv"))
    with pytest.raises(QgsProcessingException, match="holds no lake level"):
        reduced(run, soundings, GAUGE=csv("time,level\n", "empty.csv"))


def test_unit_in_the_field_name_is_compared(run, soundings, csv, feedback):
    path = csv("time,level_m\n2026-05-14T08:00,2.4\n2026-05-14T16:00,2.4\n")
    reduced(run, soundings, feedback, GAUGE=path)
    assert "'level_m' looks like meters, but the level unit is feet" in feedback.text


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"DATUM_ELEVATION": 2.0}, "given, but no lake level"),
        ({"LAKE_LEVEL": 3.0, "GAUGE": "x"}, "not both"),
        ({"LAKE_LEVEL": "", "GAUGE": "", "DATUM_ELEVATION": 0.0}, "given, but no lake level"),
        ({"GAUGE": "x", "GAUGE_TIME_ZONE": "Lakeside"}, "'Lakeside'"),
    ],
)
def test_one_source_of_levels_in_a_time_zone_that_exists(provider, given, message):
    ok, text = provider.algorithm("reducetodatum").checkParameterValues(
        {"INPUT": "x", "OUTPUT": "memory:", **given}, QgsProcessingContext()
    )
    assert not ok
    assert message in text


def test_no_level_counts_from_the_water_of_the_day(run, soundings, feedback):
    one = run(
        "reducetodatum",
        {"INPUT": soundings, "NO_LEVEL": "fit to the database later", "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert [f["depth_m"] for f in one["OUTPUT"].getFeatures()] == pytest.approx([20 * FOOT] * 3)
    assert {f["corrections"] for f in one["OUTPUT"].getFeatures()} == {
        "from=surface;datum=water level of 2026-05-14;level=unknown"
    }
    assert one["MIN_LEVEL"] is None
    assert one["ABOVE_DATUM"] == 0
    told = "The depths of each visit count from the water of its day"
    assert told in "".join(feedback.warnings)
    # Two visits of one day are on one water.
    day = run("reducetodatum", {"INPUT": soundings, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert [f["depth_m"] for f in day["OUTPUT"].getFeatures()] == pytest.approx([20 * FOOT] * 3)
    assert "the water level of 2026-05-14, the only day" in "".join(feedback.warnings)


def test_outings_that_do_not_meet_are_refused(run, memory_layer):
    layer = memory_layer(
        "Point",
        [f"POINT({400000 + i} 5150000)" for i in range(4)],
        "EPSG:32615",
        FIELDS,
        [
            [visit, f"2026-05-{day}T12:00:0{i}", 6.0, 6.0, "accepted", "from=surface"]
            for i, (visit, day) in enumerate((("A", 14), ("A", 14), ("B", 20), ("B", 20)))
        ],
    )
    with pytest.raises(QgsProcessingException, match="No lake level is known, and visit 'B'"):
        run("reducetodatum", {"INPUT": layer, "OUTPUT": "TEMPORARY_OUTPUT"})


def test_a_datum_that_is_not_given_is_the_first_level(run, soundings, csv, feedback):
    result = run(
        "reducetodatum",
        {
            "INPUT": soundings,
            "GAUGE": csv("visit,level\nA,2.4\nB,2.6\n"),
            "LEVEL_UNIT": "ft",
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    depth = [f["depth_m"] for f in result["OUTPUT"].getFeatures()]
    # 2.4 ft are 0.7315 m to the tenth of a millimetre that corrections hold.
    assert depth == pytest.approx([20 * FOOT, 19.8 * FOOT, 19.8 * FOOT], abs=1e-4)
    assert (
        "count from the lake level of the first visit, 2.400 ft ('lake level of 2026-05-14')"
        in "".join(feedback.warnings)
    )


def test_what_is_unlikely_is_a_warning(run, soundings, feedback):
    reduced(run, soundings, feedback, LAKE_LEVEL=8.0)
    assert "The lake stood up to 1.83 m above the lake datum" in "".join(feedback.warnings)
    reduced(run, soundings, feedback, LAKE_LEVEL=25.0)
    assert "100.0% of the accepted soundings are above the shoreline" in feedback.text


def test_cancel_leaves_no_file(run, soundings, recorder, tmp_path):
    target = tmp_path / "reduced.gpkg"
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "reducetodatum",
            {"INPUT": soundings, "LAKE_LEVEL": 2.0, "OUTPUT": str(target)},
            recorder(cancel_at=1),
        )
    assert list(tmp_path.iterdir()) == []
