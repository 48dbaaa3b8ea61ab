"""Soundings and what is known now, taken from what arrives, in a thread of their own."""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.reading.live_log import LiveReader, Now
from ...algorithms.core.reading.recorded_log import parse_recording
from ...algorithms.core.reading.text_log import TextLogOptions, parse_text_log
from ...algorithms.core.soundings import Soundings, concatenate
from ...algorithms.core.times import date_in_name
from .beside import Beside
from .clock_watch import ClockWatch

#: How often soundings are taken, s.
_TAKE_S = 0.25


@dataclass(frozen=True)
class Heard:
    """What was heard since the last time.

    Attributes
    ----------
    soundings : Soundings
        ``x`` and ``y`` are longitude and latitude, degrees.
    now : Now
    monotonic_us : int
        When it was taken, us.
    """

    soundings: Soundings
    now: Now
    monotonic_us: int


class Hearing:
    """Reads what arrives, and tells it four times a second.

    What a recording that goes on had before is told first; until that is read, what comes now is
    told without soundings.

    Parameters
    ----------
    recording : Recording
    session : int
    tell : callable
        Is given each :class:`Heard`.
    note : callable
        Is given kind and sentence of an event.
    fail : callable
        As for :class:`.Beside`.
    """

    def __init__(self, recording, session, tell, note, fail):
        self._recording, self._session, self._tell, self._note = recording, session, tell, note
        self._reader = LiveReader(name_date=date_in_name(recording.path.name))
        self._clocks, self._held, self._earlier = ClockWatch(_TAKE_S), [], None
        self._beside = Beside("hearing", _TAKE_S, self._take, fail)
        self._is_read = threading.Event()

    def begin(self):
        """Begin to hear."""
        if self._session > 1:
            threading.Thread(target=self._read_back, name="reading back", daemon=True).start()
        else:
            self._is_read.set()
        self._beside.start()

    def hear(self, key, data, monotonic_us, utc_us):
        """Take bytes of a source."""
        self._beside.ask(self._reader.feed, key, data, monotonic_us, utc_us, self._session)

    def finish(self, longest_s):
        """Tell the last, and end."""
        self._beside.ask(self._take)
        self._beside.finish(longest_s)

    def _read_back(self):
        parts = []
        try:
            for part in (self._sentences, self._tables):
                with suppress(LakefloorError, OSError):  # nothing of it can be read
                    parts += part()
            self._earlier = concatenate(parts) if parts else None
        finally:
            self._is_read.set()

    def _sentences(self):
        return [parse_recording(self._recording.path, before_session=self._session).soundings]

    def _tables(self):
        """Return the soundings of sources that gave delimited text."""
        found = []
        for key in self._recording.keys:
            raw = self._recording.raw(key)
            ends = self._recording.arrivals(key).before(self._session).end
            if raw.suffix == ".txt" and len(ends):
                data = raw.read_bytes()[: ends[-1]]
                found.append(parse_text_log(data, TextLogOptions()).soundings)
        return found

    def _take(self):
        new, now = self._reader.take(), self._reader.now
        us = time.monotonic_ns() // 1000
        for event in self._clocks.compare(now, us, time.time_ns() // 1000):
            self._note(*event)
        self._held.append(new)
        told = new.select(np.zeros(0, dtype=int))
        if self._is_read.is_set():
            earlier, self._earlier = self._earlier, None
            parts = [part for part in (earlier, *self._held) if part is not None and len(part)]
            told, self._held = (concatenate(parts) if parts else told), []
        self._tell(Heard(told, now, us))
