"""The sentences of NMEA 0183 in a log, checked and put into columns.

References
----------
NMEA 0183, Standard for Interfacing Marine Electronic Devices (also IEC
61162-1): sentences DBT, DBS, DBK, DPT, GGA, RMC, GLL, ZDA, VTG, MTW and XDR.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from .. import units
from ..errors import LakefloorError
from ..number_text import counted
from ..progress import Progress, span, watched
from .byte_cells import ByteCells
from .nmea_split import SentenceBlock, sentence_blocks
from .nmea_values import angles, days_since_1970, short_dates, times_of_day
from .parsed_log import NO_FIX, UNFINISHED, UnreadTally

DEPTH_KINDS = ("DPT", "DBS", "DBT", "DBK")
#: Cells of a fix: its time, whether it is valid, latitude (longitude follows), and how it was got.
_FIX_CELLS = {"GGA": (0, 5, 1, 5), "RMC": (0, 1, 2, 11), "GLL": (4, 5, 0, 6)}
_USED = {*DEPTH_KINDS, *_FIX_CELLS, "ZDA", "VTG", "MTW", "XDR"}
_USED_HEAD = re.compile(rf"\$[A-Z][A-Z0-9]({'|'.join(sorted(_USED))}),".encode())
UNIT_FIELDS = ((b"f", units.FOOT), (b"M", 1.0), (b"F", units.FATHOM))
#: Quality of GGA, and mode of RMC and GLL, of a position that no satellite gave.
_ESTIMATES = b"678EMSN"

#: Checksums: right, wrong, none at all, and the beginning of one.
_RIGHT, _WRONG, _BARE, _BEGUN = range(4)

#: Why a sentence is not read.
_REASONS = (
    "wrong checksum",
    UNFINISHED,
    "cut short: no checksum where others have one",
    "no valid fix (status V or quality 0)",
    "no fix by satellite (estimated, manual or simulated)",
    "malformed position or time",
    NO_FIX,
    "water temperature not in Celsius",
)
_WRONG_SUM, _LAST, _CUT, _INVALID, _ESTIMATED, _MALFORMED, _NOWHERE, _NOT_CELSIUS, _GOOD = range(9)


def is_nmea(data: bytes) -> bool:
    """Tell whether a file's bytes hold at least one sentence this module reads."""
    return bool(_USED_HEAD.search(data[:1_000_000]))


def sentence_checksum(body: str | bytes) -> int:
    """Return the exclusive or of the characters between ``$`` and ``*``.

    Examples
    --------
    >>> f"{sentence_checksum('SDDPT,2.4,-0.3'):02X}"
    '7F'
    """
    value = 0
    for character in body.encode("latin-1") if isinstance(body, str) else body:
        value ^= character
    return value


@dataclass(frozen=True)
class DepthColumns:
    """The depths of one talker and kind of sentence, in order of arrival.

    Attributes
    ----------
    at : array of int, shape (n,)
        Running numbers of their sentences.
    value : array, shape (n, 3)
        As written, by :data:`UNIT_FIELDS`; NaN where there is none.
    decimals : array of int, shape (n, 3)
        With how many decimals it is written; -1 where nothing is.
    offset : array, shape (n,)
        m; that of DPT, NaN where none is stated.
    """

    at: np.ndarray
    value: np.ndarray
    decimals: np.ndarray
    offset: np.ndarray


@dataclass(frozen=True)
class SentenceColumns:
    """What the sentences of a log say, in order of arrival; ``at`` are their running numbers.

    Attributes
    ----------
    data : bytes
        The log.
    start, end, line : array of int, shape (n,)
        Where the text of each sentence stands, and its line from 1.
    depths : dict
        :class:`DepthColumns` by talker and kind, such as ``SDDPT``.
    blanks : dict
        ``at`` of depth sentences without a depth, by talker and kind, in order of the first.
    fixes : tuple of array
        ``at``, talker, longitude and latitude (degrees), decimals of the latitude.
    timed : tuple of array
        ``at``, ms since midnight, day since 1970 or -1, and whether it is from ZDA.
    motion : tuple of array
        ``at``, speed (m/s), course (degrees).
    temperature : tuple of array
        ``at``, degrees Celsius.
    hardness : tuple of array
        ``at``, relative hardness of the bottom, 0..1.
    """

    data: bytes
    start: np.ndarray
    end: np.ndarray
    line: np.ndarray
    depths: dict
    blanks: dict
    fixes: tuple
    timed: tuple
    motion: tuple
    temperature: tuple
    hardness: tuple

    def count_unread(
        self, at: np.ndarray, reasons: Iterable[str], tally: UnreadTally, progress: Progress
    ) -> None:
        """Count the sentences of these running numbers as not read, each with its reason."""
        start, end, line = (column[at].tolist() for column in (self.start, self.end, self.line))
        each = watched(zip(line, reasons, start, end), progress, len(at))
        for number, reason, first, last in each:
            tally.add(number, reason, self.data[first:last])


def collect_sentences(
    data: bytes, tally: UnreadTally, notes: list, progress: Progress
) -> SentenceColumns:
    """Return the sentences of a log that are used, and count those that are damaged.

    Raises
    ------
    LakefloorError
        If there is no sentence.
    """
    collected = _Collected()
    for block in sentence_blocks(data, span(progress, 0.0, 0.9)):
        collected.add(block)
    if not collected.count:
        raise LakefloorError("The file has no NMEA 0183 sentence. Choose another log.")
    progress(0.9)
    start, end, line, name, checksum = collected.places()
    fault = _faults(name, checksum, end == len(data))
    log = SentenceColumns(data, start, end, line, **collected.columns(fault == _GOOD))
    for faults in (fault, collected.refused(fault == _GOOD)):
        at = np.flatnonzero(faults != _GOOD)
        reasons = map(_REASONS.__getitem__, faults[at].tolist())
        log.count_unread(at, reasons, tally, lambda _: progress(0.95))
    unchecked = np.count_nonzero((checksum >= _BARE) & (fault == _GOOD))
    if unchecked:
        notes.append(f"{counted(unchecked, 'sentence')} without a checksum used unchecked.")
    return log


def _faults(name, checksum, is_last):
    """Return what is wrong with each sentence as a whole, shape (n,).

    Without a checksum it is good, unless most sentences of its name have one: then it was cut.
    """
    bare = checksum >= _BARE
    with_sum, without = (np.bincount(name[m], minlength=name.max() + 1) for m in (~bare, bare))
    cut = (checksum == _BEGUN) | (with_sum > without)[name]
    return np.select(
        [checksum == _RIGHT, checksum == _WRONG, is_last, cut],
        [_GOOD, _WRONG_SUM, _LAST, _CUT],
        _GOOD,
    )


class _Collected:
    """The columns of a log, piece by piece; each table begins with running numbers."""

    def __init__(self):
        self.count, self._names = 0, {}
        self._tables = defaultdict(list)

    def add(self, block: SentenceBlock) -> None:
        """Add the sentences of a block."""
        numbers = np.array([self._names.setdefault(n, len(self._names)) for n in block.names])
        checksum = np.where(block.stated == block.computed, _RIGHT, _WRONG)
        checksum[block.stated < 0] = _BARE
        checksum[(block.stated < 0) & (block.end > block.stop)] = _BEGUN
        start, end = block.offset + block.start, block.offset + block.end
        columns = (start, end, block.line, numbers[block.name], checksum.astype(np.int8))
        self._tables["places"].append(columns)
        for number, name in enumerate(block.names):
            if name[2:] in _USED:
                rows = np.flatnonzero((block.name == number) & (checksum != _WRONG))
                self._read(name, self.count + rows, block.cells(rows))
        self.count += len(start)

    def _add(self, table, mask, *columns):
        self._tables[table].append(tuple(column[mask] for column in columns))

    def _read(self, name, at, cells):
        kind, everything = name[2:], slice(None)
        if kind in DEPTH_KINDS:
            self._read_depths(name, at, cells)
        elif kind in _FIX_CELLS:
            self._read_fixes(name, at, cells)
        elif kind == "ZDA":
            ms, day = times_of_day(cells[0]), days_since_1970(*(c.numbers() for c in cells[1:4]))
            self._add("zda", ~np.isnan(ms) & (day >= 0), at, ms, day, np.ones(len(at)))
        elif kind == "VTG":
            speed, kmh = cells[4].numbers() * units.KNOT, cells[6].numbers() * units.KMH
            speed = np.where(np.isnan(speed), kmh, speed)
            self._add("motion", everything, at, speed, cells[0].numbers())
        elif kind == "MTW":
            celsius = cells[1].is_one_of(b"C") | (cells[1].width == 0)
            self._add("temperature", celsius, at, cells[0].numbers())
            self._add("refused", ~celsius, at, np.full(len(at), _NOT_CELSIUS))
        elif kind == "XDR":
            self._read_hardness(at, cells)

    def _read_hardness(self, at, cells):
        """Read generic measurements (type G) of a transducer that is named for hardness."""
        for kind, value, unit, name in zip(*(cells[k::4] for k in range(4))):
            named = np.array([b"HARDNESS" in name.text(i).upper() for i in range(len(at))], bool)
            of_bottom = named & kind.is_one_of(b"G")
            hardness = np.where(unit.is_one_of(b"P"), 0.01, 1.0) * value.numbers()
            of_bottom &= (hardness >= 0.0) & (hardness <= 1.0)
            self._add("hardness", of_bottom, at, hardness)

    def _read_depths(self, name, at, cells):
        value = np.full((len(at), len(UNIT_FIELDS)), np.nan)
        decimals, offset = np.full(value.shape, -1), np.full(len(at), np.nan)
        if name[2:] == "DPT":
            value[:, 1], decimals[:, 1] = cells[0].numbers(), _decimals(cells[0], -1)
            offset = cells[1].numbers()
        else:
            for u, (letter, _) in enumerate(UNIT_FIELDS):
                of_unit = _of_unit(cells, letter)
                value[:, u], decimals[:, u] = of_unit.numbers(), _decimals(of_unit, -1)
        has_depth = ~np.isnan(value).all(axis=1)
        self._add(("depths", name), has_depth, at, value, decimals, offset)
        self._add(("blanks", name), ~has_depth, at)

    def _read_fixes(self, name, at, cells):
        talker, kind = name[:2], name[2:]
        clock, validity, lat, how = (cells[i] for i in _FIX_CELLS[kind])
        ns, lon, ew = (cells[_FIX_CELLS[kind][2] + k] for k in (1, 2, 3))
        if kind == "GGA":
            valid = (validity.width > 0) & ~validity.is_one_of(b"0")
        else:
            valid = validity.is_one_of(b"A")
        ms, north, east = times_of_day(clock), angles(lat, ns, b"NS"), angles(lon, ew, b"EW")
        fault = np.select(
            [
                ~valid,
                how.is_one_of(_ESTIMATES),
                np.isnan(north) | np.isnan(east) | np.isnan(ms),
                (north == 0.0) & (east == 0.0),
            ],
            [_INVALID, _ESTIMATED, _MALFORMED, _NOWHERE],
            _GOOD,
        )
        good = fault == _GOOD
        day = np.full(len(at), -1)
        if kind == "RMC":
            day = short_dates(cells[8])
            self._add("motion", good, at, cells[6].numbers() * units.KNOT, cells[7].numbers())
        self._add("fixes", good, at, np.full(len(at), talker), east, north, _decimals(lat, 0))
        self._add("timed", good, at, ms, day, np.zeros(len(at)))
        self._add("refused", ~good, at, fault)

    def places(self) -> tuple:
        """Return start, end, line, name and checksum of each sentence."""
        return tuple(np.concatenate(column) for column in zip(*self._tables.pop("places")))

    def refused(self, good: np.ndarray) -> np.ndarray:
        """Return why each good sentence is not used, shape (n,)."""
        at, reason = self._in_order("refused", 2, good)
        fault = np.full(self.count, _GOOD)
        fault[at] = reason
        return fault

    def columns(self, good: np.ndarray) -> dict:
        """Return the columns of :class:`SentenceColumns`, of the good sentences."""
        tables = {what: {} for what in ("depths", "blanks")}
        for what, name in [key for key in self._tables if key[0] in tables]:
            columns = self._in_order((what, name), 0, good)
            if len(columns[0]):
                tables[what][name] = columns
        fixes = self._in_order("fixes", 5, good)
        timed, zda = (self._in_order(table, 4, good) for table in ("timed", "zda"))
        # Before the first fix a receiver may report the date it was made.
        later = zda[0] > fixes[0].min(initial=self.count)
        timed = [np.concatenate((a, b[later])) for a, b in zip(timed, zda)]
        order = np.argsort(timed[0], kind="stable")
        return {
            "depths": {name: DepthColumns(*columns) for name, columns in tables["depths"].items()},
            "blanks": dict(sorted(((n, c[0]) for n, c in tables["blanks"].items()), key=_first)),
            "fixes": fixes,
            "timed": tuple(column[order] for column in timed),
            "motion": self._in_order("motion", 3, good),
            "temperature": self._in_order("temperature", 2, good),
            "hardness": self._in_order("hardness", 2, good),
        }

    def _in_order(self, table, width, good):
        """Return the columns of a table, of good sentences, in order of arrival; let go of it."""
        parts = self._tables.pop(table, None) or [(np.zeros(0, dtype=int),) * width]
        columns = [np.concatenate(column) for column in zip(*parts)]
        order = np.argsort(columns[0], kind="stable")
        order = order[good[columns[0][order]]]
        return tuple(column[order] for column in columns)


def _first(item):
    return item[1][0]


def _of_unit(cells, letter) -> ByteCells:
    """Return the cells before this letter; of several, the last."""
    start, stop = cells[0].start, cells[0].start
    for i in (0, 2, 4):
        here = cells[i + 1].is_one_of(letter)
        start, stop = np.where(here, cells[i].start, start), np.where(here, cells[i].stop, stop)
    return ByteCells(cells[0].buffer, start, stop, cells[0].progress)


def _decimals(cells, empty) -> np.ndarray:
    """Return with how many decimals each number is written, int, shape (n,)."""
    return cells.with_odd(cells.digits.decimals, cells.digits.plain, _decimals_written, empty)


def _decimals_written(text) -> int:
    return len(text.partition(b".")[2].strip())
