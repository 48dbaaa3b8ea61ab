"""An outing while it is recorded: joins the recorder, the growing map, the next lane and the marks."""

from __future__ import annotations

import time
from collections import deque
from datetime import datetime

import numpy as np
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._i18n import tr
from ...algorithms._lake.runs import current_run
from ...algorithms.core.errors import LakefloorError
from .levels import between
from .marking import Marking
from .said import FRESH_S, below_surface, is_known

#: The bottom is told by the median hardness of so many seconds, us.
_BOTTOM_US = 3_000_000


class Session(QObject):
    """Records outings, one at a time.

    Parameters
    ----------
    work : LakeWork
        The open lake.
    recorder : Recorder
    mapping : GrowingLayers
        Draws what is heard.

    Attributes
    ----------
    lake : LakeFolder or None
        Whose outing is recorded.
    facts : LakeFacts or None
    specs : list of SourceSpec
    given : dict
        What was said at the start; see :meth:`start`.
    soundings : int
        Of the outing so far.
    hardness : float or None
        Of the last seconds.
    now : Now or None
    """

    #: Recording has begun or ended.
    changed = pyqtSignal()
    #: Heard something new.
    heard = pyqtSignal()
    #: State of the recorder (RecorderState).
    state_changed = pyqtSignal(object)
    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)

    def __init__(self, work, recorder, mapping, parent=None):
        super().__init__(parent)
        self._work, self.recorder, self.mapping = work, recorder, mapping
        self.lake = self.facts = self.now = self.hardness = None
        self.specs, self.given, self.soundings, self.began = [], {}, 0, 0.0
        self._hardness, self._gaps = deque(), ()
        self.marking = Marking(self.recorder.mark, work, self)
        self.marking.told.connect(self.told)
        recorder.heard.connect(self._hear)
        recorder.state_changed.connect(self._take_state)

    @property
    def is_recording(self) -> bool:
        """Whether an outing is recorded."""
        return self.lake is not None

    # -- from start to end ----------------------------------------------------

    def start(self, lake, facts, specs, given, resume=None):
        """Begin to record an outing of a lake, or go on with one that was not ended.

        Parameters
        ----------
        lake : LakeFolder
        facts : LakeFacts
        specs : list of SourceSpec
        given : dict
            ``draft_m``, and ``levels``: a list of readings, each with ``utc``, ``level`` and ``unit``.
        resume : Recording, optional

        Raises
        ------
        LakefloorError
            If an outing is recorded already, or the recording cannot be written.
        """
        if self.is_recording:
            raise LakefloorError(
                tr("An outing of '{}' is being recorded. End it first.").format(self.facts.name)
            )
        given = {"time_offset_s": known_time_offset(lake), **given}
        self.now = self.hardness = None
        self.given, self.soundings = given, 0
        self._hardness.clear()
        self._gaps = ()
        self.marking.begin(
            given["time_offset_s"], given["draft_m"], facts.time_zone, _marks_in(resume)
        )
        self.recorder.start(lake, specs, given, resume)
        self.lake, self.facts, self.specs = lake, facts, list(specs)
        self.began = _began(self.recorder.recording)
        self.changed.emit()
        self.mapping.begin(lake, facts, given)

    def end(self, levels=()):
        """End the outing; return its recording (Recording) and what was said of it.

        Parameters
        ----------
        levels : list of dict
            Readings of the lake level at the end.
        """
        levels = between(self.given.get("levels", []), levels, *self._gaps)
        given = {**self.given, "levels": levels}
        recording = self.recorder.recording
        self.recorder.stop(levels=levels)
        self._forget()
        return recording, given

    def leave(self):
        """Stop without an end, as when QGIS is closed: the outing can be resumed."""
        if self.is_recording:
            self.recorder.leave()
            self._forget()

    def _forget(self):
        self.mapping.end()
        self.lake = self.facts = None
        self.changed.emit()

    # -- what is heard --------------------------------------------------------

    def _hear(self, heard):
        if not self.is_recording:
            return
        now = self.now = heard.now
        if now.fix_us is not None and now.fix_ok and is_known(now.lon, now.lat):
            self.marking.follow(now.fix_us, now.lon, now.lat)
            self._follow_clock(now)
        self.soundings += len(heard.soundings)
        self._follow_bottom(heard)
        self.mapping.add(heard)
        self.heard.emit()

    def _follow_clock(self, now):
        """Note by how much the GPS is ahead of the computer, s: at the first fix and at the last."""
        told = now.gps_time.astype("datetime64[ms]")
        if told == told:
            since = time.monotonic() - now.fix_us / 1e6
            gap = int(told.astype("int64")) / 1000.0 - (time.time() - since)
            self._gaps = (*self._gaps[:1], gap) if self._gaps else (gap, gap)

    def _follow_bottom(self, heard):
        """Take the median hardness of the last seconds, since that of one ping says little."""
        values = self._hardness
        values.append((heard.monotonic_us, heard.soundings.hardness))
        while values[0][0] < heard.monotonic_us - _BOTTOM_US:
            values.popleft()
        recent = np.concatenate([part for _, part in values])
        recent = recent[np.isfinite(recent)]
        self.hardness = float(np.median(recent)) if recent.size else None

    def _take_state(self, state):
        self.state_changed.emit(state)

    # -- marks ----------------------------------------------------------------

    def mark(self, kind):
        """Set a mark at the boat's place."""
        us = time.monotonic_ns() // 1000
        now, depth = self.now, None
        if now is not None and now.depth_us is not None and us - now.depth_us <= 1e6 * FRESH_S:
            depth = below_surface(now, self.given["draft_m"])
        try:
            self.marking.drop(kind, now, depth, us)
        except (LakefloorError, OSError) as error:
            self.told.emit(str(error), True)


def known_time_offset(lake) -> float:
    """Return the time offset of the lake's last visit, s; 0 where none is known."""
    record = current_run(lake, "visits")
    try:
        return float((record.parameters if record else {}).get("TIME_OFFSET") or 0.0)
    except (TypeError, ValueError):
        return 0.0


def _marks_in(recording) -> int:
    """Return the number of the last mark of a recording, 0 for none."""
    if recording is None:
        return 0
    return max((int(mark.get("number", 0)) for mark in recording.marks()), default=0)


def _began(recording) -> float:
    """Return when an outing began, s since 1970."""
    try:
        return datetime.fromisoformat(recording.content["started"]).timestamp()
    except (AttributeError, KeyError, TypeError, ValueError):
        return time.time()
