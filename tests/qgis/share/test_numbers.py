"""Sheets, reports and logs in one way of writing numbers: that of the user's locale.

QGIS's own scale bars, grid and labels are part of it.
"""

import re
import shutil
import sys
from pathlib import Path

import pytest
from qgis.core import (
    QgsBasicNumericFormat,
    QgsFeature,
    QgsFeatureRequest,
    QgsGeometry,
    QgsNumericFormatContext,
    QgsPointXY,
)
from qgis.PyQt.QtCore import QLocale

from lakefloor.algorithms._i18n import local_numbers, tr
from lakefloor.algorithms._reports import plots
from lakefloor.algorithms.core.number_text import ENGLISH, Numbers, written_with

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
from conftest import EAST, NORTH, depth_at
from number_signs import (
    SIGNS,
    Recorder,
    assert_same_but_for_signs,
    html_text,
    locale,
    log_text,
    page_text,
)

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="poppler-utils is not installed"
)


@pytest.mark.parametrize(
    ("name", "numbers"),
    [
        *((name, Numbers(*signs)) for name, signs in SIGNS.items()),
        ("C", ENGLISH),
        ("sv_SE", Numbers(",", "\u00a0")),
        ("es_ES", Numbers(",", ".")),
        # Their digits are not ours, so their signs are not either.
        ("ar_EG", ENGLISH),
        ("fa_IR", ENGLISH),
        ("mr_IN", ENGLISH),
        ("hi_IN", ENGLISH),
    ],
)
def test_signs_are_those_of_the_locale(name, numbers):
    with locale(name):
        assert local_numbers() == numbers


def test_thousands_are_parted_as_on_scale_bars_whatever_the_option():
    """QGIS sets the option for its own windows; its scale bars part them all the same."""
    before, german = QLocale(), QLocale("de_DE")
    german.setNumberOptions(QLocale.NumberOption.OmitGroupSeparator)
    QLocale.setDefault(german)
    try:
        bar = QgsBasicNumericFormat().formatDouble(1234.5, QgsNumericFormatContext())
        assert local_numbers().written(1234.5, ",.1f") == bar
    finally:
        QLocale.setDefault(before)


def test_a_translated_text_is_filled_in_with_the_signs():
    with written_with(Numbers(",", ".")):
        assert tr("{:.2f} of {:,}").format(0.5, 6700) == "0,50 of 6.700"
    assert type(tr("plain")) is str
    assert type(tr("{}").format(1)) is str


@pytest.mark.skipif(not plots.available(), reason="this QGIS has no matplotlib")
def test_figures_along_axes():
    with written_with(Numbers(",", ".")):
        ticks = plots.tick_format()
    ticks.create_dummy_axis()
    ticks.set_locs([0.0, 0.5, 1.0])
    with written_with(Numbers(",", ".")):
        assert ticks(0.5) == "0,5"
    assert ticks(0.5) == "0.5"


@pytest.fixture(scope="module")
def metric(lake, provider, tmp_path_factory):
    """The lake with contours every half metre, by parameter name."""
    import processing

    folder = tmp_path_factory.mktemp("metric")
    given = {"INPUT": lake["SURFACE"], "SHORELINE": lake["SHORELINE"], "UNIT": "m"}
    contours, areas = str(folder / "contours.gpkg"), str(folder / "areas.gpkg")
    processing.run("lakefloor:depthcontours", {**given, "INTERVAL": 0.5, "OUTPUT": contours})
    processing.run("lakefloor:depthareas", {**given, "INTERVAL": 0.5, "OUTPUT": areas})
    return {**lake, "CONTOURS": contours, "DEPTH_AREAS": areas, "UNIT": "m"}


@pytest.fixture(scope="module")
def printed(lake, metric, provider, tmp_path_factory):
    """Return a function that makes all sheets and reports, once for each unit and locale."""
    import processing

    made = {}

    def all_of(unit, name):
        if (unit, name) not in made:
            with locale(name):
                made[unit, name] = everything(unit, tmp_path_factory.mktemp("printed"))
        return made[unit, name]

    def everything(unit, folder):
        feedback = Recorder()
        given = {**(lake if unit == "ft" else metric), "TITLE": "Heron Lake"}
        figures = {"INPUT": lake["SURFACE"], "SHORELINE": lake["SHORELINE"], "UNIT": unit}
        for name, parameters in (
            ("mapsheet", {**given, "OUTPUT": "map.pdf"}),
            ("structuresheets", {**given, "OUTPUT": "sheets.pdf"}),
            ("lakereport", {**given, "OUTPUT": "report.pdf", "WEB_PAGE": "report.html"}),
            ("lakestatistics", {**figures, "CSV": "figures.csv", "REPORT": "figures.html"}),
            ("areavolumebylevel", {**figures, "OUTPUT": "levels.csv"}),
        ):
            files = {
                key: str(folder / value)
                for key, value in parameters.items()
                if key in ("OUTPUT", "WEB_PAGE", "CSV", "REPORT")
            }
            processing.run(f"lakefloor:{name}", {**parameters, **files}, feedback=feedback)
        texts = {path.name: page_text(path) for path in folder.glob("*.pdf")}
        texts.update({path.name: html_text(path) for path in folder.glob("*.html")})
        tables = {path.name: path.read_bytes() for path in folder.glob("*.csv")}
        return {**texts, "log": log_text(feedback)}, tables

    return all_of


@needs_poppler
@pytest.mark.parametrize(("unit", "name"), [("ft", "de_DE"), ("ft", "de_CH"), ("m", "fr_FR")])
def test_sheets_and_reports(unit, name, printed):
    english, tables = printed(unit, "en_US")
    said, there = printed(unit, name)
    assert len(english) == 6
    for what, text in english.items():
        assert_same_but_for_signs(said[what], text, name)
    assert tables == there  # read by programs
    assert len(tables) == 2


@needs_poppler
def test_metric_sheets_say_metres_first_and_print_their_units(printed):
    texts, _ = printed("m", "en_US")
    sheet = " ".join(texts["map.pdf"].split())
    assert re.search(r"\d m 0 [\d ,]+ ft", sheet)  # the scale bars
    assert re.search(r"Area \d+\.\d+ ± \d+\.\d+ ha, volume [\d,]+ ± [\d,]+ m(³|3)\.", sheet)
    assert "Area (ha)" in sheet
    assert "Shallower than 4.57 m:" in sheet
    assert "ft" not in texts["figures.html"].split()
    for what, text in texts.items():
        assert not re.search(r"\bm[23]\b", text), what
    feet = " ".join(printed("ft", "en_US")[0]["map.pdf"].split())
    assert re.search(r"\d ft 0 [\d ,]+ m\b", feet)
    assert "acre-ft" in feet
    assert "Shallower than 15 ft:" in feet


def test_files_for_programs_keep_their_points(lake, run, tmp_path):
    """Devices and tables get the same bytes in every language."""
    files = {}
    for name in ("en_US", "de_DE"):
        folder = tmp_path / name
        folder.mkdir()
        with locale(name):
            for ending in ("gpx", "kml", "csv"):
                run(
                    "exportwaypoints",
                    {
                        "INPUT": lake["SOUNDINGS"],
                        "LINES": lake["CONTOURS"],
                        "UNIT": "m",
                        "OUTPUT": str(folder / f"places.{ending}"),
                    },
                )
            run(
                "depthcontours",
                {
                    "INPUT": lake["SURFACE"],
                    "SHORELINE": lake["SHORELINE"],
                    "UNIT": "m",
                    "INTERVAL": 0.5,
                    "OUTPUT": str(folder / "contours.csv"),
                },
            )
        files[name] = {path.name: path.read_bytes() for path in sorted(folder.iterdir())}
    assert files["en_US"] == files["de_DE"]
    assert b"0.5" in files["de_DE"]["contours.csv"]


def crossing_lines(soundings):
    """Return the soundings with lines across, in a layer of the same fields."""
    layer = soundings.materialize(QgsFeatureRequest())
    first, added = next(soundings.getFeatures()), []
    for number, x in enumerate(range(-200, 201, 100), start=1):
        for y in range(-184, 185, 4):
            depth = float(depth_at(EAST + x, NORTH + y))
            if depth > 0.3:
                feature = QgsFeature(first)
                feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(EAST + x, NORTH + y)))
                values = {
                    "visit": "2025-10-01",
                    "lane": number,
                    "depth_m": depth + 0.1,
                    "raw_depth_m": depth + 0.1,
                    "status": "accepted",
                    "time": f"2025-10-01T12:{number:02d}:{(y + 184) // 8:02d}",
                }
                for field, value in values.items():
                    feature[field] = value
                added.append(feature)
    assert layer.dataProvider().addFeatures(added)[0]
    return layer


def test_reports_on_the_survey(lake, run, tmp_path):
    soundings = crossing_lines(lake["SOUNDINGS"])

    def everything(folder):
        folder.mkdir()
        feedback = Recorder()
        for name, parameters in (
            ("checkcrosslines", {"CROSSINGS": "TEMPORARY_OUTPUT"}),
            ("comparemethods", {"TABLE": str(folder / "methods.csv"), "CELL_SIZE": 10.0}),
        ):
            run(
                name,
                {
                    "INPUT": soundings,
                    **parameters,
                    "UNIT": "m",
                    "REPORT": str(folder / f"{name}.html"),
                },
                feedback,
            )
        return [html_text(path) for path in sorted(folder.glob("*.html"))] + [log_text(feedback)]

    with locale("en_US"):
        english = everything(tmp_path / "en")
    with locale("de_DE"):
        said = everything(tmp_path / "de")
    assert len(english) == 3
    for text, original in zip(said, english):
        assert_same_but_for_signs(text, original, "de_DE")


def test_profiles_and_descriptions(lake, run, tmp_path, memory_layer):
    lines = memory_layer(
        "LineString", [f"LINESTRING({EAST - 250} {NORTH},{EAST + 250} {NORTH + 20})"]
    )
    marks = memory_layer("Point", [f"POINT({EAST + x} {NORTH})" for x in (-120, 30, 160)])

    def everything(folder):
        folder.mkdir()
        feedback = Recorder()
        run(
            "depthprofile",
            {
                "INPUT": lake["SURFACE"],
                "LINES": lines,
                "UNIT": "m",
                "OUTPUT": "TEMPORARY_OUTPUT",
                "REPORT": str(folder / "profile.html"),
            },
            feedback,
        )
        run(
            "describemarks",
            {"INPUT": lake["SURFACE"], "MARKS": marks, "UNIT": "m", "OUTPUT": "TEMPORARY_OUTPUT"},
            feedback,
        )
        return html_text(folder / "profile.html"), log_text(feedback)

    with locale("en_US"):
        english = everything(tmp_path / "en")
    with locale("de_DE"):
        said = everything(tmp_path / "de")
    for text, original in zip(said, english):
        assert_same_but_for_signs(text, original, "de_DE")
