"""Tables that GDAL hands on by columns, read with numpy.

GDAL fills the structures of the Arrow C data interface (Apache Arrow, "The Arrow C data
interface", https://arrow.apache.org/docs/format/CDataInterface.html). They are read as they
stand: an array of fixed-width text would take the room of the longest for every row.
"""

from __future__ import annotations

import ctypes
from codecs import BOM_UTF8
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from osgeo import ogr

from .gdal_errors import quiet
from .iso_times import iso_milliseconds

_NAT = np.iinfo(np.int64).min

#: Format of a column -> the type of its numbers.
_NUMBERS = {"l": np.int64, "i": np.int32, "g": np.float64}
_TEXTS = {"u", "z"}


class NotByColumnsError(Exception):
    """The rows of a layer cannot be had by columns with certainty; the loop has to read them."""


class _Schema(ctypes.Structure):
    pass


class _Array(ctypes.Structure):
    pass


_Schema._fields_ = [
    ("format", ctypes.c_char_p),
    ("name", ctypes.c_char_p),
    ("metadata", ctypes.c_void_p),
    ("flags", ctypes.c_int64),
    ("n_children", ctypes.c_int64),
    ("children", ctypes.POINTER(ctypes.POINTER(_Schema))),
    ("dictionary", ctypes.c_void_p),
    ("release", ctypes.c_void_p),
    ("private_data", ctypes.c_void_p),
]
_Array._fields_ = [
    ("length", ctypes.c_int64),
    ("null_count", ctypes.c_int64),
    ("offset", ctypes.c_int64),
    ("n_buffers", ctypes.c_int64),
    ("n_children", ctypes.c_int64),
    ("buffers", ctypes.POINTER(ctypes.c_void_p)),
    ("children", ctypes.POINTER(ctypes.POINTER(_Array))),
    ("dictionary", ctypes.c_void_p),
    ("release", ctypes.c_void_p),
    ("private_data", ctypes.c_void_p),
]


@dataclass(frozen=True)
class Numbers:
    """A column of numbers.

    Attributes
    ----------
    values : int or float array, shape (n,)
    known : bool array, shape (n,)
        False for NULL.
    """

    values: np.ndarray
    known: np.ndarray

    def __len__(self):
        return len(self.values)

    def listed(self) -> list:
        """Return the values as Python has them, None for NULL."""
        if self.known.all():
            return self.values.tolist()
        return [v if k else None for v, k in zip(self.values.tolist(), self.known.tolist())]


@dataclass(frozen=True)
class Texts:
    """A column of texts or other bytes, one behind the other.

    Attributes
    ----------
    data : uint8 array
    offsets : int array, shape (n + 1,)
        Where each text begins in ``data``, and where the last one ends.
    known : bool array, shape (n,)
        False for NULL.
    reads : callable
        What makes the value that QGIS has out of a text, such as a date.
    """

    data: np.ndarray
    offsets: np.ndarray
    known: np.ndarray
    reads: object = str

    def __len__(self):
        return len(self.known)

    def widths(self) -> np.ndarray:
        """Return how many bytes each text has, shape (n,)."""
        return np.diff(self.offsets)

    def at(self, rows) -> np.ndarray:
        """Return the bytes of rows whose texts are equally long, shape (rows, width)."""
        starts = self.offsets[:-1][rows]
        width = int(self.widths()[rows[0]]) if len(rows) else 0
        if len(rows) == len(self):
            return self.data[starts[0] : starts[0] + width * len(rows)].reshape(len(rows), width)
        return self.data[starts[:, None] + np.arange(width)]

    def by_width(self):
        """Yield the numbers of the rows whose texts are equally long, NULL left out."""
        widths = self.widths()
        if len(self) and self.known.all() and (widths == widths[0]).all():
            yield np.arange(len(self))
            return
        for width in np.unique(widths[self.known]):
            yield np.flatnonzero(self.known & (widths == width))

    def distinct(self) -> tuple:
        """Return the values that there are, and for each row the number of its own.

        Returns
        -------
        values : object array, shape (m,)
            None for NULL.
        numbers : int array, shape (n,)
        """
        found = {} if self.known.all() else {None: 0}
        numbers = np.zeros(len(self), dtype=np.intp)
        for rows in self.by_width():
            table = self.at(rows)
            # Texts stay the same for many rows, as those of visits do, and are looked up once.
            first = np.ones(len(rows), dtype=bool)
            first[1:] = (table[1:] != table[:-1]).any(axis=1)
            start = np.flatnonzero(first)
            own = [found.setdefault(text.tobytes(), len(found)) for text in table[start]]
            numbers[rows] = np.repeat(own, np.diff(np.append(start, len(rows))))
        values = np.empty(len(found), dtype=object)
        for text, number in found.items():
            values[number] = None if text is None else self.reads(text.decode("utf-8", "replace"))
        return values, numbers

    def listed(self) -> list:
        """Return the values as QGIS has them, None for NULL."""
        values, numbers = self.distinct()
        return values[numbers].tolist()


@dataclass(frozen=True)
class Times(Texts):
    """A column of times, written as ISO 8601; one without zone is UTC.

    Attributes
    ----------
    milliseconds : int array, shape (n,)
        Since 1970, the number of NaT for NULL.
    """

    milliseconds: np.ndarray | None = None

    @classmethod
    def of(cls, texts: Texts, reads) -> Times:
        """Return texts as times.

        Raises
        ------
        NotByColumnsError
            If one is written in another way, or there is no such time.
        """
        found = np.full(len(texts), _NAT, dtype=np.int64)
        try:
            for rows in texts.by_width():
                found[rows] = iso_milliseconds(texts.at(rows))
        except ValueError as error:
            raise NotByColumnsError(str(error)) from error
        return cls(texts.data, texts.offsets, texts.known, reads, found)


def require_arrow():
    """Refuse a GDAL before 3.6, which hands on no columns.

    Raises
    ------
    NotByColumnsError
    """
    if not hasattr(ogr.Layer, "GetArrowStream"):
        raise NotByColumnsError("GDAL is older than 3.6")


@contextmanager
def _doubted():
    """Take an error of GDAL, which raises it where a program has asked for that, as a doubt."""
    try:
        yield
    except RuntimeError as error:
        raise NotByColumnsError(str(error)) from error


def field_names(layer) -> list:
    """Return the names of the fields of a layer of GDAL."""
    definition = layer.GetLayerDefn()
    return [definition.GetFieldDefn(i).GetName() for i in range(definition.GetFieldCount())]


def batches(layer, rows: int):
    """Yield the columns of a layer of GDAL by their names, of at most ``rows`` rows at a time.

    Raises
    ------
    NotByColumnsError
        If GDAL is older than 3.6, or has a column in another form than those read here.
    """
    require_arrow()
    with quiet(), _doubted():
        stream = layer.GetArrowStream([f"MAX_FEATURES_IN_BATCH={rows}"])
        held = stream and stream.GetSchema()
    if not held:
        raise NotByColumnsError("no stream")
    schema = _Schema.from_address(held._getPtr())
    children = [schema.children[i].contents for i in range(schema.n_children)]
    names = [(child.name.decode(), child.format.decode()) for child in children]
    if not all(form in _NUMBERS or form in _TEXTS for _, form in names):
        raise NotByColumnsError("a column in another form")
    while True:
        with quiet(), _doubted():
            batch = stream.GetNextRecordBatch()
        if batch is None:
            return
        array = _Array.from_address(batch._getPtr())
        yield {
            name: _column(array.children[i].contents, form) for i, (name, form) in enumerate(names)
        }


def _column(array, form):
    n = array.length
    if array.offset:
        raise NotByColumnsError("a column that begins within another")
    bits = _buffer(array, 0, (n + 7) // 8, np.uint8)
    if bits is None:
        known = np.ones(n, dtype=bool)
    else:
        known = np.unpackbits(bits, bitorder="little")[:n].astype(bool)
    if form in _NUMBERS:
        return Numbers(_buffer(array, 1, n, _NUMBERS[form]), known)
    offsets = _buffer(array, 1, n + 1, np.int32)
    data = _buffer(array, 2, int(offsets[-1]), np.uint8)
    data = np.empty(0, np.uint8) if data is None else data
    if form == "u" and data.max(initial=0) > 127:
        raw = data.tobytes()
        try:
            raw.decode("utf-8")
        except UnicodeDecodeError:
            raise NotByColumnsError("a text is not UTF-8") from None
        if BOM_UTF8 in raw:
            raise NotByColumnsError("a mark of byte order, which Qt may take out")
    return Texts(data, offsets, known)


def _buffer(array, number, length, kind):
    """Return a copy of what one buffer holds, None if there is none."""
    place = array.buffers[number]
    if not place:
        return None
    size = length * np.dtype(kind).itemsize
    return np.frombuffer((ctypes.c_char * size).from_address(place), dtype=kind).copy()
