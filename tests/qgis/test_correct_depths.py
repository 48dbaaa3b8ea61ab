"""Correct depths in the real QGIS."""

import pytest
from qgis.core import QgsProcessingContext, QgsProcessingException

FIELDS = (
    "field=visit:string&field=time:datetime&field=raw_depth_m:double&field=depth_m:double"
    "&field=water_temp_c:double&field=status:string&field=corrections:string"
)


@pytest.fixture
def soundings(memory_layer):
    def make(temperature=12.778, rows=20, crs="EPSG:32615"):
        # 30.00 ft below the transducer every second along 2 m/s; 55 F is 12.778 degrees C.
        return memory_layer(
            "Point",
            [f"POINT({400000 + 2 * i} 5150000)" for i in range(rows)],
            crs,
            FIELDS,
            [
                [
                    "May",
                    f"2026-05-14T09:00:{i:02d}",
                    9.144,
                    9.144,
                    temperature,
                    "spike" if i == 3 else "accepted",
                    "from=transducer",
                ]
                for i in range(rows)
            ],
            name="pings",
        )

    return make


def column(layer, name):
    return [feature[name] for feature in layer.getFeatures()]


def test_worked_example(run, soundings, feedback):
    result = run(
        "correctdepths",
        {"INPUT": soundings(), "DRAFT": 0.3048, "TIME_OFFSET": 0.5, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    layer = result["OUTPUT"]
    # Worked by hand with Marczak (1997): 30.00 ft at 55 F, draft 1 ft: 30.159 ft.
    assert column(layer, "depth_m") == pytest.approx([30.159 * 0.3048] * 20, abs=2e-4)
    assert column(layer, "raw_depth_m") == [9.144] * 20
    assert column(layer, "status").count("spike") == 1
    assert set(column(layer, "corrections")) == {
        "from=transducer;time_offset_s=0.5;draft_m=0.3048;sound_speed=1500->1458.0"
    }
    # v tau = 2 m/s * 0.5 s.
    assert [f.geometry().asPoint().x() for f in layer.getFeatures()] == pytest.approx(
        [400001 + 2 * i for i in range(20)]
    )
    assert result["MEAN_CORRECTION"] == pytest.approx(0.159 * 0.3048, abs=2e-4)
    assert result["MEAN_SOUND_SPEED"] == pytest.approx(1457.951, abs=2e-3)
    assert result["MEAN_SHIFT"] == pytest.approx(1.0)
    assert result["MEAN_UNCERTAINTY"] > 0.05
    assert "Visit 'May': 20 soundings, water 12.8 °C" in feedback.text


def test_second_run_is_refused_unless_started_again(run, soundings, feedback):
    once = run("correctdepths", {"INPUT": soundings(), "OUTPUT": "TEMPORARY_OUTPUT"})["OUTPUT"]
    with pytest.raises(QgsProcessingException, match="'May' were corrected before"):
        run("correctdepths", {"INPUT": once, "OUTPUT": "TEMPORARY_OUTPUT"})
    again = run(
        "correctdepths",
        {
            "INPUT": once,
            "FROM_RAW": True,
            "ACTUAL_SOUND_SPEED": 1500.0,
            "DRAFT": 0.0,
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
        feedback,
    )["OUTPUT"]
    assert column(again, "depth_m") == pytest.approx([9.144] * 20)
    assert "undone: draft_m, sound_speed, time_offset_s" in feedback.text


def test_visit_without_temperature(run, soundings, feedback):
    bare = soundings(temperature=None)
    plain = run(
        "correctdepths", {"INPUT": bare, "DRAFT": 0.3048, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback
    )
    # Marczak (1997) at 4 and 25 degrees C: 1421.633 and 1496.728 m/s; by hand.
    assert column(plain["OUTPUT"], "depth_m") == pytest.approx(
        [9.144 * 1459.1804 / 1500.0 + 0.3048] * 20, abs=1e-4
    )
    assert plain["MEAN_SOUND_SPEED"] == pytest.approx(1459.18, abs=0.01)
    assert set(column(plain["OUTPUT"], "corrections")) == {
        "from=transducer;time_offset_s=0;draft_m=0.3048;sound_speed=1500->1459.2;"
        "sound_speed_sd=37.55"
    }
    assert "No water temperature is known for visit 'May'" in feedback.text
    assert "2.6% of depth" in feedback.text
    done = run(
        "correctdepths",
        {"INPUT": bare, "WATER_TEMPERATURE": 12.778, "DRAFT": 0.3048, "OUTPUT": "TEMPORARY_OUTPUT"},
    )
    assert column(done["OUTPUT"], "depth_m") == pytest.approx([30.159 * 0.3048] * 20, abs=2e-4)
    run(
        "correctdepths",
        {"INPUT": bare, "KEEP_ASSUMED_SPEED": True, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert "keep the assumed sound speed: May" in feedback.text


def test_both_temperature_and_speed_are_refused(provider):
    algorithm = provider.algorithm("correctdepths")
    ok, message = algorithm.checkParameterValues(
        {
            "INPUT": "x",
            "WATER_TEMPERATURE": 10.0,
            "ACTUAL_SOUND_SPEED": 1450.0,
            "OUTPUT": "memory:",
        },
        QgsProcessingContext(),
    )
    assert not ok
    assert "not both" in message


def test_degrees_are_projected(run, memory_layer, feedback):
    layer = memory_layer(
        "Point",
        ["POINT(-94.6 46.45)", "POINT(-94.6 46.451)"],
        "EPSG:4326",
        "field=depth_m:double&field=water_temp_c:double",
        [[5.0, 20.0], [6.0, 20.0]],
    )
    result = run("correctdepths", {"INPUT": layer, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert result["OUTPUT"].crs().authid() == "EPSG:32615"
    assert "does not say where depth counts from (2 soundings)" in feedback.text


def test_cancel_leaves_no_file(run, soundings, recorder, tmp_path):
    target = tmp_path / "corrected.gpkg"
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("correctdepths", {"INPUT": soundings(), "OUTPUT": str(target)}, recorder(cancel_at=1))
    assert list(tmp_path.iterdir()) == []


def _deep(memory_layer):
    return memory_layer(
        "Point",
        ["POINT(400000 5150000)", "POINT(400010 5150000)"],
        "EPSG:32615",
        "field=visit:string&field=depth_m:double&field=raw_depth_m:double&field=water_temp:double"
        "&field=status:string&field=corrections:string",
        [["July", 15.24, 15.24, 23.9, "accepted", ""], ["May", 15.24, 15.24, 8.0, "accepted", ""]],
        name="deep",
    )


def _table(tmp_path, text):
    path = tmp_path / "profile.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_a_table_of_temperatures(run, memory_layer, feedback, tmp_path):
    layer = _deep(memory_layer)
    table = _table(
        tmp_path, "Depth_ft,Temp_F,visit\n0,75,July\n20,75,July\n20,45,July\n60,45,July\n"
    )
    plain = run(
        "correctdepths", {"INPUT": layer, "DRAFT": 0.0, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback
    )
    assert "Only the temperature of the surface is known for visit 'July'" in feedback.text
    found = run(
        "correctdepths",
        {"INPUT": layer, "DRAFT": 0.0, "TEMPERATURE_PROFILE": table, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert (
        "Temperature profile for visit 'July': 23.9 °C at 0.0 m to 7.2 °C at 18.3 m"
        in feedback.text
    )
    before, after = ([f for f in r["OUTPUT"].getFeatures()] for r in (plain, found))
    # 20 ft of warm water and cold water below: about 1.2 ft less than by the surface alone.
    assert before[0]["depth_m"] - after[0]["depth_m"] == pytest.approx(0.36, abs=0.02)
    assert "sound_speed_from=profile" in after[0]["corrections"]
    assert after[1]["depth_m"] == before[1]["depth_m"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a,temp\n1,50\n", "has no field whose name begins with 'depth'"),
        (
            "depth,temp\n1,75\n-2,60\n",
            "Table 'profile' of temperatures: The depth -0.6096 m is above",
        ),
        ("depth,temp,visit\n1,warm,July\n", "row 1: field 'temp' holds 'warm'"),
        (
            "depth,temp,visit\n1,212,July\n",
            "visit 'July' of temperatures: The water temperature of",
        ),
    ],
)
def test_a_table_that_cannot_be(run, memory_layer, tmp_path, text, says):
    with pytest.raises(QgsProcessingException, match=says):
        run(
            "correctdepths",
            {
                "INPUT": _deep(memory_layer),
                "TEMPERATURE_PROFILE": _table(tmp_path, text),
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )


def test_two_waters_are_refused(run, memory_layer, tmp_path):
    with pytest.raises(QgsProcessingException, match="A temperature profile is given, and a water"):
        run(
            "correctdepths",
            {
                "INPUT": _deep(memory_layer),
                "TEMPERATURE_PROFILE": _table(tmp_path, "depth,temp\n1,50\n"),
                "WATER_TEMPERATURE": 10.0,
                "OUTPUT": "TEMPORARY_OUTPUT",
            },
        )
