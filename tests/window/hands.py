"""Hands for a window: real clicks and keys that are counted, waiting, pictures, and the freezes."""

import os
import sys
import time
import traceback
from pathlib import Path

import qgis.utils
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QToolButton

PICTURES = Path(os.environ["LAKEFLOOR_PICTURES"])


def say(*words):
    print("window:", *words)
    sys.stdout.flush()


class Hands:
    """Clicks and types as a person does, and counts it: a typed field counts as one click."""

    def __init__(self):
        self.clicks, self._start = 0, time.perf_counter()

    def begin(self):
        self.clicks, self._start = 0, time.perf_counter()

    @property
    def seconds(self):
        return time.perf_counter() - self._start

    def click(self, widget):
        assert widget.isVisible(), f"{widget} is not to be seen"
        assert widget.isEnabled(), f"{widget} is not enabled"
        self.clicks += 1
        QTest.mouseClick(widget, Qt.MouseButton.LeftButton)

    def click_action(self, action):
        """Click the button of a toolbar that has an action."""
        window = qgis.utils.iface.mainWindow()
        buttons = [b for b in window.findChildren(QToolButton) if b.defaultAction() is action]
        self.click(next(b for b in buttons if b.isVisible()))

    def type_in(self, line, text):
        self.clicks += 1
        line.setFocus()
        line.selectAll()
        # QTest types ASCII only.
        line.insert(str(text))


class Freezes:
    """The longest times in which the window did nothing else, by a timer of 10 ms."""

    def __init__(self):
        self._last, self.longest = time.perf_counter(), []
        self._timer = QTimer()
        self._timer.timeout.connect(self._tick)
        self._timer.start(10)

    def begin(self):
        self._last, self.longest = time.perf_counter(), []

    def _tick(self):
        now = time.perf_counter()
        self.longest = sorted([*self.longest, now - self._last])[-5:]
        self._last = now

    def text(self):
        return ", ".join(f"{gap:.2f}" for gap in reversed(self.longest)) + " s"


def picture(name):
    QApplication.primaryScreen().grabWindow(0).save(str(PICTURES / f"{name}.png"))


def fail(kind, error, trace, *_, **__):
    traceback.print_exception(kind, error, trace)
    picture("failed")
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(1)


def go(story, watch):
    """Follow a story, a generator: it yields seconds to wait, or a condition to wait for.

    ``watch`` is called again and again meanwhile, and raises if something went wrong.
    """
    qgis.utils.showException = lambda kind, error, trace, *_, **__: fail(kind, error, trace)
    sys.excepthook = fail
    waiting = {"for": None, "until": 0.0}

    def step():
        try:
            watch()
            wanted = waiting["for"]
            if wanted is not None and not wanted():
                assert time.perf_counter() < waiting["until"], (
                    f"waited in vain in line {story.gi_frame.f_lineno}"
                )
                QTimer.singleShot(50, step)
                return
            what = next(story)
        except StopIteration:
            return
        except BaseException:
            fail(*sys.exc_info())
        if callable(what):
            waiting.update({"for": what, "until": time.perf_counter() + 120.0})
            QTimer.singleShot(50, step)
        else:
            waiting["for"] = None
            QTimer.singleShot(int(1000 * what), step)

    QTimer.singleShot(2500, step)
