"""A recorder without devices, for tests of what stands above it."""

import json
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

from qgis.PyQt.QtCore import QObject, pyqtSignal

from lakefloor.algorithms.core.reading.live_log import Now
from lakefloor.algorithms.core.soundings import Soundings


@dataclass
class Kept:
    """A recording."""

    path: Path
    sources: dict = field(default_factory=dict)
    facts: dict = field(default_factory=dict)

    @property
    def content(self):
        return {"started": "2026-07-09T14:00:03.000+00:00"}

    def marks(self):
        path = self.path / "marks.jsonl"
        lines = path.read_text().splitlines() if path.exists() else []
        return [json.loads(line) for line in lines]


class QuietRecorder(QObject):
    """Has the interface of the recorder; what it hears is put in by :meth:`hear`."""

    heard = pyqtSignal(object)
    state_changed = pyqtSignal(object)
    raw = pyqtSignal(bytes)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.recording, self.is_recording, self.ended, self.left = None, False, None, False

    def start(self, lake, specs, facts, resume=None):
        path = lake.logs / "2026-07-09_140003Z" if resume is None else resume.path
        path.mkdir(parents=True, exist_ok=True)
        self.recording = Kept(path, {f"source-{i}": s for i, s in enumerate(specs, 1)}, facts)
        self.is_recording, self.left = True, False

    def stop(self, **facts):
        self.is_recording, self.ended = False, facts

    def leave(self):
        self.is_recording, self.left = False, True

    def mark(self, mark):
        with open(self.recording.path / "marks.jsonl", "a", encoding="utf-8") as file:
            file.write(json.dumps(mark) + "\n")

    def hear(self, soundings=None, monotonic_us=None, **now):
        us = now_us() if monotonic_us is None else monotonic_us
        soundings = Soundings.build([], [], []) if soundings is None else soundings
        told = SimpleNamespace(soundings=soundings, now=Now(**now), monotonic_us=us)
        self.heard.emit(told)


class NotingMap(QObject):
    """Has the interface of the growing map; notes what it is asked for."""

    told = pyqtSignal(str, bool)
    leveled = pyqtSignal(object)
    planned = pyqtSignal(object)
    shown = pyqtSignal(object)

    def __init__(self, parent=None, canvas=None):
        super().__init__(parent)
        self.asked = []

    def begin(self, lake, facts, given):
        self.asked.append("begin")
        self.leveled.emit({"shift_m": -0.3048, "typed": True})

    def add(self, heard):
        self.asked.append(len(heard.soundings))

    def put_away(self):
        self.asked.append("away")

    def bring_back(self):
        self.asked.append("back")

    def end(self):
        self.asked.append("end")


def now_us():
    return time.monotonic_ns() // 1000


def state(**changed):
    given = {
        "sources": {"source-1": ("open", "Depth sounder: open.")},
        "bytes": 12_345_678,
        "free": SimpleNamespace(bytes=40e9, seconds=36_000.0),
        "problem": "",
        "since": None,
    }
    return SimpleNamespace(**{**given, **changed})
