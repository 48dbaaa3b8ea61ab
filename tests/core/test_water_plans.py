"""Plans that the work behind the growing map makes: at lane ends, when asked, and within the time."""

import queue
import time

import numpy as np
import pytest
from shapely import wkb
from shapely.geometry import box

pytest.importorskip("osgeo", reason="GDAL knows the CRS of a lake database")

from lakefloor.algorithms._growing.map_work import MapWork
from lakefloor.algorithms.core import crs
from lakefloor.algorithms.core.soundings import Soundings

EPSG, WEST, SOUTH = 32615, 400_000.0, 5_150_000.0
LAKE = box(WEST, SOUTH, WEST + 300.0, SOUTH + 200.0)
ROWS = [(10, 20), (280, 20), (280, 40), (10, 40), (10, 60), (280, 60)]


class Work:
    """The work, and the answers that came back."""

    def __init__(self, **more):
        self._later = queue.Queue()
        self.work, self.stamp = MapWork(self._later.put), 0
        given = {"epsg": EPSG, "spacing": 20.0, "draft_m": 0.3, "unit": "ft"}
        self.work.take(("begin", {**given, "shoreline": wkb.dumps(LAKE), **more}))

    def drive(self, *corners, depth=5.0):
        """Drive along a broken line from the lake's corner; return what is said."""
        places = []
        for start, end in zip(np.array(corners[:-1], float), np.array(corners[1:], float)):
            part = np.arange(0.0, 1.0, 2.2 / np.hypot(*(end - start)))[:, None]
            places.append(start + part * (end - start))
        x, y = np.concatenate(places).T
        lon, lat = crs.transform(WEST + x, SOUTH + y, EPSG, 4326)
        noise = np.random.default_rng(self.stamp).normal(0.0, 0.03, len(x))
        said = []
        for at in range(0, len(x), 40):
            rows = slice(at, at + 40)
            self.stamp += 1
            made = Soundings.build(
                lon[rows], lat[rows], depth - 0.3 + noise[rows], corrections="from=transducer"
            )
            said += self.work.take(("add", made, self.stamp)) + self.come_back()
        return said

    def come_back(self, wait=0.0):
        """Return what is said to what came back from other threads."""
        said = []
        while True:
            try:
                message = self._later.get(timeout=wait) if wait else self._later.get_nowait()
            except queue.Empty:
                return said
            said += self.work.take(message)
            wait = 0.0

    def plans(self, said, count=1):
        """Return so many plans, those among what was said first."""
        found = [message[1] for message in said if message[0] == "planned"]
        while len(found) < count:
            found += [m[1] for m in self.come_back(wait=60.0) if m[0] == "planned"]
        return found

    def ask(self):
        """Return the plan that is made when asked, after those that are being made."""
        while self.work._planning:
            self.come_back(wait=60.0)
        return self.plans(self.work.take(("plan", {})))[-1]


def test_a_lane_that_ends_brings_a_plan():
    work = Work()
    plan = work.plans(work.drive(*ROWS))[-1]
    assert plan["lanes"] >= 1
    assert plan["cross_line"] is False
    assert LAKE.bounds[1] < plan["line"][:, 1].min() < LAKE.bounds[3]
    assert "acres" in plan["why"]


def test_what_is_asked_while_a_plan_is_made_is_planned_after_it():
    work = Work()
    work.drive(*ROWS)
    work.ask()
    said = work.work.take(("plan", {}))
    said += work.work.take(("plan", {"interval_m": 60.0, "unit": "m"}))
    first, second = work.plans(said, 2)
    assert "acres" in first["why"]
    assert second["line"] is None or " ha " in second["why"]


@pytest.mark.parametrize("minutes", [0.0, 7.0, 600.0])
def test_lanes_and_the_way_back_fit_into_the_time(minutes):
    work = Work(back_by=time.time() + 60.0 * minutes)
    work.drive(*ROWS)
    plan = work.ask()
    if minutes == 0.0:
        assert plan["line"] is None
        assert not plan["done"]
    else:
        back = np.hypot(*(plan["line"][1] - (WEST + 10, SOUTH + 20))) / 2.2352 / 60.0
        assert plan["minutes"] + back <= minutes


@pytest.mark.parametrize(("depth", "shift", "floats"), [(1.2, -1.0, True), (0.5, 1.0, False)])
def test_water_is_deep_enough_at_the_level_of_today_not_at_that_of_the_datum(depth, shift, floats):
    """The boat draws 0.3 m; depths on the map are by a meter less or more."""
    work = Work()
    work.work.take(("level", shift))
    whole = [(x, y + 60 * part) for part in range(3) for x, y in ROWS]
    work.drive(*whole, (280, 199), (10, 199), (10, 4), (290, 4), (294, 199), depth=depth)
    plan = work.ask()
    assert ("error" not in plan) == floats
    if not floats:
        assert "deep enough" in plan["error"]
