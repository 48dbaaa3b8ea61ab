"""The growing map beside QGIS: a process that draws, and the threads that speak with it."""

from __future__ import annotations

import os
import queue
import subprocess
import sys
import threading
from contextlib import suppress

import numpy as np
from qgis.PyQt.QtCore import QObject, pyqtSignal, pyqtSlot

from ....algorithms import _growing
from ....algorithms._growing import start as starter
from ....algorithms._growing.frames import HELLO, read_frame, write_frame
from ....algorithms._i18n import tr
from .interpreter import interpreters

__all__ = ["MapHost"]

#: A process that has said nothing after so long is given up, s.
_SPEAKS_S = 60.0
#: Soundings that are given again to a process in place of one that ended.
_AGAIN = 2_000_000


class MapHost(QObject):
    """Starts the process of the growing map, sends it what is heard, and tells what it draws.

    Nothing here waits in the main thread: messages go through queues. Where no Python is found, a
    thread of QGIS does the same work, and it is said.
    """

    #: A picture of a window (WindowPicture).
    drawn = pyqtSignal(object)
    #: What was made of soundings (dict of arrays).
    heard = pyqtSignal(object)
    #: Today's level as it was fitted (dict).
    leveled = pyqtSignal(object)
    #: A plan of the next lane (dict).
    planned = pyqtSignal(object)
    #: What it works with (dict).
    ready = pyqtSignal(object)
    #: A sentence for the user.
    told = pyqtSignal(str)

    _came = pyqtSignal(int, object)

    def __init__(self, parent=None):
        super().__init__(parent)
        self._run, self._messages, self._process = 0, None, None
        self._sent, self._count, self._restarted = [], 0, False
        self._came.connect(self._take)

    @property
    def is_running(self) -> bool:
        """Whether there is a map to send to."""
        return self._messages is not None

    def start(self, settings: dict, in_thread: bool = False):
        """Start with settings; see :func:`algorithms._growing.map_work.settings_of`."""
        self.stop()
        self._sent, self._count, self._restarted = [("begin", settings)], 0, False
        self._begin(in_thread)

    def add(self, soundings, stamp):
        """Send new soundings, longitude and latitude, as they were read."""
        if len(soundings):
            self._send(("add", soundings, stamp), len(soundings))

    def level(self, shift):
        """Say what is added to today's depths, m; None fits them to earlier ones."""
        self._send(("level", shift))

    def plan(self, **given):
        """Ask for the next lane."""
        if self._messages is not None:
            self._messages.put(("plan", given))

    def stop(self):
        """End the process."""
        if self._messages is None:
            return
        self._run += 1
        self._messages.put(("stop",))
        self._messages, process, self._process = None, self._process, None
        self._sent = []
        if process is not None:
            threading.Thread(target=_reap, args=(process,), daemon=True).start()

    # -- from here to there ---------------------------------------------------

    def _send(self, message, count=0):
        if self._messages is None:
            return
        self._messages.put(message)
        self._count += count
        if self._count <= _AGAIN:
            self._sent.append(message)

    def _begin(self, in_thread):
        self._run += 1
        messages = self._messages = queue.Queue()
        for message in self._sent:
            messages.put(message)
        work = self._in_thread if in_thread else self._in_process
        threading.Thread(target=work, args=(self._run, messages), daemon=True).start()

    def _in_process(self, run, messages):
        for python in interpreters():
            process = _started(python)
            if process is None:
                continue
            if run != self._run:
                _reap(process)
                return
            self._process = process
            writer = threading.Thread(target=_write, args=(messages, process.stdin), daemon=True)
            writer.start()
            spoke = self._hear(run, process)
            messages.put(("stop",))
            writer.join()
            _reap(process)
            if spoke:
                self._tell(run, ("ended",))
                return
            # What was written to one that never spoke is sent again to the next.
            while not messages.empty():
                messages.get_nowait()
            for message in list(self._sent):
                messages.put(message)
        if run == self._run:
            self._tell(run, ("told", _no_process()))
            self._in_thread(run, messages)

    def _hear(self, run, process):
        """Tell what comes until it ends; return whether it ever spoke."""
        spoke = False
        slow = threading.Timer(_SPEAKS_S, process.kill)
        slow.start()
        with suppress(Exception):  # also what this Python cannot read
            while True:
                message = read_frame(process.stdout)
                slow.cancel()
                spoke = True
                if message != HELLO:
                    self._tell(run, message)
        slow.cancel()
        return spoke

    def _in_thread(self, run, messages):
        from ....algorithms._growing.serving import run as serve

        serve(messages, lambda message: self._tell(run, message))

    def _tell(self, run, message):
        """Send to the main thread, unless another run has begun or this object is gone."""
        if run == self._run:
            with suppress(RuntimeError):
                self._came.emit(run, message)

    # -- from there to here ---------------------------------------------------

    @pyqtSlot(int, object)
    def _take(self, run, message):
        if run != self._run:
            return
        kind, *given = message
        if kind == "ended":
            self._go_on()
        elif kind == "failed":
            self.told.emit(
                tr("A part of the map on the water could not be drawn: {}").format(
                    given[0].strip().splitlines()[-1]
                )
            )
        else:
            signals = {"picture": self.drawn, "level": self.leveled}
            signals.get(kind, getattr(self, kind, self.told)).emit(*given)

    def _go_on(self):
        """Begin again, once, where the process has ended by itself."""
        if self._restarted or self._count > _AGAIN:
            self._messages = self._process = None
            self.told.emit(tr("The map on the water has ended. The recording goes on."))
            return
        self._restarted = True
        self._begin(False)


def _started(python):
    """Return the process of the map, or None."""
    root = _growing.__name__.rpartition(".algorithms.")[0]
    flags = getattr(subprocess, "CREATE_NO_WINDOW", 0)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(_paths())}
    for library in ("OMP", "OPENBLAS", "MKL"):
        environment.setdefault(f"{library}_NUM_THREADS", "1")
    with suppress(OSError):
        return subprocess.Popen(
            [python, starter.__file__, root, np.__version__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            creationflags=flags,
            env=environment,
        )
    return None


def _paths():
    """Return where QGIS finds its libraries, but for folders of plugins."""
    return [path for path in sys.path if path and "plugins" not in path]


def _write(messages, stream):
    with suppress(OSError, ValueError):
        while True:
            message = messages.get()
            if message[0] == "stop":
                stream.close()
                return
            write_frame(stream, message)


def _reap(process):
    """Wait for a process whose input has ended, and end it where it does not."""
    with suppress(OSError):
        process.stdin.close()
    try:
        process.wait(5.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _no_process():
    return tr("No Python was found beside QGIS, so the map on the water is drawn within QGIS.")
