"""The loop over the features of a layer."""

from __future__ import annotations

import numpy as np
from qgis.core import QgsFeatureRequest

from ..core.errors import Cancelled
from .layer_crs import require_crs

#: Features between two looks at cancel.
_ROWS = 500


def plain_request() -> QgsFeatureRequest:
    """Return a request for all features; invalid shapes pass, for who reads to judge."""
    check = QgsFeatureRequest.InvalidGeometryCheck.GeometryNoCheck
    return QgsFeatureRequest().setInvalidGeometryCheck(check)


def iterate(source, crs, context, feedback, request=None):
    """Yield the features of a layer in ``crs``; invalid shapes pass, for who reads to judge.

    Parameters
    ----------
    source : QgsFeatureSource
    crs : QgsCoordinateReferenceSystem or None
        Where to project to; None leaves the features where they are, and asks for no CRS.

    Raises
    ------
    LakefloorError
        If the layer has no CRS.
    Cancelled
    """
    request = request or plain_request()
    if crs is not None:
        require_crs(source.sourceCrs(), source.sourceName())
        request.setDestinationCrs(crs, context.transformContext())
    for number, feature in enumerate(source.getFeatures(request)):
        if number % _ROWS == 0 and feedback.isCanceled():
            raise Cancelled
        yield feature


def feature_ids(source, feedback) -> np.ndarray:
    """Return the ids of all features of a layer, in their order, shape (n,)."""
    request = plain_request().setFlags(QgsFeatureRequest.Flag.NoGeometry)
    request.setSubsetOfAttributes([])
    found = (feature.id() for feature in iterate(source, None, None, feedback, request))
    return np.fromiter(found, dtype=np.int64)
