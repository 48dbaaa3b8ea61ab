"""What a person chose for all lakes is kept, follows from the locale before, and shows in the page."""

import pytest
from qgis.core import QgsSettings
from qgis.PyQt.QtCore import QLocale

gui = pytest.importorskip("qgis.gui")

from lakefloor.algorithms import _settings
from lakefloor.algorithms._settings import Boat
from lakefloor.plugin.door.settings_page import SettingsFactory


@pytest.fixture(autouse=True)
def unset(qgis_app):
    QgsSettings().remove("lakefloor")
    before = QLocale()
    yield
    QLocale.setDefault(before)
    QgsSettings().remove("lakefloor")


@pytest.fixture
def page(unset):
    page = SettingsFactory().createWidget(None)
    yield page
    page.deleteLater()


# Measurement system and paper of a locale: Unicode Common Locale Data Repository, supplemental data.
@pytest.mark.parametrize(
    ("locale", "unit", "paper"),
    [
        ("en_US", "feet", "Letter"),
        ("es_US", "feet", "Letter"),
        ("en_CA", "meters", "Letter"),
        ("de_DE", "meters", "A4"),
        ("en_GB", "meters", "A4"),
        ("fi_FI", "meters", "A4"),
    ],
)
def test_what_nobody_chose_follows_from_the_locale(locale, unit, paper):
    QLocale.setDefault(QLocale(locale))
    assert (_settings.depth_unit(), _settings.page_size()) == (unit, paper)
    _settings.choose(depth_unit="meters", page_size="A3")
    assert (_settings.depth_unit(), _settings.page_size()) == ("meters", "A3")
    _settings.choose(depth_unit=None, page_size=None)
    assert (_settings.depth_unit(), _settings.page_size()) == (unit, paper)


def test_boats_are_kept_and_one_is_in_use():
    assert _settings.boats() == []
    assert _settings.boat() is None
    skiff, canoe = Boat("Skiff", 0.25, 20.0, 1463.04, 2.0), Boat("Kanu größer", 0.1)
    _settings.keep_boats([skiff, canoe])
    assert _settings.boats() == [skiff, canoe]
    assert _settings.boat() == skiff
    _settings.choose(boat="Kanu größer")
    assert _settings.boat() == canoe


@pytest.mark.parametrize(
    "text", ["no JSON", "5", "[5]", '[{"draft_m": 1}]', '[{"name": "a", "draft_m": "x"}]']
)
def test_boats_that_cannot_be_read_are_none(text):
    QgsSettings().setValue("lakefloor/boats", text)
    assert _settings.boats() == []


def test_values_of_another_version_are_passed_over():
    QgsSettings().setValue("lakefloor/depth_unit", "fathoms")
    QgsSettings().setValue("lakefloor/boats", '[{"name": "a", "color": "red"}]')
    assert _settings.depth_unit() in _settings.UNITS
    assert _settings.boats() == [Boat("a")]


def test_the_page_shows_and_keeps(page, tmp_path):
    page.unit.setCurrentText("feet")
    page.page_size.setCurrentText("Tabloid")
    page.folder.setFilePath(str(tmp_path / "lakes"))
    page.boats.add()
    page.boats.add()
    page.boats.cellWidget(1, 0).setText("Skiff")
    page.boats.changed()
    page.boats.cellWidget(1, 1).setValue(1.0)
    page.boat.setCurrentText("Skiff")
    page.apply()
    assert _settings.depth_unit() == "feet"
    assert _settings.page_size() == "Tabloid"
    assert _settings.lakes_folder() == tmp_path / "lakes"
    assert _settings.boats() == [Boat("Boat 1"), Boat("Skiff", 0.3048)]
    assert _settings.boat().name == "Skiff"


def test_another_unit_shows_the_same_boats(page):
    boat = Boat("Skiff", 0.3048, 20.0, 1500.0, 2.2352)
    page.boats._show([boat], "meters")
    assert page.boats.cellWidget(0, 1).value() == pytest.approx(0.3)
    page.boats.set_unit("feet")
    assert page.boats.cellWidget(0, 1).value() == pytest.approx(1.0)
    assert page.boats.horizontalHeaderItem(3).text().endswith("(ft/s)")
    assert page.boats.cellWidget(0, 4).value() == pytest.approx(5.0)
    page.boats.set_unit("meters")
    assert page.boats.read() == [boat]


def test_a_removed_boat_and_one_without_a_name_are_gone(page):
    for _ in range(3):
        page.boats.add()
    page.boats.cellWidget(1, 0).setText(" ")
    page.boats.remove()
    page.apply()
    assert [boat.name for boat in _settings.boats()] == ["Boat 1"]
