"""Lake levels that were read on the water, among the gauge readings of a lake."""

from datetime import datetime, timezone

import pytest
from qgis.core import QgsProcessingFeedback

from lakefloor.algorithms._io.features import read_table
from lakefloor.algorithms._io.lake_files import source_of
from lakefloor.algorithms._lake.facts import LakeFacts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms.core.correcting.gauge import GaugeFields, gauge_levels
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.soundings.reduce_to_datum import _plain
from lakefloor.plugin.water.levels import add_readings, mean_level, reading, visit_levels

START = datetime(2026, 7, 9, 14, 0, 3, tzinfo=timezone.utc)
END = datetime(2026, 7, 9, 18, 30, 0, tzinfo=timezone.utc)


@pytest.fixture
def lake(tmp_path):
    return LakeFolder(tmp_path)


def facts(**changed):
    given = {"level_unit": "feet", "time_zone": "America/Chicago", **changed}
    return LakeFacts("Lake Marrowby", **given)


def read_again(lake):
    """Read the file as the reduction to the datum does, through QGIS."""
    table = read_table(source_of(lake.gauge), QgsProcessingFeedback(False))
    columns = {name: [_plain(value) for value in values] for name, values in table.items()}
    return gauge_levels(columns, GaugeFields(), unit="ft", time_zone="America/Chicago").levels


def both():
    return [reading(2.71, "feet", START), reading(2.68, "feet", END)]


def test_the_first_readings_of_a_lake_make_its_table(qgis_app, lake):
    add_readings(lake, facts(), both())
    assert lake.gauge.read_text() == (
        "time_utc,level_ft\n2026-07-09T14:00:03Z,2.71\n2026-07-09T18:30:00Z,2.68\n"
    )


def test_without_a_reading_nothing_is_written(qgis_app, lake):
    add_readings(lake, facts(), [])
    assert not lake.gauge.exists()


@pytest.mark.parametrize(
    ("table", "added"),
    [
        ("time_utc,level_ft\n2025-05-10T13:05:00Z,2.88\n", "2026-07-09T14:00:03Z,2.71"),
        # 14:00 UTC is 9:00 in Chicago in summer (IANA time zone database).
        ("Date,Level\n05/31/2025 08:00,2.9\n", "07/09/2026 09:00,2.71"),
        ("date;level\n31.05.2025 08:00;2,9\n", "09.07.2026 09:00;2,71"),
        ("who,time,level\nAda,2025-05-10 13:05:00,2.88\n", ",2026-07-09 09:00:03,2.71"),
    ],
)
def test_readings_are_written_as_those_that_are_there(qgis_app, lake, table, added):
    lake.gauge.write_text(table)
    add_readings(lake, facts(), both()[:1])
    assert lake.gauge.read_text() == table + added + "\n"


@pytest.mark.parametrize(
    "table",
    ["time_utc,level_ft\n2025-05-10T13:05:00Z,2.88\n", "date,level\n2025-05-10 13:05:00,2.9\n"],
)
def test_what_was_added_is_read_as_it_was_read(qgis_app, lake, table):
    lake.gauge.write_text(table)
    add_readings(lake, facts(), both())
    found = read_again(lake)
    assert [str(t) for t in found.time[1:]] == [
        "2026-07-09T14:00:03.000",
        "2026-07-09T18:30:00.000",
    ]
    assert found.level[1:] == pytest.approx([2.71 * 0.3048, 2.68 * 0.3048])


@pytest.mark.parametrize(
    "table",
    [
        "visit,level\nspring,2.88\n",
        "date,level\n2025-05-10,2.88\n",
        # Nobody can tell the month from the day.
        "date,level\n05/06/2025 08:00,2.9\n",
        "date,time,level\n05/31/2025,08:00,2.9\n",
    ],
)
def test_a_table_of_another_form_stays_as_it_is(qgis_app, lake, table):
    lake.gauge.write_text(table)
    with pytest.raises(LakefloorError, match=r"by hand"):
        add_readings(lake, facts(), both())
    assert lake.gauge.read_text() == table


@pytest.mark.parametrize(
    ("readings", "table", "taken"),
    [
        (2, "", {}),
        # One reading tells no change, and no table holds it for a day.
        (1, "", {"LEVEL": 2.71}),
        (2, "visit,level\nspring,2.88\n", {"LEVEL": pytest.approx(2.695)}),
        # Readings of another year are no level of this day.
        (0, "time_utc,level_ft\n2025-05-10T13:05:00Z,2.88\n", {"GAUGE": None}),
    ],
)
def test_what_a_visit_takes_from_its_readings(qgis_app, lake, readings, table, taken):
    if table:
        lake.gauge.write_text(table)
    assert visit_levels(lake, facts(), both()[:readings])[0] == taken


def test_the_mean_stands_for_both(qgis_app):
    assert mean_level(both()) == pytest.approx(2.695)
    assert mean_level([]) is None
