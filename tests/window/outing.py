"""An outing at the desk: the example's log is played into a real window, with another date."""

import os
from pathlib import Path

import numpy as np
from hands import Hands, freezes, picture, say
from qgis.core import QgsProject
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication
from qgis.utils import iface

LOG = Path(os.environ["LAKEFLOOR_ROOT"]) / "example_project" / "logs" / "2025-05-17_2.nmea"
#: How many times as fast as it was, and how many of its lines.
SPEED, LINES = 10.0, 9000
hands = Hands()


def story(door, end):
    """Follow an outing of the lake that is open.

    Parameters
    ----------
    door : callable
        Returns the door.
    end : callable
        Closes QGIS.
    """
    player = _player()
    visits = len(door().work.seen.visits)
    hands.click(door().panel.page.water)
    yield lambda: door()._form is not None and door()._form.isVisible()
    picture("20_go")
    form = door()._form
    _choose(form.sources, player)
    form.level.setValue(2.7)
    form.accept()
    session, page = door().water.outing.session, door().water.outing.page
    assert session.is_recording
    yield lambda: session.soundings > 50 and {"water_depth", "water_contours"} <= _roles()
    freezes.begin()
    yield lambda: session.soundings > 400
    say(f"the window on the water, longest freezes: {freezes.text()}")
    assert page.figures.depth.value.text().endswith(" m")
    _marks_by_key(page)
    yield lambda: len(session.marking.marks) == 2
    yield 1.0
    picture("21_on_the_water")
    yield from _another_project(door, session)
    picture("22_back_again")
    hands.click(page.end)
    yield lambda: door()._form is not None and door()._form.isVisible()
    door()._form.level.setValue(2.6)
    hands.click(door()._form.add)
    yield lambda: not session.is_recording and door().runner.runs
    yield lambda: all(run.is_over for run in door().runner.runs)
    yield lambda: len(door().work.seen.visits) == visits + 1
    picture("23_added")
    assert not {role for role in _roles() if str(role).startswith("water_")}
    player.stop()
    QgsProject.instance().write()
    yield 1.5
    end()


def _player():
    from lakefloor.algorithms.core.playing.timeline import Timeline, sentence, timeline
    from lakefloor.plugin.simulator.player import Player, TcpOutlet

    whole = timeline([LOG])
    later = [_a_year_before(chunk, sentence) for chunk in whole.chunks[:LINES]]
    played = Timeline(np.asarray(whole.seconds[:LINES]), later)
    return Player(played, SPEED, TcpOutlet(), waits=True).start()


def _a_year_before(chunk, sentence):
    """Return a piece of the log with the date of another visit."""
    lines = []
    for line in chunk.decode("ascii").splitlines():
        body = line.strip().lstrip("$").partition("*")[0]
        fields = body.split(",")
        if fields[0].endswith("RMC"):
            fields[9] = fields[9][:4] + "24"
        lines.append(sentence(",".join(fields)))
    return b"".join(lines)


def _choose(sources, player):
    from lakefloor.plugin.water.sources import SourceSpec

    sources.set_specs([SourceSpec(**player.outlet.spec)])


def _marks_by_key(page):
    """Press the key in the map, and in a field, where it is a letter; and click the button."""
    iface.mainWindow().activateWindow()
    QApplication.setActiveWindow(iface.mainWindow())
    iface.mapCanvas().setFocus()
    QTest.keyClick(iface.mapCanvas(), Qt.Key.Key_M)
    hands.click(page.mark)


def _another_project(door, session):
    """Open a new project: the outing goes on, and its map comes back with the lake's."""
    heard, lake = session.soundings, door().work.folder
    QgsProject.instance().write()
    iface.newProject(False)
    yield lambda: session.soundings > heard + 50
    assert not QgsProject.instance().mapLayers(), "the outing came into another project"
    assert door().work.folder == lake, "the lake was closed"
    door().open(str(lake.path))
    yield lambda: {"water_depth", "water_contours", "surface", "marks"} <= _roles()
    yield 1.5


def _roles():
    layers = QgsProject.instance().mapLayers().values()
    return {layer.customProperty("lakefloor/role") for layer in layers}
