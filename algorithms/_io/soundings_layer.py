"""A layer of soundings as arrays, in the order of logging, and back in the order given."""

from __future__ import annotations

import numpy as np

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.soundings import ACCEPTED, SCHEMA, Soundings
from ..core.track import logged_order
from .columns import as_doubles, as_integers, as_texts, as_times, listed, read_columns
from .given_rows import GivenRows, ids_of_pieces
from .layer_crs import metric_crs, require_crs
from .layer_kinds import require_points
from .piece_points import NoPointError, first_points
from .values import not_a_number

#: What tells the order of logging, whatever else is asked for.
_ORDERING = {"visit", "time"}

#: Kind of a field -> the type of its array.
_DTYPES = {"double": float, "int": np.int32, "text": object, "datetime": "datetime64[ms]"}


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
    parts = {attr: [] for attr in ("x", "y", *(attr for *_, attr, _ in columns))}
    ids, texts, done = [], {}, 0
    indexes = [index for index, *_ in columns]
    for piece in read_columns(source, crs, indexes, context, feedback):
        try:
            x, y = first_points(piece)
        except NoPointError as error:
            raise LakefloorError(
                tr(
                    "Layer '{}', row {}: the geometry is a {}, not a point. Delete that row, or "
                    "choose a layer of points."
                ).format(source.sourceName(), done + error.row + 1, error)
            ) from None
        parts["x"].append(x)
        parts["y"].append(y)
        for index, name, attr, kind in columns:
            values = piece.columns[index]
            try:
                parts[attr].append(_column(values, attr, kind, texts))
            except ValueError:
                raise not_a_number(source, name, listed(values), done) from None
        ids.append(piece.ids)
        done += piece.count
    # One column at a time, so that parts and wholes are never both there.
    kinds = {"x": "double", "y": "double", **{attr: kind for *_, attr, kind in columns}}
    known = {
        attr: np.concatenate([np.empty(0, _DTYPES[kinds[attr]]), *parts.pop(attr)])
        for attr in list(parts)
    }
    order = logged_order(_with_defaults(known))
    if fields is not None:
        for attr in known.keys() & _ORDERING - set(fields):
            del known[attr]
    if (order[1:] < order[:-1]).any():
        for attr in known:
            known[attr] = known[attr][order]
    given = GivenRows(source, order, ids_of_pieces(source, ids, feedback), feedback)
    return _with_defaults(known), crs, given


def _full_names(names):
    """Return names of fields as they were before a shapefile cut them to ten characters."""
    cut = {name[:10]: name for name in SCHEMA if name not in names}
    return [cut.get(name, name) for name in names]


def _with_defaults(known) -> Soundings:
    """Return soundings whose other fields are not logged: one value seen many times."""
    blank = vars(Soundings.build([np.nan], [np.nan], [np.nan]))
    n = len(known["x"])
    if "raw_depth" not in known:
        known["raw_depth"] = known["depth"].view()
        known["raw_depth"].flags.writeable = False
    return Soundings(**{**{k: np.broadcast_to(v, (n,)) for k, v in blank.items()}, **known})


def _column(values, attr, kind, texts):
    """Return an array of attribute values; ``texts`` keeps each text once for all parts."""
    if kind == "datetime":
        return as_times(values)
    if kind == "text":
        return as_texts(values, ACCEPTED if attr == "status" else "", texts)
    return as_integers(values) if kind == "int" else as_doubles(values)
