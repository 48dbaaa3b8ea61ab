"""A small invented lake with analytic depth, as the layers that the algorithms write."""

import numpy as np
import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsRasterLayer,
    QgsVectorLayer,
)
from qgis.PyQt import sip
from shapely.geometry import LineString, Point, Polygon

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.chart import contours
from lakefloor.algorithms.core.grid import empty_grid
from lakefloor.algorithms.core.polygons import inside
from lakefloor.algorithms.core.soundings import SCHEMA

CRS = "EPSG:32615"
EAST, NORTH = 412_000.0, 5_120_000.0


def depth_at(x, y):
    """Depth in m: a basin 620 m by 420 m with a hump, a second hollow and an island."""
    u, v = (x - EAST) / 310.0, (y - NORTH - 25 * np.sin((x - EAST) / 130)) / 210.0
    basin = 9.5 * (1 - u**2 - v**2)
    hump = 4.0 * np.exp(-((u - 0.45) ** 2 + (v + 0.1) ** 2) / 0.02)
    hollow = 2.4 * np.exp(-((u + 0.6) ** 2 + (v - 0.2) ** 2) / 0.012)
    island = 14.0 * np.exp(-((u + 0.05) ** 2 + (v + 0.45) ** 2) / 0.012)
    return basin - hump + hollow - island


def _layer(kind, name, fields, rows):
    spec = "&".join(f"field={field}:{type_}" for field, type_ in fields)
    layer = QgsVectorLayer(f"{kind}?crs={CRS}&{spec}", name, "memory")
    features = []
    for shape, values in rows:
        feature = QgsFeature(layer.fields())
        geometry = QgsGeometry()
        geometry.fromWkb(shape.wkb)
        feature.setGeometry(geometry)
        feature.setAttributes(values)
        features.append(feature)
    assert layer.dataProvider().addFeatures(features)[0]
    layer.updateExtents()
    return layer


def _of_core(kind, name, shapes, attributes):
    def type_of(values):
        known = [v for v in values if v is not None]
        if all(isinstance(v, str) for v in known):
            return "string"
        return "integer" if all(isinstance(v, int) for v in known) else "double"

    fields = [(field, type_of(values)) for field, values in attributes.items()]
    rows = [(shape, [attributes[f][i] for f, _ in fields]) for i, shape in enumerate(shapes)]
    return _layer(kind, name, fields, rows)


@pytest.fixture(scope="session")
def lake(qgis_app, tmp_path_factory):
    """The layers of the lake by parameter name."""
    folder = tmp_path_factory.mktemp("lake")
    grid = empty_grid((EAST - 360, NORTH - 270, EAST + 360, NORTH + 270), 3.0)
    x, y = np.meshgrid(grid.x, grid.y)
    grid = grid.like(depth_at(x, y))
    shore_areas = contours.depth_areas(grid, levels=[0.0], unit="m")
    water = max(shore_areas.polygons[-1].geoms, key=lambda part: part.area)
    wet = grid.like(np.where(inside(water, grid), np.maximum(grid.values, 0), np.nan))
    known = np.isfinite(wet.values)
    uncertainty = wet.like(np.where(known, 0.05 + 0.12 * (x > EAST + 120), np.nan))
    distance = wet.like(np.where(known, np.abs((y - NORTH) % 20 - 10), np.nan))
    lines, _ = contours.depth_contours(
        wet, interval=1.0, unit="ft", uncertainty=uncertainty, shoreline=water
    )
    areas = contours.depth_areas(wet, interval=5.0, unit="ft", shoreline=water)
    path = folder / "surface.tif"
    write_raster(
        path,
        [wet, uncertainty, distance],
        BANDS,
        QgsCoordinateReferenceSystem(CRS),
        {"DATUM_NAME": "staff gauge at the dam", "DATUM_ELEVATION_M": "0.5"},
    )
    crest = [(EAST - 250 + 3 * t, NORTH + 100 + t) for t in range(50)][::-1]
    breaks = [
        (LineString([(px + dy / 2, py - dy) for px, py in crest]), [kind, 1])
        for kind, dy in (("crest", 0.0), ("steepest", 9.0), ("toe", 18.0))
    ]
    layers = {
        "CONTOURS": _of_core(
            "LineString", "Contours", map(LineString, lines.coords), lines.attributes
        ),
        "SHORELINE": _layer(
            "Polygon", "Shoreline", [("name", "string")], [(Polygon(water), ["Heron Lake"])]
        ),
        "DEPTH_AREAS": _of_core("MultiPolygon", "Depth areas", areas.polygons, areas.attributes),
        "SURFACE": QgsRasterLayer(str(path), "Depth"),
        "BREAKLINES": _layer(
            "LineString", "Break-lines", [("kind", "string"), ("drop_off", "integer")], breaks
        ),
        "SOUNDINGS": _soundings(),
    }
    yield layers
    # A failed run's traceback keeps its parameters; the layers must end before QGIS does.
    for layer in layers.values():
        sip.delete(layer)


def _soundings():
    kinds = {"text": "string", "int": "integer", "double": "double", "datetime": "datetime"}
    fields = [(field, kinds[kind]) for field, (_, kind) in SCHEMA.items()]
    rows = []
    for lane, dy in enumerate(range(-180, 200, 20), 1):
        for x in np.arange(EAST - 300, EAST + 300, 4.0):
            depth = float(depth_at(x, NORTH + dy))
            if depth <= 0.3:
                continue
            status = "accepted"
            if len(rows) % 97 == 5:
                status = ("spike", "no bottom", "speed")[len(rows) % 3]
            day = ("2025-05-17", "2025-07-05", "2025-09-20")[lane % 3]
            rows.append(
                (
                    Point(x, NORTH + dy),
                    [
                        day,
                        lane,
                        f"{day}T15:{lane % 60:02d}:{len(rows) % 60:02d}",
                        depth,
                        depth,
                        0.1,
                        None,
                        18.0,
                        2.2,
                        90.0,
                        status,
                        "datum=staff gauge at the dam;datum_elev_m=0.5;"
                        f"level_m={(0.62, 0.55, 0.41)[lane % 3]}",
                    ],
                )
            )
    return _layer("Point", "Soundings", fields, rows)
