"""Work in parts leaves the event loop free between them."""

import pytest
from qgis.PyQt.QtCore import QCoreApplication, QTimer

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.plugin.door.spreading import Spread


def process(until):
    for _ in range(2000):
        QCoreApplication.processEvents()
        if until():
            return
    raise AssertionError("waited in vain")


@pytest.fixture
def spread(qgis_app):
    made = Spread()
    yield made
    made.forget()


def test_other_events_come_between_the_parts(spread):
    seen, done = [], []

    def parts():
        for number in range(5):
            QTimer.singleShot(0, lambda: seen.append("event"))
            seen.append(number)
            yield number

    spread.do(parts(), done.append)
    process(lambda: done)
    assert done == [4]
    assert "event" in seen[: seen.index(4)]


def test_one_piece_comes_after_the_other_and_failures_are_told(spread):
    order, told = [], []

    def piece(name, wrong=False):
        order.append(name)
        yield name
        if wrong:
            raise LakefloorError("the disk is full")

    spread.do(piece("first", wrong=True), order.append, told.append)
    spread.do(piece("second"), lambda last: order.append(f"{last} done"))
    process(lambda: not spread.busy)
    assert told == ["the disk is full"]
    assert order == ["first", "second", "second done"]


def test_what_is_forgotten_is_closed_and_not_gone_on_with(spread):
    order = []

    def piece():
        try:
            order.append("begun")
            yield
            order.append("gone on")
        finally:
            order.append("closed")

    spread.do(piece())
    process(lambda: order)
    spread.forget()
    for _ in range(20):
        QCoreApplication.processEvents()
    assert order == ["begun", "closed"]
