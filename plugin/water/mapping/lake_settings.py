"""What a lake gives to the map on the water: what was learned before, the shoreline, the level."""

from __future__ import annotations

from pathlib import Path

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsRasterLayer,
    QgsVectorLayer,
)
from shapely import wkb

from ....algorithms._io.lake_files import source_of
from ....algorithms._io.layer_crs import metric_crs
from ....algorithms._io.rasters import StoredSurface
from ....algorithms._io.shoreline import read_polygon
from ....algorithms._lake.facts import CONTOUR_INTERVALS
from ....algorithms._lake.runs import current_run
from ....algorithms._project.wording import unit_of
from ....algorithms.core import units
from ....algorithms.core.errors import LakefloorError

__all__ = ["interval_of", "level_shift", "settings_for"]


def interval_of(facts) -> float:
    """Return the contour interval on the water, m."""
    return CONTOUR_INTERVALS[facts.unit] * _meters(facts.unit)


def settings_for(lake, facts, given) -> tuple:
    """Return what the process of the map is started with, the CRS of the map, and problems.

    Parameters
    ----------
    lake : LakeFolder
    facts : LakeFacts
    given : dict
        What was said at the start of the outing.

    Returns
    -------
    settings : dict
        See :func:`algorithms._growing.map_work.settings_of`.
    crs : QgsCoordinateReferenceSystem
        Invalid where the lake has none yet.
    problems : list of str
    """
    problems = []
    record, crs = _newest_surface(lake)
    database = lake.database if lake.database.is_file() else None
    if not crs.isValid() and database is not None:
        layer = QgsVectorLayer(f"{database}|layername=soundings", "", "ogr")
        crs = layer.crs()
    has_shore = Path(lake.shoreline).is_file()
    if not crs.isValid() and has_shore:
        crs = _crs_of_shoreline(lake, problems)
    settings = {
        "epsg": (crs.authid() or crs.toWkt()) if crs.isValid() else None,
        "record": record,
        "database": None if database is None else str(database),
        "draft_m": given.get("draft_m", facts.boat.draft_m),
        "interval_m": interval_of(facts),
        "unit": unit_of(facts),
        "shoreline": None,
        "back_by": given.get("back_by"),
    }
    if crs.isValid() and has_shore:
        try:
            polygon = read_polygon(
                source_of(lake.shoreline), crs, QgsProcessingContext(), QgsProcessingFeedback(False)
            )
            settings["shoreline"] = wkb.dumps(polygon)
        except LakefloorError as error:
            problems.append(str(error))
    return settings, crs, problems


def _crs_of_shoreline(lake, problems) -> QgsCoordinateReferenceSystem:
    """Return the CRS in meters of a lake that has nothing but its shoreline yet."""
    layer = QgsVectorLayer(str(lake.shoreline), lake.shoreline.name, "ogr")
    try:
        return metric_crs(layer.crs(), layer.extent(), layer.name(), QgsProcessingFeedback(False))
    except LakefloorError as error:
        problems.append(str(error))
        return QgsCoordinateReferenceSystem()


def _newest_surface(lake) -> tuple:
    """Return the record of the newest depth surface of a lake, and its CRS."""
    run = current_run(lake, "map")
    path = run and run.outputs.get("surface")
    if not path:
        return "", QgsCoordinateReferenceSystem()
    layer = QgsRasterLayer(str(lake.path / path), "")
    if not layer.isValid():
        return "", QgsCoordinateReferenceSystem()
    stored = StoredSurface(layer)
    record = stored.record
    stored.close()
    return record, layer.crs()


def level_shift(facts, levels):
    """Return what is added to depths below the water of today, m, or None where it is not known.

    The water stands above the lake datum by the reading less that of the datum; depths are so much
    greater than below the datum.

    Parameters
    ----------
    facts : LakeFacts
    levels : list of dict
        Readings, each with ``level`` and ``unit``.
    """
    if facts.datum_reading is None or not levels:
        return None
    last = levels[-1]
    reading = float(last["level"]) * _meters(last.get("unit", facts.level_unit))
    return facts.datum_reading * _meters(facts.level_unit) - reading


def _meters(words) -> float:
    """Return the meters of a unit of length as people say it."""
    return units.unit_factor(units.UNIT_OF_WORDS[words])
