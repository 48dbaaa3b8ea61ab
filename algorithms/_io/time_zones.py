"""Time zones by name, also on a computer without Python's zone database, as Windows often is."""

from datetime import datetime, timedelta, tzinfo

from qgis.PyQt.QtCore import QDateTime, QTimeZone

from ..core.errors import LakefloorError
from ..core.times import zone_of

_UTC = QTimeZone(0)
_DAY = timedelta(days=1)
_EPOCH = datetime(1970, 1, 1)


def zone(name: str) -> tzinfo:
    """Return the time zone of a name: Python's, or Qt's where Python knows none of it.

    Raises
    ------
    LakefloorError
        If neither knows it.
    """
    try:
        return zone_of(name)
    except LakefloorError:
        found = QtZone(name.strip())
        if not found.known:
            raise
        return found


class QtZone(tzinfo):
    """A zone of Qt's database, which on Windows is that of the system."""

    def __init__(self, name):
        self._name, self._zone = name, QTimeZone(name.encode())

    @property
    def known(self) -> bool:
        return self._zone.isValid()

    def __str__(self):
        return self._name

    def __reduce__(self):
        return type(self), (self._name,)

    def _offset(self, utc) -> timedelta:
        ms = (utc - _EPOCH) // timedelta(milliseconds=1)
        return timedelta(seconds=self._zone.offsetFromUtc(QDateTime.fromMSecsSinceEpoch(ms, _UTC)))

    def utcoffset(self, when):
        """Return the offset at a local time; ``fold`` tells the pass of a repeated hour."""
        if when is None:
            return None
        local = when.replace(tzinfo=None, fold=0)
        before, after = self._offset(local - _DAY), self._offset(local + _DAY)
        holds = [offset for offset in (before, after) if self._offset(local - offset) == offset]
        if before == after or len(set(holds)) == 2 or not holds:
            # As PEP 495 asks, a time that is skipped counts by the clock that fold names.
            return after if when.fold else before
        return holds[0]

    def fromutc(self, when):
        utc = when.replace(tzinfo=None)
        offset = self._offset(utc)
        local = (utc + offset).replace(tzinfo=self)
        return local if self.utcoffset(local) == offset else local.replace(fold=1)

    def dst(self, when):
        return None

    def tzname(self, when):
        return self._name
