"""Values of attributes: times, texts and numbers, from QGIS and back."""

from __future__ import annotations

import numpy as np
from qgis.core import NULL
from qgis.PyQt.QtCore import QDate, QDateTime, Qt, QTime

from .._compat import is_null
from .._i18n import tr
from ..core.errors import LakefloorError

_NAT = int(np.datetime64("NaT", "ms").astype(np.int64))

# Looking these up takes longer than reading a time.
_LOCAL, _UTC = Qt.TimeSpec.LocalTime, Qt.TimeSpec.UTC


def milliseconds(value) -> int:
    """Return a UTC instant as milliseconds since 1970, the number of NaT for none.

    A time without zone is UTC by the project's contract.
    """
    if isinstance(value, QDateTime):
        if not value.isValid():
            return _NAT
        if value.timeSpec() == _LOCAL:
            value = QDateTime(value.date(), value.time(), _UTC)
        return value.toMSecsSinceEpoch()
    if is_null(value):
        return _NAT
    try:
        # Shapefiles have no type for a time: QGIS writes 2026/05/14 14:00:00.250 there.
        text = str(value).strip().rstrip("Z").replace("/", "-").replace(" ", "T", 1)
        return int(np.datetime64(text, "ms").astype(np.int64))
    except ValueError:
        return _NAT


def to_text(value) -> str:
    """Return an attribute as text; GDAL makes dates of names like 2025-05-17 in some formats."""
    if isinstance(value, QDateTime):
        return value.toString(Qt.DateFormat.ISODateWithMs)
    if isinstance(value, (QDate, QTime)):
        return value.toString(Qt.DateFormat.ISODate)
    return str(value)


def to_qdatetime(value):
    """Return a QDateTime in UTC, or NULL for NaT."""
    if np.isnat(value):
        return NULL
    return QDateTime.fromMSecsSinceEpoch(
        int(value.astype("datetime64[ms]").astype(np.int64)), Qt.TimeSpec.UTC
    )


def to_attributes(values, kind) -> list:
    """Return attribute values of one column as QGIS takes them, NULL where there is none."""
    if kind == "datetime":
        return [to_qdatetime(v) for v in np.asarray(values, dtype="datetime64[ms]")]
    if kind == "text":
        return [None if v is None else str(v) for v in values]
    if kind == "int":
        return [None if v is None else int(v) for v in values]
    return [v if v == v else None for v in np.asarray(values, dtype=float).tolist()]


def number_or_none(value) -> float | None:
    """Return a number as an attribute or an output holds it, None for NaN."""
    return float(value) if value == value else None


def field_indexes(source, names) -> list:
    """Return where fields of a layer stand.

    Raises
    ------
    LakefloorError
        If the layer lacks one.
    """
    indexes = [source.fields().indexFromName(name) for name in names]
    if -1 in indexes:
        raise LakefloorError(
            tr("Layer '{}' has no field '{}'. Choose another layer.").format(
                source.sourceName(), names[indexes.index(-1)]
            )
        )
    return indexes


def not_a_number(source, name, values, done=0) -> LakefloorError:
    """Return the error that names the first value of a field that is no number.

    ``values`` are those of the rows that follow the first ``done`` ones.
    """

    def is_number(value):
        try:
            return is_null(value) or float(value) == float(value)
        except (TypeError, ValueError):
            return False

    row, value = next((i, v) for i, v in enumerate(values, start=done + 1) if not is_number(v))
    return LakefloorError(
        tr(
            "Layer '{}', row {}: field '{}' holds '{}', which is not a number. Correct "
            "it, or choose another field with Soundings from point layer."
        ).format(source.sourceName(), row, name, value)
    )


def numbers_or_nan(values) -> np.ndarray:
    """Return a column as numbers, NaN where there is none."""

    def number(value):
        try:
            return float(value)
        except (TypeError, ValueError):
            return np.nan

    try:
        return np.array(values, dtype=float)
    except (TypeError, ValueError):
        return np.array([number(value) for value in values], dtype=float)


def texts(values) -> list:
    """Return a column as texts, empty where there is none."""
    return ["" if value is None else str(value) for value in values]


def as_numbers(source, name, values) -> list:
    """Return the values of a field of a layer as float, NaN for None.

    Raises
    ------
    LakefloorError
        If one is not a number; the message names the row.
    """
    try:
        return [np.nan if value is None else float(value) for value in values]
    except (TypeError, ValueError):
        raise not_a_number(source, name, values) from None
