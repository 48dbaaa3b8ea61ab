"""The rows of a layer as they were given."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np
from qgis.core import QgsFeatureRequest, QgsField

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.soundings import SCHEMA


@dataclass(frozen=True)
class GivenRows:
    """The rows of a layer as they were given, so that what is written has them in their order.

    Attributes
    ----------
    source : QgsProcessingFeatureSource
    order : int array, shape (n,)
        The row as given, from 0, of each sounding; the points of a multipoint share one.
    ids : int array, shape (m,)
        Feature id of each row as given.
    """

    source: object
    order: np.ndarray
    ids: np.ndarray

    def back(self) -> np.ndarray:
        """Return the soundings' numbers, shape (n,), in the order of the rows as given."""
        return np.argsort(self.order, kind="stable")

    def further_fields(self) -> list[QgsField]:
        """Return the layer's own fields, those that soundings do not have."""
        return [self.source.fields()[index] for index in self._indexes()]

    def further_values(self):
        """Yield for each sounding, in the order of the rows as given, its values of these fields.

        Values are as QGIS has them, None or NULL where there is none.

        Raises
        ------
        LakefloorError
            If the layer is no longer as it was when the soundings were read.
        """
        indexes, rows = self._indexes(), np.sort(self.order)
        if not indexes:
            for _ in rows:
                yield []
            return
        request = QgsFeatureRequest().setFlags(QgsFeatureRequest.Flag.NoGeometry)
        request.setSubsetOfAttributes(indexes)
        at = 0
        for row, feature in enumerate(self.source.getFeatures(request)):
            if row >= self.ids.size or feature.id() != self.ids[row]:
                break
            while at < rows.size and rows[at] == row:
                values = feature.attributes()
                yield [values[index] for index in indexes]
                at += 1
        if at < rows.size:
            raise LakefloorError(
                tr("Layer '{}' was changed while it was read. Run again.").format(
                    self.source.sourceName()
                )
            )

    def further_columns(self, size: int):
        """Yield :meth:`further_values` as columns, of ``size`` soundings at a time."""
        values = self.further_values()
        while rows := list(islice(values, size)):
            yield [list(column) for column in zip(*rows)]

    def _indexes(self) -> list:
        # The number of a feature in its file is no value of the user's.
        known = {*SCHEMA, "fid"}
        names = self.source.fields().names()
        return [i for i, name in enumerate(names) if name.lower() not in known]
