"""A layer of soundings as arrays, in the order of logging, and back in the order given."""

from __future__ import annotations

import numpy as np
from qgis.core import QgsFeatureRequest, QgsPoint

from .._compat import is_null
from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.formulas import from_text
from ..core.soundings import ACCEPTED, SCHEMA, Soundings
from ..core.track import logged_order
from .features import iterate
from .given_rows import GivenRows
from .layer_crs import metric_crs, require_crs
from .layer_kinds import require_points
from .values import milliseconds, not_a_number, to_text

#: What tells the order of logging, whatever else is asked for.
_ORDERING = {"visit", "time"}

#: Rows that are packed into arrays together.
_ROWS = 4_000

_NOWHERE = (np.nan, np.nan)


def _require_fields(source, needed):
    present = set(source.fields().names())
    missing = [name for name in needed if name not in present]
    if missing:
        raise LakefloorError(
            tr(
                "Layer '{}' has no field {}. It needs the fields that Read logs or Soundings from "
                "point layer write; run one of them first."
            ).format(source.sourceName(), ", ".join(f"'{name}'" for name in missing))
        )


def read_soundings(source, context, feedback, crs=None, fields=None):
    """Read a soundings layer, in the order of :func:`.core.track.logged_order`.

    Parameters
    ----------
    source : QgsProcessingFeatureSource
    crs : QgsCoordinateReferenceSystem, optional
        Where to project to; by default the layer's own, or UTM if that is not metric.
    fields : tuple of str, optional
        Fields of Soundings to read, all if None. The others are as if not logged, and take
        neither time nor memory.

    Returns
    -------
    soundings : Soundings
    crs : QgsCoordinateReferenceSystem

    Raises
    ------
    LakefloorError
        If a needed field or the CRS is missing, the layer is empty, or a number is none.
    """
    return read_given(source, context, feedback, crs, fields)[:2]


def read_given(source, context, feedback, crs=None, fields=None):
    """Read a soundings layer as :func:`read_soundings`, to write it in the order given.

    Returns
    -------
    soundings : Soundings
    crs : QgsCoordinateReferenceSystem
    given : GivenRows
    """
    _require_fields(source, ("depth_m",))
    if source.featureCount() == 0:
        raise LakefloorError(
            tr("Layer '{}' holds no soundings. Choose a layer that has some.").format(
                source.sourceName()
            )
        )
    require_points(source)
    require_crs(source.sourceCrs(), source.sourceName())
    if crs is None:
        crs = metric_crs(source.sourceCrs(), source.sourceExtent(), source.sourceName(), feedback)
    names = _full_names(source.fields().names())
    columns = [
        (names.index(name), name, attr, kind)
        for name, (attr, kind) in SCHEMA.items()
        if name in names and (fields is None or attr in fields or attr in _ORDERING)
    ]
    request = QgsFeatureRequest().setSubsetOfAttributes([index for index, *_ in columns])
    parts = {attr: [] for attr in ("x", "y", *(attr for *_, attr, _ in columns))}
    places, rows, numbers, ids, texts, done = [], [], [], [], {}, 0

    def pack():
        nonlocal done
        x, y = np.array(places, dtype=float).reshape(-1, 2).T
        parts["x"].append(x.copy())
        parts["y"].append(y.copy())
        values = list(zip(*rows)) or [()] * len(names)
        for index, name, attr, kind in columns:
            try:
                packed = _column(values[index], attr, kind, texts)
            except ValueError:
                raise not_a_number(source, name, values[index], done) from None
            parts[attr].append(packed)
        ids.append(np.array(numbers, dtype=np.int64))
        done += len(rows)
        for each in (places, rows, numbers):
            each.clear()

    for feature in iterate(source, crs, context, feedback, request):
        places.append(_position(feature))
        rows.append(feature.attributes())
        numbers.append(feature.id())
        if len(rows) == _ROWS:
            pack()
    pack()
    # One column at a time, so that parts and wholes are never both there.
    known = {attr: np.concatenate(parts.pop(attr)) for attr in list(parts)}
    order = logged_order(_with_defaults(known))
    if fields is not None:
        for attr in known.keys() & _ORDERING - set(fields):
            del known[attr]
    if (order[1:] < order[:-1]).any():
        for attr in known:
            known[attr] = known[attr][order]
    return _with_defaults(known), crs, GivenRows(source, order, np.concatenate(ids))


def _full_names(names):
    """Return names of fields as they were before a shapefile cut them to ten characters."""
    cut = {name[:10]: name for name in SCHEMA if name not in names}
    return [cut.get(name, name) for name in names]


def _position(feature) -> tuple:
    if not feature.hasGeometry():
        return _NOWHERE
    geometry = feature.geometry()
    point = geometry.constGet()
    if not isinstance(point, QgsPoint):
        point = point.geometryN(0) if point.numGeometries() else None
        if point is None:
            return _NOWHERE
    return point.x(), point.y()


def _with_defaults(known) -> Soundings:
    """Return soundings whose other fields are not logged: one value seen many times."""
    blank = vars(Soundings.build([np.nan], [np.nan], [np.nan]))
    n = len(known["x"])
    if "raw_depth" not in known:
        known["raw_depth"] = known["depth"].view()
        known["raw_depth"].flags.writeable = False
    return Soundings(**{**{k: np.broadcast_to(v, (n,)) for k, v in blank.items()}, **known})


def _column(values, attr, kind, texts):
    """Return an array of attribute values; ``texts`` keeps each text once for all parts.

    A text is taken as it was before a table of text marked it as no formula.
    """
    if kind == "datetime":
        return np.array([milliseconds(v) for v in values], dtype=np.int64).view("datetime64[ms]")
    if kind == "text":
        empty = ACCEPTED if attr == "status" else ""
        out = np.empty(len(values), dtype=object)
        for i, value in enumerate(values):
            text = value if type(value) is str else empty if is_null(value) else to_text(value)
            if text not in texts:
                texts[text] = from_text(text)
            out[i] = texts[text]
        return out
    if kind == "int":
        return np.array(
            [v if type(v) is int else 0 if is_null(v) else int(float(v)) for v in values],
            dtype=np.int32,
        )
    return np.array(
        [v if type(v) is float else np.nan if is_null(v) else float(v) for v in values], dtype=float
    )
