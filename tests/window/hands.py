"""Hands for a window: real clicks and keys that are counted, waiting, pictures, and the freezes."""

import os
import sys
import time
import traceback
from contextlib import contextmanager
from pathlib import Path

import qgis.utils
from qgis.PyQt.QtCore import QEvent, QPoint, QPointF, Qt, QTimer
from qgis.PyQt.QtGui import QMouseEvent
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QMessageBox, QToolButton

PICTURES = Path(os.environ["LAKEFLOOR_PICTURES"])
#: Seconds that a condition is waited for.
PATIENCE = float(os.environ.get("LAKEFLOOR_PATIENCE", "60"))
_LEFT = Qt.MouseButton.LeftButton


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
        QTest.mouseClick(widget, _LEFT)

    def click_action(self, action):
        """Click the button that has an action: of a toolbar or of the panel."""
        window = qgis.utils.iface.mainWindow()
        buttons = [b for b in window.findChildren(QToolButton) if b.defaultAction() is action]
        self.click(next(b for b in buttons if b.isVisible()))

    def click_cell(self, table, row, column):
        """Click the box of a cell that can be ticked."""
        self.clicks += 1
        place = table.visualItemRect(table.item(row, column))
        QTest.mouseClick(
            table.viewport(),
            _LEFT,
            pos=QPoint(place.left() + place.height() // 3, place.center().y()),
        )

    def type_in(self, line, text):
        self.clicks += 1
        line.setFocus()
        line.selectAll()
        # QTest types ASCII only.
        line.insert(str(text))

    def drag(self, widget, start, end):
        """Draw a rectangle on the map, from one point of the screen to another."""
        self.clicks += 1
        middle = QPoint((start.x() + end.x()) // 2, (start.y() + end.y()) // 2)
        QTest.mousePress(widget, _LEFT, pos=start)
        for point in (middle, end):
            # QTest moves without a button held down.
            place, button = QPointF(point), Qt.MouseButton
            on_screen = QPointF(widget.mapToGlobal(point))
            kind, none = QEvent.Type.MouseMove, Qt.KeyboardModifier.NoModifier
            event = QMouseEvent(kind, place, on_screen, button.NoButton, _LEFT, none)
            QApplication.sendEvent(widget, event)
        QTest.mouseRelease(widget, _LEFT, pos=end)

    def answer(self, answer):
        """Click a button of the message box that the next click brings up."""

        def look():
            box = QApplication.activeModalWidget()
            if isinstance(box, QMessageBox):
                self.click(box.button(answer))
            elif time.perf_counter() < until:
                QTimer.singleShot(50, look)

        until = time.perf_counter() + PATIENCE
        QTimer.singleShot(50, look)


class Freezes:
    """The longest times in which the window did nothing else, by a timer of 10 ms."""

    def __init__(self):
        self._last, self.longest = time.perf_counter(), []
        self._timer = QTimer()
        self._timer.timeout.connect(self._tick)
        self._timer.start(10)

    def begin(self):
        self._last, self.longest = time.perf_counter(), []

    @contextmanager
    def not_counted(self):
        """What is done here is the test's own work."""
        self._tick()
        yield
        self._last = time.perf_counter()

    def _tick(self):
        now = time.perf_counter()
        self.longest = sorted([*self.longest, now - self._last])[-5:]
        self._last = now

    def text(self):
        return ", ".join(f"{gap:.2f}" for gap in reversed(self.longest)) + " s"


freezes = Freezes()


def picture(name):
    with freezes.not_counted():
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
                    f"waited in vain in line {_line(story)}"
                )
                QTimer.singleShot(50, step)
                return
            what = next(story)
        except StopIteration:
            return
        except BaseException:
            fail(*sys.exc_info())
        if callable(what):
            waiting.update({"for": what, "until": time.perf_counter() + PATIENCE})
            QTimer.singleShot(20, step)
        else:
            waiting["for"] = None
            QTimer.singleShot(int(1000 * what), step)

    QTimer.singleShot(500, step)


def _line(story):
    """Return where a story is, in the innermost of its parts."""
    while story.gi_yieldfrom is not None:
        story = story.gi_yieldfrom
    return story.gi_frame.f_lineno


def close(action):
    """Close QGIS as a person does; a question that comes up is a failure."""

    def asked():
        box = QApplication.activeModalWidget()
        words = box.text() if isinstance(box, QMessageBox) else type(box).__name__
        fail(AssertionError, AssertionError(f"QGIS does not close, it asks: {words}"), None)

    say("all held")
    QTimer.singleShot(int(1000 * PATIENCE / 3), asked)
    action.trigger()
