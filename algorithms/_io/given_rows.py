"""The rows of a layer as they were given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from qgis.core import QgsField, QgsProcessingFeedback

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.soundings import SCHEMA
from .columns import listed, read_columns
from .iterating import feature_ids


@dataclass(frozen=True)
class GivenRows:
    """The rows of a layer as they were given, so that what is written has them in their order.

    Attributes
    ----------
    source : QgsProcessingFeatureSource
    order : int array, shape (n,)
        The row as given, from 0, of each sounding; the points of a multipoint share one.
    ids : int array, shape (m,)
        Feature id of each row as given; none if the layer has no further fields.
    feedback : QgsProcessingFeedback, optional
        Honored for cancel while further fields are read.
    """

    source: object
    order: np.ndarray
    ids: np.ndarray
    feedback: object = None

    def back(self) -> np.ndarray:
        """Return the soundings' numbers, shape (n,), in the order of the rows as given."""
        return np.argsort(self.order, kind="stable")

    def further_fields(self) -> list[QgsField]:
        """Return the layer's own fields, those that soundings do not have."""
        return [self.source.fields()[index] for index in further_indexes(self.source)]

    def further_columns(self, size: int):
        """Yield the values of these fields as lists, for ``size`` soundings at a time.

        The soundings are in the order of the rows as given. Values are as QGIS has them, None or
        NULL where there is none.

        Raises
        ------
        LakefloorError
            If the layer is no longer as it was when the soundings were read.
        Cancelled
        """
        indexes, rows = further_indexes(self.source), np.sort(self.order)
        if not indexes:
            for _ in range(0, rows.size, size):
                yield []
            return
        waiting, done = [[] for _ in indexes], 0
        for first, piece in self._pieces(indexes):
            last = np.searchsorted(rows, first + piece.count)
            wanted = rows[done:last] - first
            whole = wanted.size == piece.count and (np.diff(wanted) == 1).all()
            for column, index in zip(waiting, indexes):
                values = listed(piece.columns[index])
                column += values if whole else [values[row] for row in wanted]
            done = last
            while len(waiting[0]) >= size:
                yield [column[:size] for column in waiting]
                waiting = [column[size:] for column in waiting]
        if done < rows.size:
            raise self._changed()
        if waiting[0]:
            yield waiting

    def _pieces(self, indexes):
        """Yield the pieces of the layer, as long as its rows are those that were read."""
        feedback = self.feedback or QgsProcessingFeedback(False)
        first, checked = 0, False
        for piece in read_columns(self.source, None, indexes, None, feedback, ""):
            ids = piece.ids
            if ids is None and not checked:
                checked = True
                if not np.array_equal(feature_ids(self.source, feedback), self.ids):
                    raise self._changed()
            if ids is not None and not np.array_equal(ids, self.ids[first : first + piece.count]):
                raise self._changed()
            yield first, piece
            first += piece.count

    def _changed(self) -> LakefloorError:
        return LakefloorError(
            tr("Layer '{}' was changed while it was read. Run again.").format(
                self.source.sourceName()
            )
        )


def further_indexes(source) -> list:
    """Return where the fields of a layer stand that soundings do not have."""
    # The number of a feature in its file is no value of the user's.
    known = {*SCHEMA, "fid"}
    names = source.fields().names()
    return [i for i, name in enumerate(names) if name.lower() not in known]


def ids_of_pieces(source, parts, feedback) -> np.ndarray:
    """Return the feature ids of a layer, shape (m,); none if it has no further fields.

    ``parts`` are those of its pieces, None where they were not read.
    """
    if not further_indexes(source):
        return np.empty(0, dtype=np.int64)
    if any(part is None for part in parts):
        return feature_ids(source, feedback)
    return np.concatenate([np.empty(0, dtype=np.int64), *parts])
