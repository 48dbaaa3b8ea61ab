"""The example lake: what comes with the plugin, as a lake of the user's own."""

from __future__ import annotations

from pathlib import Path

from ...algorithms import _settings
from ...algorithms._i18n import tr
from ...algorithms._lake.facts import LakeFacts
from ...algorithms._lake.folder import LakeFolder, file_name
from .new_lake import NewLake

_HERE = Path(__file__).resolve().parents[2] / "example_project"
_NAME = "Lake Marrowby"


def example_there() -> LakeFolder | None:
    """Return the example lake among the user's lakes, if it was made before."""
    folder = _settings.lakes_folder() / file_name(_NAME)
    return LakeFolder(folder) if (folder / "lake.json").is_file() else None


def example_lake() -> NewLake:
    """Return what makes the example lake.

    Depths count from a reading of 2 ft on the gauge at the dock.
    """
    facts = LakeFacts(
        name=_NAME,
        place=tr("An invented lake"),
        unit=_settings.depth_unit(),
        time_zone="America/Chicago",
        level_unit="feet",
        datum_reading=2.0,
        datum_name=tr("2 ft on the dock gauge"),
    )
    logs = _HERE / "logs"
    shoreline, gauge = _HERE / "shoreline.geojson", _HERE / "gauge.csv"
    return NewLake(_settings.lakes_folder(), facts, shoreline, gauge, [logs], True)
