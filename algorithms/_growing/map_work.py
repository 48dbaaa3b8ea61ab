"""What the process of the growing map does: takes messages, draws the newest windows first.

Messages in, each a tuple with its name first:

- ``("begin", dict)``: settings; see :func:`settings_of`.
- ``("add", Soundings, stamp)``: new soundings, longitude and latitude, as they were read.
- ``("level", float or None)``: what is added to today's depths, m; None fits them to earlier ones.
- ``("plan", dict)``: asks for the next lane.
- ``("stop",)``.

Messages out: ``("ready", dict)`` when the soundings of earlier visits are held,
``("picture", WindowPicture)``, ``("heard", dict)`` with what was made of soundings,
``("level", dict)``, ``("planned", dict)``, ``("told", str)``. Those of today are drawn meanwhile,
and once more with the earlier ones.
"""

from __future__ import annotations

import threading
import time
from dataclasses import replace

import numpy as np
from shapely import wkb

from .. import _store
from ..core.errors import LakefloorError
from ..core.growing.growing_map import GrowingMap
from ..core.growing.lane_ends import LaneEnds
from ..core.growing.level_fit import LevelFit
from ..core.growing.live_depths import LiveDepths
from ..core.growing.planning import Planner
from ..core.growing.settings import MapSettings
from ..core.soundings import ACCEPTED, concatenate
from ..core.spacing import GAP_IN_SPACINGS, suggest_cell
from ..core.surface.surface_record import record_from_text

#: Lane spacing where nothing is known yet, m.
USUAL_SPACING = 20.0
#: A window is drawn again at the earliest after, s; nobody sees more, and the battery lasts.
PACE_S = 0.4
#: Water is too shallow to be proposed where it is known to be less deep than draft and this, m.
_KEEL_M = 0.3
#: How often today's level is fitted to earlier soundings, s.
_FIT_S = 5.0


def settings_of(given: dict) -> MapSettings:
    """Return settings from what the window knows.

    Parameters
    ----------
    given : dict
        ``epsg`` (None until known), ``record`` (text of the record of the newest surface or ""),
        ``shoreline`` (WKB or None), ``shore_depth``, ``interval_m``, ``spacing`` (m or None),
        ``back_by`` (None, or when the boat must be where it began, s since 1970).
    """
    spacing = given.get("spacing") or USUAL_SPACING
    cell, gap, learned = suggest_cell(spacing), GAP_IN_SPACINGS * spacing, None
    if given.get("record"):
        try:
            record = record_from_text(given["record"])
        except LakefloorError:
            record = None
        if record is not None:
            cell, spacing, gap = record.cell, record.spacing, record.max_gap
            learned = record.learned if record.method == "smooth" else None
    shoreline = given.get("shoreline")
    return MapSettings(
        epsg=given.get("epsg"),
        cell=cell,
        spacing=spacing,
        max_gap=gap,
        learned=learned,
        shoreline=wkb.loads(shoreline) if shoreline else None,
        shore_depth=given.get("shore_depth", 0.0),
        interval_m=given.get("interval_m", 0.3048),
    )


class MapWork:
    """Holds the growing map; :meth:`take` and :meth:`step` give messages to send."""

    def __init__(self, later):
        """``later`` takes a message that is to come back, from any thread."""
        self._later, self._ends, self._planning, self._lane = later, LaneEnds(), False, None
        self._place = self._asked = self._launch = self._back_by = None
        # Soundings of today, while those of earlier visits are read.
        self._since, self._shift, self._draft = None, 0.0, 0.0
        self._map = self._depths = self._fit = None
        self._settings, self._fitted, self._fits = None, 0.0, True

    def take(self, message: tuple) -> list:
        """Take a message; return those that answer it."""
        return getattr(self, f"_{message[0]}")(*message[1:])

    def step(self) -> list:
        """Draw a window if there is one to draw; return what there is to send."""
        if self._map is None or self._map.is_idle:
            return []
        picture = self._map.draw_next()
        return [] if picture is None else [("picture", picture)]

    @property
    def is_idle(self) -> bool:
        """Whether all that came in is drawn."""
        return self._map is None or self._map.is_idle

    # -- messages -------------------------------------------------------------

    def _begin(self, given):
        self._settings = settings_of(given)
        epsg, draft = given.get("epsg"), given.get("draft_m", 0.0)
        self._draft, self._back_by = draft, given.get("back_by")
        self._wanted = {"interval_m": self._settings.interval_m, "unit": given.get("unit", "m")}
        self._depths = LiveDepths(epsg, draft, given.get("sound_ratio", 1.0))
        self._fit, self._since = LevelFit(None), None
        if epsg is None:
            return [self._ready()]
        self._map = GrowingMap(self._settings)
        if not given.get("database"):
            return [self._ready()]
        self._since = []
        threading.Thread(target=self._hold_beside, args=(given["database"],), daemon=True).start()
        return []

    def _ready(self):
        answer = {"cell": self._settings.cell, "spacing": self._settings.spacing}
        return "ready", {**answer, "earlier": self._fit.count}

    # -- earlier soundings ----------------------------------------------------

    def _hold_beside(self, path):
        """Make a map with earlier soundings, while today's are drawn without them."""
        try:
            earlier = _read_earlier(path)
            self._later(("hold", GrowingMap(self._settings, earlier), LevelFit(earlier)))
        except Exception as error:
            self._later(("hold", self._map, self._fit, ("told", str(error))))

    def _hold(self, growing, fit, *told):
        """Go on with a map that has earlier soundings: today's are drawn again with them."""
        since, self._since = self._since, None
        if growing is not self._map:
            growing.shift(self._shift)
            self._map, self._fit = growing, fit
            for known, stamp in since:
                growing.add(known, stamp)
                fit.add(known)
        planned = self._plan(self._asked) if self._asked is not None else []
        return [*told, self._ready(), *planned]

    def _add(self, soundings, stamp):
        known = self._depths.take(soundings)
        if self._map is None and len(known):
            self._settings = replace(self._settings, epsg=self._depths.epsg)
            self._map = GrowingMap(self._settings)
            self._map.shift(self._shift)
        if not len(known):
            return []
        self._map.add(known, stamp)
        if self._since is not None:
            self._since.append((known, stamp))
        seen = {
            "x": known.x,
            "y": known.y,
            "depth": known.depth,
            "hardness": known.hardness,
            "accepted": known.status == ACCEPTED,
            "epsg": self._depths.epsg,
            "stamp": stamp,
        }
        return [("heard", seen), *self._fit_level(known), *self._follow(known)]

    def _fit_level(self, known):
        self._fit.add(known)
        if not self._fits or time.monotonic() - self._fitted < _FIT_S:
            return []
        self._fitted = time.monotonic()
        found = self._fit.fitted()
        if found is None:
            return []
        shift, sigma, pairs = found
        self._move(shift)
        return [("level", {"shift_m": shift, "sigma_m": sigma, "pairs": pairs})]

    def _level(self, shift):
        self._fits = shift is None
        if shift is not None:
            self._move(shift)
        return []

    def _move(self, shift):
        self._shift = shift
        if self._map is not None:
            self._map.shift(shift)

    # -- the next lane --------------------------------------------------------

    def _plan(self, given):
        """Plan beside the drawing; the answer comes back as a message."""
        if self._map is None or self._place is None:
            return []
        if self._planning or self._since is not None:
            # Later: from where the boat is then, or when earlier soundings tell what is missing.
            self._asked = given
            return []
        self._planning, self._asked = True, None
        ends = self._ends
        told = {"lanes": len(ends.lanes), "cross_line": ends.cross_line()}
        # Depths are those below the lake datum; the boat floats on the water of today.
        shallow = max(self._draft + _KEEL_M + self._shift, 0.0)
        try:
            planner = Planner(self._map)
        except LakefloorError as error:
            return self._answer({**told, "error": str(error), "line": None})
        known = {"kept": self._lane, "min_depth": shallow, "lanes": [*ends.lanes]}
        if self._back_by is not None:
            known["minutes_left"] = max((self._back_by - time.time()) / 60.0, 0.0)
            known["launch"] = self._launch
        given = {**self._wanted, **known, **given}
        work = (planner, self._place.copy(), given, told)
        threading.Thread(target=self._plan_beside, args=work, daemon=True).start()
        return []

    def _plan_beside(self, planner, place, given, told):
        try:
            answer = planner.plan(place, **given)
        except Exception as error:
            answer = {"error": str(error), "line": None}
        self._later(("answer", {**told, **answer}))

    def _answer(self, answer):
        self._planning, self._lane = False, answer["line"]
        again = [] if self._asked is None else self._plan(self._asked)
        return [("planned", answer), *again]

    def _follow(self, known):
        """Plan where a lane has ended."""
        there = known.status == ACCEPTED
        if not there.any():
            return []
        if self._launch is None:
            self._launch = np.array([known.x[there][0], known.y[there][0]])
        self._place = np.array([known.x[there][-1], known.y[there][-1]])
        return self._plan({}) if self._ends.add(known.x[there], known.y[there]) else []


def _read_earlier(path):
    """Return the accepted soundings of a lake database, without what the map is not drawn from."""
    parts = []
    for part in _store.read(path):
        kept = part.select(part.accepted)
        nothing = np.broadcast_to(np.array("", dtype=object), len(kept))
        parts.append(kept.replace(corrections=nothing))
    return concatenate(parts) if parts else None
