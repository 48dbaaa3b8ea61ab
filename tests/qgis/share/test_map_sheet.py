"""The map sheet, exported by a real QGIS and read back by independent tools."""

import pytest


@pytest.mark.parametrize("orientation", ["portrait", "landscape"])
@pytest.mark.parametrize("paper", ["Letter", "A3"])
def test_sheet(lake, run, tmp_path, orientation, paper):
    out = tmp_path / f"{paper}-{orientation}.pdf"
    result = run("mapsheet", {**lake, "OUTPUT": str(out), "TITLE": "Heron Lake", "TRACK": paper == "A3",
    "ORIENTATION": orientation, "PAPER": paper, "LAKE": "Heron County", "AUTHOR": "Ada Pike, Heron Lake Association"})
    assert out.exists()
