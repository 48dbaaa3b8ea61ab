"""Why a window stood still: the gaps of its event loop, each with what went on meanwhile.

A timer of 10 ms in the main thread measures the gaps. The kernel says of each how long the main
thread worked, how long it was ready to but had no processor, and the rest is waiting: for Python's
lock, which another thread held, for a file or a mutex. A thread looks at all stacks meanwhile. Where
Python's lock is not given up, the looker waits as well, and that is seen too.
"""

import os
import sys
import threading
import time
from collections import Counter
from pathlib import Path

from qgis.PyQt.QtCore import Qt, QTimer

TICK_MS = 10
LOOK_S = 0.02
NOTED_S = 0.1
ROOT = str(Path(__file__).resolve().parents[2]) + os.sep
_SCHEDSTAT = f"/proc/self/task/{os.getpid()}/schedstat"


def _at_work():
    """Return seconds that the main thread has worked, and has waited for a processor."""
    with open(_SCHEDSTAT, encoding="utf-8") as file:
        worked, queued, _ = file.read().split()
    return int(worked) / 1e9, int(queued) / 1e9


def _place(frame):
    path = frame.f_code.co_filename
    for mark in (ROOT, "lakefloor/", "/plugins/", "-packages/", "lib/python3"):
        if mark in path:
            path = path.split(mark, 1)[1]
            break
    return f"{path}:{frame.f_lineno} {frame.f_code.co_name}"


def _stack(frame, ours):
    """Return the innermost places of a stack, those of our own code and the last one."""
    places, first = [], frame
    while frame is not None and len(places) < 4:
        path = frame.f_code.co_filename
        if frame is first or any(part in path for part in ours):
            places.append(_place(frame))
        frame = frame.f_back
    return " < ".join(places)


class Gap:
    """One gap: seconds in all, worked, without a processor; samples of main and other stacks."""

    def __init__(self, start, whole, worked, queued, main, others, late):
        self.start, self.whole, self.worked, self.queued = start, whole, worked, queued
        self.main, self.others, self.late = main, others, late

    @property
    def waited(self):
        return max(self.whole - self.worked - self.queued, 0.0)

    def text(self, most=3):
        lines = [
            f"{self.whole:.3f} s: worked {self.worked:.3f}, no processor {self.queued:.3f}, "
            f"waited {self.waited:.3f}"
        ]
        for title, stacks in (("main", self.main), ("other", self.others)):
            for stack, count in stacks.most_common(most):
                lines.append(f"    {title} {count:2}x {stack or '(no Python)'}")
        return "\n".join(lines)


class Gaps:
    """Measures from :meth:`begin` on; :attr:`found` holds the gaps above 0.1 s."""

    def __init__(self, ours=("lakefloor", ROOT)):
        self._ours, self._main = ours, threading.get_ident()
        self._looks, self.found, self.longest, self.steady = [], [], 0.0, 0.0
        self._slot = None
        self._timer = QTimer()
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._tick)
        self._over = threading.Event()
        threading.Thread(target=self._look, daemon=True).start()
        self.begin()
        self._timer.start(TICK_MS)

    def begin(self):
        """Forget what was found."""
        self.found, self.longest = [], 0.0
        self._last, self._work = time.perf_counter(), _at_work()

    def end(self):
        self._timer.stop()
        self._over.set()

    def _tick(self):
        now, work = time.perf_counter(), _at_work()
        whole = now - self._last
        worked, queued = (b - a for a, b in zip(self._work, work))
        self.longest = max(self.longest, whole)
        if whole > NOTED_S:
            since, looks = self._last, self._looks
            looks = [look for look in looks if since <= look[0] <= now + 0.001]
            main, others = Counter(), Counter()
            for _, own, rest in looks:
                main[own] += 1
                others.update(rest)
            times = [since, *(look[0] for look in looks), now]
            late = max(b - a for a, b in zip(times, times[1:]))
            self.found.append(Gap(since, whole, worked, queued, main, others, late))
        self._looks = []
        self._last, self._work = time.perf_counter(), _at_work()

    def _look(self):
        me = threading.get_ident()
        while not self._over.wait(LOOK_S):
            if time.perf_counter() - self._last < 0.03:
                continue
            frames = sys._current_frames()
            own = _stack(frames.get(self._main), self._ours) if self._main in frames else ""
            rest = [
                text
                for ident, frame in frames.items()
                if ident not in (me, self._main)
                for text in [_stack(frame, self._ours)]
                if not _idle(text)
            ]
            self._looks.append((time.perf_counter(), own, rest))

    def text(self, title):
        """Return what was found, the longest gap first."""
        load = os.getloadavg()[0]
        worst = sorted(self.found, key=lambda gap: -gap.whole)
        work = max((gap.worked for gap in self.found), default=0.0)
        head = (
            f"{title}: longest gap {self.longest:.3f} s, {len(worst)} above {NOTED_S} s, "
            f"most work in one {work:.3f} s, load {load:.1f}"
        )
        return "\n".join([head, *("  " + gap.text() for gap in worst[:12])])


def _idle(text):
    """Tell whether a thread only waits for others."""
    innermost = text.split(" < ")[0]
    return "threading.py" in innermost or "selectors.py" in innermost
