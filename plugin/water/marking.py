"""Marks dropped by a key or a button while the boat runs.

A mark is kept in the recording first, at once, then in the lake's layer of marks. Its place is where
the transducer was when the key was pressed: the track at that time, later by the time offset
(latency) of the positions. It is worked out again when the fixes after the press are in.
"""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timezone

from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._i18n import tr
from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.times import zone_of
from ..tools.marks import mark_kinds
from .mark_layer import MarkLayer
from .track import Track, meters_between

#: A place that changes by less than this stays, m.
_STAYS_M = 0.05


@dataclass(frozen=True)
class Mark:
    """A mark of an outing.

    Attributes
    ----------
    number : int
        Within the recording, from 1.
    kind, name : str
    us : int
        When the key was pressed, monotonic us.
    utc_ms : int
        The same in ms since 1970, by the GPS where it has told the time.
    place : tuple of float
        Longitude and latitude, degrees.
    depth_m : float or None
        Below the surface.
    feature : int or None
        In the layer; None where it could not be written there.
    """

    number: int
    kind: str
    name: str
    us: int
    utc_ms: int
    place: tuple
    depth_m: float | None = None
    feature: int | None = None


class Marking(QObject):
    """Drops marks, corrects their places, and takes the last one back.

    Parameters
    ----------
    keep : callable
        Keeps a mark (dict) in the recording.
    lake : object
        What the panel holds.
    """

    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)
    #: The marks of the outing have changed.
    changed = pyqtSignal()

    def __init__(self, keep, lake, parent=None):
        super().__init__(parent)
        self._keep, self._layer = keep, MarkLayer(lake)
        self.track, self.marks = Track(), []
        #: By how much positions are older than depths, s; and of the transducer, m.
        self.time_offset_s, self.draft_m = 0.0, 0.0
        self._open, self._count, self._zone = set(), 0, None

    def begin(self, time_offset_s, draft_m, zone="", before=0):
        """Begin with the marks of an outing that has ``before`` already.

        Parameters
        ----------
        time_offset_s, draft_m : float
        zone : str
            Time zone of the lake's clocks, by which marks are named; "" for the computer's own.
        before : int
        """
        self._zone = None
        with suppress(LakefloorError):  # a name that this computer does not know
            self._zone = zone_of(zone) if zone else None
        self.track, self.marks, self._open, self._count = Track(), [], set(), before
        self.time_offset_s, self.draft_m = time_offset_s, draft_m

    def drop(self, kind, now, depth_m, us=None):
        """Set a mark where the transducer is.

        Parameters
        ----------
        kind : str
            As it is kept.
        now : Now or None
        depth_m : float or None
            Below the surface, where it is fresh.
        us : int, optional
            When the key was pressed, monotonic us.

        Raises
        ------
        LakefloorError
            If there is no position.
        """
        us = time.monotonic_ns() // 1000 if us is None else us
        place = self.track.at(self._shifted(us))
        if place is None:
            raise LakefloorError(
                tr("There is no position to mark. Wait until the GPS receiver has one.")
            )
        self._count += 1
        utc_ms = _utc_ms(now, us)
        mark = Mark(
            self._count,
            kind,
            _name(kind, utc_ms, self._zone),
            us,
            utc_ms,
            place,
            None if depth_m is None else round(depth_m, 3),
        )
        self._keep(self._as_kept(mark))
        self.marks.append(self._shown(mark))
        self._open.add(mark.number)
        self.changed.emit()

    def follow(self, us, lon, lat):
        """Take in a fix, and correct marks whose later fixes are in."""
        self.track.add(us, lon, lat)
        for i, mark in enumerate(self.marks):
            if mark.number in self._open and self.track.newest_us >= self._shifted(mark.us):
                self._open.discard(mark.number)
                self.marks[i] = self._corrected(mark)

    def undo(self):
        """Take the last mark back."""
        if not self.marks:
            return
        mark = self.marks.pop()
        self._open.discard(mark.number)
        self._keep({"number": mark.number, "removed": True})
        if mark.feature is not None:
            self._try(lambda: self._layer.remove(mark.feature))
        self.changed.emit()

    def _shifted(self, us):
        return us + round(1e6 * self.time_offset_s)

    def _shown(self, mark):
        """Write a mark into the layer; return it with the number of its feature."""
        values = {
            "name": mark.name,
            "symbol": mark.kind,
            "depth_m": mark.depth_m,
            "time": mark.utc_ms,
        }
        return replace(mark, feature=self._try(lambda: self._layer.add(mark.place, values)))

    def _corrected(self, mark):
        place = self.track.at(self._shifted(mark.us))
        if place is None or meters_between(mark.place, place) < _STAYS_M:
            return mark
        moved = replace(mark, place=place)
        self._keep(self._as_kept(moved))
        if mark.feature is not None:
            self._try(lambda: self._layer.move(mark.feature, place))
        return moved

    def _as_kept(self, mark):
        """Return what the recording keeps; a later line of a number goes before an earlier one."""
        return {
            "number": mark.number,
            "kind": mark.kind,
            "name": mark.name,
            "utc": _iso(mark.utc_ms),
            "monotonic_us": mark.us,
            "lon": round(mark.place[0], 8),
            "lat": round(mark.place[1], 8),
            "depth_m": mark.depth_m,
            "draft_m": self.draft_m,
            "time_offset_s": self.time_offset_s,
        }

    def _try(self, write):
        try:
            return write()
        except (LakefloorError, OSError) as error:
            self.told.emit(str(error), True)
            return None


def _utc_ms(now, us) -> int:
    """Return the time of a key press in ms since 1970, by the GPS where it has told the time."""
    if now is not None and now.fix_us is not None:
        told = now.gps_time.astype("datetime64[ms]")
        if told == told:
            return int(told.astype("int64")) + (us - now.fix_us) // 1000
    return time.time_ns() // 1_000_000


def _name(kind, utc_ms, zone) -> str:
    """Return a name: the kind, and the time of the day."""
    day = datetime.fromtimestamp(utc_ms / 1000.0, zone)
    return f"{mark_kinds().get(kind, kind)} {day:%H:%M:%S}"


def _iso(utc_ms) -> str:
    text = datetime.fromtimestamp(utc_ms / 1000.0, timezone.utc).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")
