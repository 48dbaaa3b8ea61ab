"""The map on the canvas that grows with an outing."""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
from qgis.core import QgsCoordinateReferenceSystem, QgsProject
from qgis.PyQt.QtCore import QObject, QTimer, pyqtSignal

from ....algorithms._i18n import tr
from ....algorithms._io.window_raster import WindowRaster
from ....algorithms._project.water_layers import WaterLayers
from ....algorithms._project.wording import unit_of
from ....algorithms.core.errors import LakefloorError
from ....algorithms.core.growing.settings import WINDOW_CELLS
from .host import MapHost
from .lake_settings import interval_of, level_shift, settings_for

__all__ = ["GrowingLayers"]

#: How often it is looked for something new to show, ms.
_LOOK_MS = 100
#: Soundings alone are shown at the earliest after, s; what is drawn, at once.
_PACE_S = 0.5
#: A canvas that draws is not disturbed for so long, s: it would begin anew, and never end.
_PATIENCE_S = 5.0
#: Soundings are shown as points so far apart, m.
_APART_M = 2.0
#: Layers are styled anew where the deepest depth has grown by this share.
_DEEPER = 1.15


class GrowingLayers(QObject):
    """Shows what :class:`.MapHost` draws; lives in the main thread.

    The layers are in the project that was open when the outing began. Where another one is opened,
    :meth:`bring_back` shows all again in the lake's own.

    Parameters
    ----------
    parent : QObject, optional
    canvas : QgsMapCanvas, optional
        While it draws, it is not asked to draw again.
    """

    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)
    #: Today's level as it is drawn (dict with shift_m, sigma_m, pairs; or shift_m and typed).
    leveled = pyqtSignal(object)
    #: A plan of the next lane (dict).
    planned = pyqtSignal(object)
    #: The newest stamp that the canvas was asked to show.
    shown = pyqtSignal(object)

    def __init__(self, parent=None, canvas=None):
        super().__init__(parent)
        self._canvas, self._asked, self._warned = canvas, 0.0, set()
        self.host = MapHost(self)
        self.host.drawn.connect(self._take_picture)
        self.host.heard.connect(self._take_heard)
        self.host.leveled.connect(self.leveled)
        self.host.planned.connect(self._take_plan)
        self.host.told.connect(self._warn)
        self._facts = self._layers = self._crs = self._folder = None
        self._lane = (None,)
        self._rasters, self._pictures, self._last, self._deepest = {}, {}, None, 0.0
        self._points, self._due, self._newest, self._cell = [], set(), 0, 0.0
        #: Points that are shown, and whether the project that shows them was closed.
        self._all, self._is_away, self._hears_hardness = [], False, False
        self._timer = QTimer(self)
        self._timer.setInterval(_LOOK_MS)
        self._timer.timeout.connect(self._look)

    # -- an outing ------------------------------------------------------------

    def begin(self, lake, facts, given):
        """Begin with the map of an outing."""
        self.end()
        self._warned = set()
        settings, crs, problems = settings_for(lake, facts, given)
        for problem in problems:
            self._warn(problem)
        self._facts, self._crs = facts, crs
        self._folder = Path(tempfile.mkdtemp(prefix="lakefloor_water_"))
        self._make_layers()
        self.host.start(settings)
        shift = level_shift(facts, given.get("levels") or [])
        if shift is not None:
            self.host.level(shift)
            self.leveled.emit({"shift_m": shift, "typed": True})
        self._timer.start()

    def add(self, heard):
        """Send on what the recorder has heard (Heard)."""
        self.host.add(heard.soundings, heard.monotonic_us)

    def plan(self):
        """Ask for the next lane from where the boat is."""
        self.host.plan()

    def end(self):
        """Take the map off the canvas."""
        self._timer.stop()
        self.host.stop()
        if self._layers is not None:
            self._layers.remove()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
        self._facts = self._layers = self._crs = self._folder = None
        self._lane = (None,)
        self._rasters, self._pictures, self._last, self._deepest = {}, {}, None, 0.0
        self._points, self._due, self._newest = [], set(), 0
        self._all, self._is_away, self._hears_hardness = [], False, False

    def put_away(self):
        """Let go of the layers of a project that was closed; none come into another."""
        self._layers, self._is_away = None, True

    def bring_back(self):
        """Show all again in the project that is open now."""
        if self._facts is None or not self._is_away:
            return
        self._is_away = False
        self._make_layers()
        if self._layers is None:
            return
        self._points, self._all = self._all + self._points, []
        for key, (contours, lines) in self._pictures.items():
            self._layers.set_contours(key, contours)
            self._layers.set_breaklines(key, lines)
        self._layers.set_lane(*self._lane)
        for role, raster in self._rasters.items():
            self._show_raster(role, raster)
        self._layers.stretch_depth(self._deepest)
        self._show()

    # -- what comes -----------------------------------------------------------

    def _take_heard(self, seen):
        if self._facts is None:
            return
        if not self._crs.isValid():
            self._crs = QgsCoordinateReferenceSystem(f"EPSG:{seen['epsg']}")
            self._make_layers()
        rows = np.column_stack([seen[k] for k in ("x", "y", "depth", "hardness", "accepted")])
        kept = []
        for row in rows:
            if self._last is None or np.hypot(*(row[:2] - self._last)) >= _APART_M or not row[4]:
                kept.append(row)
                self._last = row[:2]
        self._points += kept
        if not self._hears_hardness and np.isfinite(seen["hardness"]).any():
            self._hears_hardness = True
            self._tick_hardness()

    def _take_picture(self, picture):
        if self._facts is None or not self._crs.isValid():
            return
        self._pictures[picture.key] = picture.contours, picture.breaklines
        self._cell = picture.cell
        try:
            self._write("water_depth", picture.key, (picture.depth, picture.sigma))
            if picture.hardness is not None:
                self._write("water_hardness", picture.key, (picture.hardness,))
        except LakefloorError as error:
            self._warn(str(error))
        for key, contours in picture.neighbors:
            self._pictures[key] = contours, self._pictures.get(key, ([], []))[1]
        if self._layers is not None:
            self._layers.set_breaklines(picture.key, picture.breaklines)
            for key in (picture.key, *(key for key, _ in picture.neighbors)):
                self._layers.set_contours(key, self._pictures[key][0])
        self._due |= {"water_contours", "water_break_lines"}
        self._newest = max(self._newest, picture.stamp)
        self._follow_depth(picture)

    def _write(self, role, key, bands):
        raster = self._rasters.get(role)
        if raster is None:
            names = {"water_depth": ("depth (m)", "standard uncertainty (m)")}
            raster = self._rasters[role] = WindowRaster(
                self._folder,
                role,
                self._crs.toWkt(),
                self._cell,
                WINDOW_CELLS,
                names.get(role, ("relative hardness",)),
            )
        if raster.write(key, bands):
            self._show_raster(role, raster)
        self._due.add(role)

    def _show_raster(self, role, raster):
        if self._layers is None:
            return
        title, style = {
            "water_depth": (tr("Depth on the water"), "water_depth"),
            "water_hardness": (tr("Bottom hardness on the water"), "water_hardness"),
        }[role]
        is_new = self._layers.layer(role) is None
        try:
            self._layers.show_raster(role, raster.path, title, style)
        except LakefloorError as error:
            self._warn(str(error))
        if is_new and role == "water_hardness":
            self._tick_hardness()

    def _warn(self, text):
        """Tell what is wrong; not again for every window."""
        if text not in self._warned:
            self._warned.add(text)
            self.told.emit(text, True)

    def _tick_hardness(self):
        """Show hardness above depth only where that of today comes in."""
        if self._layers is not None:
            self._layers.tick("water_hardness", self._hears_hardness)

    def _follow_depth(self, picture):
        """Let the colors reach as deep as the map."""
        known = picture.depth[np.isfinite(picture.depth)]
        deepest = float(known.max()) if known.size else 0.0
        if deepest > _DEEPER * self._deepest:
            self._deepest = deepest
            if self._layers is not None:
                self._layers.stretch_depth(deepest)

    def _take_plan(self, plan):
        if self._facts is None:
            return
        self._lane = _line_of(plan)
        if self._layers is not None:
            self._layers.set_lane(*self._lane)
            self._due.add("water_lane")
        self.planned.emit(plan)

    # -- what is shown --------------------------------------------------------

    def _make_layers(self):
        if self._is_away or not self._crs.isValid():
            return
        self._layers = WaterLayers(
            QgsProject.instance(),
            self._facts,
            self._crs,
            unit_of(self._facts),
            interval_of(self._facts),
            _note(),
        )

    def _look(self):
        """Show what is new, where the canvas has shown what came before."""
        since = time.monotonic() - self._asked
        if self._canvas is not None and self._canvas.isDrawing() and since < _PATIENCE_S:
            return
        if self._due or since >= _PACE_S:
            self._show()

    def _show(self):
        """Let the canvas show what is new."""
        if self._layers is None:
            return
        if self._points:
            points, self._points = self._points, []
            self._all += points
            self._layers.add_soundings(*np.array(points).T)
            self._due.add("water_soundings")
        due, self._due = self._due, set()
        for role in due:
            if role in self._rasters:
                self._layers.refresh_raster(role)
            else:
                self._layers.repaint(role)
        if due:
            self._asked = time.monotonic()
            self.shown.emit(self._newest)


def _line_of(plan):
    """Return the line that a plan proposes and its kind."""
    if plan["line"] is None and plan.get("cross"):
        return plan["cross"]["line"], "cross-line"
    return plan["line"], "lane"


def _note():
    return tr(
        "Drawn on the water from what was recorded so far, window by window, with settings that were "
        "learned before. Only jumps are cleaned out. The careful map at home may differ by a few "
        "centimeters between lanes, and by more at the edges. Not for navigation."
    )
