"""The lake's store from the toolbox, headless, in a model and in a dialog."""

from types import SimpleNamespace

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameters,
    QgsProject,
    QgsVectorLayer,
)

from lakefloor.algorithms import _store
from lakefloor.algorithms._io.outputs import Outputs
from lakefloor.algorithms._io.soundings_layer import read_soundings
from lakefloor.algorithms._store.adding import Added
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.bottom_change import BottomChange
from lakefloor.algorithms.soundings._changes import say_changes
from lakefloor.algorithms.soundings._lake_database import visit_names

UTM = QgsCoordinateReferenceSystem("EPSG:32615")
RAW = "from=transducer"


def visit(name, day, n=1200, seed=0, dx=0.0):
    rng = np.random.default_rng(seed)
    k = np.arange(n)
    lane = k // 150
    y = 5_150_000.0 + np.where(lane % 2, 300 - 2 * (k % 150), 2 * (k % 150))
    x = 400_000.0 + lane * 8.0 + dx + rng.normal(0, 0.2, n)
    depth = 3 + 0.01 * (x - 400_000) + 0.005 * (y - 5_150_000) + rng.normal(0, 0.03, n)
    return Soundings.build(
        x,
        y,
        np.round(depth / 0.03048) * 0.03048,
        visit=name,
        time=np.datetime64(f"{day}T14:00:00.250", "ms") + k * np.timedelta64(500, "ms"),
        lane=lane,
        corrections=RAW,
        water_temp=20.0,
        speed=2.2,
    )


def with_bar(s):
    bar = 0.9 * np.exp(-((s.x - 400_030) ** 2 + (s.y - 5_150_150) ** 2) / (2 * 30.0**2))
    return s.replace(depth=s.depth - bar)


MAY, JUNE = visit("may", "2024-05-14"), visit("june", "2025-06-14", seed=1, dx=1.0)


@pytest.fixture
def layer(provider, tmp_path):
    """Write soundings as the algorithms do; a path, since a failed run would keep a layer."""

    def make(soundings, name, crs=UTM):
        path = str(tmp_path / f"{name}.gpkg")
        algorithm = provider.algorithm("correctdepths").create()
        context = QgsProcessingContext()
        with Outputs(algorithm, {"OUTPUT": path}, context, QgsProcessingFeedback()) as out:
            out.soundings("OUTPUT", soundings, crs)
        return path

    return make


@pytest.fixture
def store(tmp_path):
    (tmp_path / "kept").mkdir()
    return tmp_path / "kept" / "lake.gpkg"


def held(store, **options):
    return concatenate(_store.read(store, **options))


def soundings_of(path):
    layer = QgsVectorLayer(str(path), "out", "ogr")
    parameter = QgsProcessingParameterFeatureSource("INPUT")
    context = QgsProcessingContext()
    source = QgsProcessingParameters.parameterAsSource(parameter, {"INPUT": layer}, context)
    return read_soundings(source, context, QgsProcessingFeedback())[0]


def test_add_again_and_read(run, layer, store, feedback, tmp_path):
    result = run("addtodatabase", {"INPUT": layer(MAY, "may"), "DATABASE": str(store)}, feedback)
    assert (result["ADDED"], result["ALREADY_THERE"]) == (1200, 0)
    assert result["UPDATED_DATABASE"] == str(store)
    before = store.read_bytes()
    again = layer(MAY.replace(visit=np.full(1200, "other", object)), "renamed")
    result = run("addtodatabase", {"INPUT": again, "DATABASE": str(store)}, feedback)
    assert (result["ADDED"], result["ALREADY_THERE"]) == (0, 1200)
    assert "already in the lake database, in visit 'may'" in feedback.text
    assert store.read_bytes() == before
    out = tmp_path / "out.gpkg"
    result = run("readdatabase", {"DATABASE": str(store), "OUTPUT": str(out)})
    assert (result["SOUNDINGS"], result["VISIT_COUNT"]) == (1200, 1)
    back = soundings_of(out)
    for name in ("x", "y", "time", "raw_depth", "depth", "lane", "speed"):
        np.testing.assert_array_equal(getattr(back, name), getattr(MAY, name), err_msg=name)
    assert set(back.corrections) == {f"{RAW};datum=water level of 2024-05-14;level=unknown"}


def test_change_of_the_bottom(run, layer, store, feedback):
    run("addtodatabase", {"INPUT": layer(MAY, "may"), "DATABASE": str(store)})
    newer = layer(with_bar(JUNE), "june")
    result = run(
        "addtodatabase",
        {
            "INPUT": newer,
            "DATABASE": str(store),
            "CHANGE": "newer wins",
            "CHANGED": "TEMPORARY_OUTPUT",
            "CHANGED_PATCHES": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    (patch,) = result["CHANGED_PATCHES"].getFeatures()
    assert result["PATCH_COUNT"] == 1
    assert (patch["newer"], patch["change_m"] < -0.2) == ("june", True)
    assert patch["area_m2"] == pytest.approx(patch.geometry().area())
    assert "Changed patch by 'june' at" in feedback.text
    assert result["TREND_M_PER_YEAR"] is None
    blocks = list(result["CHANGED"].getFeatures())
    assert len(blocks) == result["CHANGED_BLOCKS"] > 5
    assert result["SUPERSEDED"] > 100
    assert {(b["older"], b["newer"]) for b in blocks} == {("may", "june")}
    assert all(b["change_m"] < -0.2 and b.geometry().area() == pytest.approx(400.0) for b in blocks)
    assert "The bottom changed between 'may' and 'june'" in feedback.text
    gone = run("removevisit", {"DATABASE": str(store), "VISITS": "june"}, feedback)
    assert (gone["REMOVED"], gone["RESTORED"]) == (1200, result["SUPERSEDED"])
    assert set(held(store).status) == {"accepted"}


def test_changed_blocks_that_cannot_be_written_leave_the_store(run, layer, store, tmp_path):
    run("addtodatabase", {"INPUT": layer(MAY, "may"), "DATABASE": str(store)})
    before = store.read_bytes()
    with pytest.raises(QgsProcessingException, match="does not exist"):
        run(
            "addtodatabase",
            {
                "INPUT": layer(with_bar(JUNE), "june"),
                "DATABASE": str(store),
                "CHANGED": str(tmp_path / "no" / "changed.gpkg"),
            },
        )
    assert store.read_bytes() == before


def test_read_by_days_visits_and_extent(run, layer, store):
    run("addtodatabase", {"INPUT": layer(concatenate([MAY, JUNE]), "two"), "DATABASE": str(store)})

    def count(**options):
        return run(
            "readdatabase", {"DATABASE": str(store), "OUTPUT": "TEMPORARY_OUTPUT", **options}
        )["SOUNDINGS"]

    assert count() == 2400
    assert count(VISITS="june") == count(VISITS="june; ") == 1200
    assert count(FROM="2025-06-14", TO="2025-06-14") == 1200
    assert count(TO="2025-06-13") == 1200
    both = concatenate([MAY, JUNE])
    assert (
        count(EXTENT="400000,400020,5150000,5150100 [EPSG:32615]")
        == ((both.x >= 400_000) & (both.x <= 400_020) & (both.y <= 5_150_100)).sum()
    )
    for options, told in (
        ({"VISITS": "july"}, "no visit 'july'"),
        ({"FROM": "2026-01-01"}, "has no soundings of these"),
        ({"FROM": "2025-01-01", "TO": "2024-01-01"}, "is after the last"),
    ):
        with pytest.raises(QgsProcessingException, match=told):
            count(**options)


def test_soundings_in_degrees_are_projected_and_told(run, memory_layer, layer, store, feedback):
    reduced = f"{RAW};datum=dock;datum_elev_m=1;level_m=1.000"
    may = MAY.replace(corrections=np.full(len(MAY), reduced, dtype=object))
    run("addtodatabase", {"INPUT": layer(may, "may"), "DATABASE": str(store)})
    degrees = memory_layer(
        "Point",
        ["POINT(-94.3 46.5)", "POINT(-94.29 46.5)"],
        "EPSG:4326",
        "field=depth_m:double&field=corrections:string",
        [[3.0, reduced], [4.0, reduced]],
        "degrees",
    )
    run("addtodatabase", {"INPUT": degrees, "DATABASE": str(store)}, feedback)
    assert (
        "'degrees' (EPSG:4326) is projected to the CRS of the lake database, EPSG:32615"
        in feedback.text
    )
    # 93 W is the central meridian of zone 15: easting 500 000 m; these lie 1.3 degrees west.
    east = held(store, visits=["unnamed"]).x
    assert ((east > 399_000) & (east < 402_000)).all()
    nowhere = memory_layer("Point", ["POINT(0 0)"], "", "field=depth_m:double", [[3.0]], "nowhere")
    nowhere.setCrs(QgsCoordinateReferenceSystem())
    with pytest.raises(QgsProcessingException, match="'nowhere' has no coordinate reference"):
        run("addtodatabase", {"INPUT": nowhere, "DATABASE": str(store)})


def test_correct_a_visit_anew_from_its_raw_depths(run, layer, store, tmp_path):
    """Read, correct from raw depths, reduce, replace: the way that the help describes."""

    def corrected(source, draft, **options):
        step = run(
            "correctdepths",
            {
                "INPUT": source,
                "DRAFT": draft,
                "TIME_OFFSET": 1.0,
                "ACTUAL_SOUND_SPEED": 1500.0,
                "OUTPUT": str(tmp_path / f"c{draft}.gpkg"),
                **options,
            },
        )
        return run(
            "reducetodatum",
            {
                "INPUT": step["OUTPUT"],
                "LAKE_LEVEL": 1.0,
                "LEVEL_UNIT": "m",
                "DATUM_ELEVATION": 0.0,
                "OUTPUT": str(tmp_path / f"d{draft}.gpkg"),
            },
        )["OUTPUT"]

    run("addtodatabase", {"INPUT": corrected(layer(MAY, "may"), 0.3), "DATABASE": str(store)})
    one = run(
        "readdatabase",
        {"DATABASE": str(store), "VISITS": "may", "OUTPUT": str(tmp_path / "one.gpkg")},
    )["OUTPUT"]
    result = run(
        "addtodatabase",
        {"INPUT": corrected(one, 0.5, FROM_RAW=True), "DATABASE": str(store), "MODE": "replace"},
    )
    assert (result["ADDED"], result["REPLACED"], result["ALREADY_THERE"]) == (1200, 1200, 0)
    back = held(store)
    np.testing.assert_array_equal(back.raw_depth, MAY.raw_depth)
    np.testing.assert_allclose(back.depth, MAY.raw_depth + 0.5 - 1.0, atol=1e-9)


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("{}/lake.shp", "DATABASE"),
        ("", "DATABASE"),
        ("{}/no/lake.gpkg", "does not exist"),
        ("{}/may.gpkg", "is not a lake database"),
    ],
)
def test_wrong_files_are_told(run, layer, tmp_path, value, told):
    source = layer(MAY, "may")
    with pytest.raises(QgsProcessingException, match=told):
        run("addtodatabase", {"INPUT": source, "DATABASE": value.format(tmp_path)})


def test_cancel_leaves_nothing(run, layer, store, recorder):
    source = layer(concatenate([MAY, JUNE]), "two")
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("addtodatabase", {"INPUT": source, "DATABASE": str(store)}, recorder(cancel_at=30))
    assert list(store.parent.iterdir()) == []


def test_a_dialog_takes_a_name_that_does_not_exist_yet(provider, store):
    from qgis.gui import QgsGui, QgsProcessingContextGenerator, QgsProcessingGui

    algorithm = provider.algorithm("addtodatabase").create()
    definition = algorithm.parameterDefinition("DATABASE")
    assert definition.checkValueIsAcceptable(str(store))
    assert not definition.checkValueIsAcceptable(str(store.with_suffix(".shp")))
    registry = QgsGui.processingGuiRegistry()
    wrapper = registry.createParameterWidgetWrapper(
        definition, QgsProcessingGui.WidgetType.Standard
    )
    context = QgsProcessingContext()

    class Generator(QgsProcessingContextGenerator):
        def processingContext(self):
            return context

    generator = Generator()
    wrapper.registerProcessingContextGenerator(generator)
    widget = wrapper.createWrappedWidget(context)
    wrapper.setParameterValue(str(store), context)
    assert wrapper.parameterValue() == str(store)
    widget.deleteLater()


def test_in_a_model_the_store_is_read_after_it_grew(provider, layer, store):
    model = QgsProcessingModelAlgorithm("add", "test", "test")
    source = QgsProcessingModelChildParameterSource
    for parameter in (
        QgsProcessingParameterFeatureSource("LOG"),
        QgsProcessingParameterFile("LAKE", extension="gpkg"),
    ):
        model.addModelParameter(parameter, QgsProcessingModelParameter(parameter.name()))

    def child(name, values, output=None):
        step = QgsProcessingModelChildAlgorithm(f"lakefloor:{name}")
        step.setChildId(name)
        for definition in step.algorithm().parameterDefinitions():
            if not definition.isDestination():
                value = values.get(definition.name())
                step.addParameterSources(
                    definition.name(),
                    [
                        value
                        if value is not None
                        else source.fromStaticValue(definition.defaultValue())
                    ],
                )
        if output:
            made = QgsProcessingModelOutput(output, output)
            made.setChildId(name)
            made.setChildOutputName("OUTPUT")
            step.setModelOutputs({output: made})
        model.addChildAlgorithm(step)

    # The reader is put first: that it waits for the store is told by its input alone.
    child(
        "readdatabase",
        {"DATABASE": source.fromChildOutput("addtodatabase", "UPDATED_DATABASE")},
        "ALL",
    )
    child(
        "addtodatabase",
        {"INPUT": source.fromModelParameter("LOG"), "DATABASE": source.fromModelParameter("LAKE")},
    )
    model.updateDestinationParameters()
    assert model.validate() == (True, [])
    (destination,) = (d.name() for d in model.destinationParameterDefinitions())
    for soundings, total in ((MAY, 1200), (JUNE, 2400)):
        # A context of its own each time: QGIS 3.40 goes on from the results in it.
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        results, ok = model.create().run(
            {"LOG": layer(soundings, f"log{total}"), "LAKE": str(store), destination: "memory:"},
            context,
            QgsProcessingFeedback(),
        )
        assert ok
        # QGIS 3.40 names the result otherwise than 3.22.
        (made,) = (v for k, v in results.items() if k.lower().split(":")[-1] == "all")
        assert context.takeResultLayer(made).featureCount() == total


@pytest.mark.parametrize(
    ("tool", "form", "options"),
    [
        ("native:extractbyexpression", "gpkg", {"EXPRESSION": "lane > 1"}),
        ("native:savefeatures", "gpkg", {}),
        ("native:savefeatures", "shp", {}),  # short names of fields, no type for a time
        ("native:savefeatures", "geojson", {}),
        ("native:savefeatures", "fgb", {}),  # rows in order of place
        ("native:reprojectlayer", "gpkg", {"TARGET_CRS": "EPSG:4326"}),
        ("native:reprojectlayer", "shp", {"TARGET_CRS": "EPSG:4326"}),
    ],
)
@pytest.mark.parametrize("copy_first", [False, True])
def test_a_visit_that_went_through_a_tool_of_qgis_is_once(
    run, layer, store, tmp_path, tool, form, options, copy_first
):
    """Five pings a second, several of one depth, corrected, so that the raw depth is another."""
    import processing

    log = MAY.replace(
        time=MAY.time[0] + np.arange(1200) * np.timedelta64(200, "ms"), depth=MAY.depth + 0.3
    )
    plain = layer(log, "plain")
    copy = str(tmp_path / f"copy.{form}")
    processing.run(tool, {"INPUT": plain, "OUTPUT": copy, **options})
    copied = int((log.lane > 1).sum()) if "EXPRESSION" in options else 1200
    first, second = (copy, plain) if copy_first else (plain, copy)
    assert run("addtodatabase", {"INPUT": first, "DATABASE": str(store)})["ADDED"] == (
        copied if copy_first else 1200
    )
    again = run("addtodatabase", {"INPUT": second, "DATABASE": str(store)})
    assert again["ALREADY_THERE"] == copied
    assert len(held(store)) == 1200
    assert len(_store.contents(store).visits) == 1


ODD = ["a; b", "a", "b", "it's", "May, evening", 'the "long" run', "two\nlines", "x;", "'q'", "ü%"]


@pytest.mark.parametrize("name", ODD)
def test_a_visit_of_any_name_is_read_and_removed(run, layer, store, tmp_path, name):
    run(
        "addtodatabase",
        {
            "INPUT": layer(MAY.replace(visit=np.full(1200, name, object)), "odd"),
            "DATABASE": str(store),
        },
    )
    run("addtodatabase", {"INPUT": layer(JUNE, "june"), "DATABASE": str(store)})
    quoted = '"' + name.replace('"', '""') + '"'
    for text in (name, quoted, f"{name}; june", f"june;{quoted};"):
        read = run(
            "readdatabase", {"DATABASE": str(store), "VISITS": text, "OUTPUT": "TEMPORARY_OUTPUT"}
        )
        assert read["VISIT_COUNT"] == (2 if "june" in text else 1)
    assert run("removevisit", {"DATABASE": str(store), "VISITS": name})["REMOVED"] == 1200
    assert [v.name for v in _store.contents(store).visits] == ["june"]


def test_names_in_a_text():
    assert visit_names("a; b", ODD) == ["a; b"]
    assert visit_names("a;b", ODD) == ["a", "b"]
    assert visit_names("a; c; a; b", ODD) == ["a", "c", "a; b"]
    assert visit_names(" ; ;", ODD) == []
    assert visit_names('\'c; d\', "e""f"', or_commas=True) == ["c; d", 'e"f']
    assert visit_names("c, d", or_commas=True) == ["c", "d"]
    assert visit_names("c, d; e", or_commas=True) == ["c, d", "e"]
    assert visit_names("'tis; \"open", []) == ["'tis", '"open']


def test_a_visit_without_a_level_is_fitted_to_the_store(run, layer, store, feedback):
    """The lake stood 0.6 m lower in June; nobody read it."""
    reduced = f"{RAW};datum=dock;datum_elev_m=1;level_m=1.000"
    may = MAY.replace(corrections=np.full(len(MAY), reduced, dtype=object))
    run("addtodatabase", {"INPUT": layer(may, "may"), "DATABASE": str(store)})
    low = JUNE.replace(depth=JUNE.depth - 0.6)
    result = run("addtodatabase", {"INPUT": layer(low, "june"), "DATABASE": str(store)}, feedback)
    assert result["VISIT_OFFSET"] == pytest.approx(-0.6, abs=0.03)
    assert 0.0 < result["OFFSET_UNCERTAINTY"] < 0.05
    assert result["CHANGED_BLOCKS"] == 0
    assert "The depths of visit 'june' are fitted to the lake database" in "".join(
        feedback.warnings
    )
    back = held(store, visits=["june"])
    np.testing.assert_allclose(back.depth, low.depth - result["VISIT_OFFSET"], atol=1e-9)
    assert {"datum=dock", "datum_elev_m=1", "level=unknown"} <= set(back.corrections[0].split(";"))


def test_a_visit_that_does_not_meet_the_store_is_refused(run, layer, store):
    run("addtodatabase", {"INPUT": layer(MAY, "may"), "DATABASE": str(store)})
    before = store.read_bytes()
    away = layer(JUNE.replace(x=JUNE.x + 5000.0), "june")
    with pytest.raises(QgsProcessingException, match="'june' meets the other visits .*in 0 places"):
        run("addtodatabase", {"INPUT": away, "DATABASE": str(store)})
    assert store.read_bytes() == before


def test_silt_that_settles_slowly_is_a_trend(run, layer, store, feedback):
    """Five visits over eight years; 3 cm a year settle deeper than 6 m, none on the shelf."""

    def of_year(year):
        rng = np.random.default_rng(year)
        s, lane = np.meshgrid(np.arange(0.0, 300.0, 3.0), np.arange(0.0, 240.0, 20.0))
        x, y = (v.ravel() + rng.normal(0.0, 0.5, v.size) for v in (s, lane))
        bottom = np.where(x < 120.0, 4.0 + x / 200.0, 4.6 + 0.04 * (x - 120.0))
        depth = bottom - 0.03 * (year - 2016) * (bottom > 6.0) + rng.normal(0.0, 0.04, x.size)
        start = np.datetime64(f"{year}-06-14T14:00:00", "ms")
        return Soundings.build(
            400_000.0 + x,
            5_150_000.0 + y,
            depth + rng.normal(0.0, 0.02),
            time=start + np.arange(x.size) * np.timedelta64(1000, "ms"),
            raw_depth=depth,
            uncert=0.05,
            visit=str(year),
            corrections=MAY.corrections[0],
        )

    for year in (2016, 2018, 2020, 2022):
        run("addtodatabase", {"INPUT": layer(of_year(year), f"y{year}"), "DATABASE": str(store)})
    result = run(
        "addtodatabase",
        {"INPUT": layer(of_year(2024), "y2024"), "DATABASE": str(store), "CHANGE": "newer wins"},
        feedback,
    )
    assert result["TREND_M_PER_YEAR"] == pytest.approx(-0.03, abs=2.0 * result["TREND_SD"])
    assert result["TREND_SD"] < 0.01
    assert "The bottom becomes slowly shallower" in feedback.text
    assert "same as an error of the lake levels" in feedback.text
    assert (result["CHANGED_BLOCKS"], result["SUPERSEDED"]) == (0, 0)


@pytest.mark.parametrize(
    ("changes", "by"), [([0.63], "by +0.63 m."), ([-0.3, 0.63], "by -0.30 to +0.63 m.")]
)
def test_one_changed_block_is_no_range(changes, by, feedback):
    change = np.array([*changes, 0.05])
    zero = np.zeros(len(change))
    rows = [zero.astype(int)] * 4
    found = BottomChange(*rows, change, zero, zero, zero, np.abs(change) > 0.1, 20.0, 0.0, zero)
    say_changes(Added(changes=[("may", "june", found)]), SimpleNamespace(say=feedback.pushInfo))
    assert by in feedback.text
