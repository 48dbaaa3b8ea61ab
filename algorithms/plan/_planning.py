"""What survey lanes and the next outing share."""

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsPointXY,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterPoint,
)

from .._i18n import tr
from .._io import params
from .._io.staging import write_file
from ..core.errors import LakefloorError
from ..core.exchange.waypoints import check_positions
from ..core.plan.boat import Boat
from ..core.units import SPEED

#: Units of speed, with m/s per unit.
MILE = 1609.344
WGS84 = "EPSG:4326"
_TYPES = {"leg": "int", "lane": "int", "kind": "text", "rank": "int", "why": "text"}


def fields(attributes) -> list:
    """Return name and type of each attribute of a plan."""
    return [(name, _TYPES.get(name, "double")) for name in attributes]


def cautions():
    """Return what every plan says."""
    return tr(
        "A plan does not know the day: wind, waves, lightning, cold water, other boats and local "
        "rules come first. The map may not show all rocks, stumps, weeds and shallows. You judge "
        "whether it is safe to go. Clean, drain and dry the boat between lakes. Maps and plans are "
        "not for navigation."
    )


def add_boat(algorithm):
    """Declare how the boat moves and where it may go."""
    add = algorithm.addParameter
    add(
        params.number(
            "SPEED",
            tr("Speed on lanes (speed unit)"),
            5.0,
            tr(
                "About 5 mph (8 km/h) suits most transducers. Faster lanes have fewer soundings and "
                "more air bubbles under the transducer."
            ),
            minimum=0.1,
        )
    )
    add(
        params.choice(
            "SPEED_UNIT", tr("Speed unit"), list(SPEED), "mph", tr("Unit of both speeds.")
        )
    )
    add(
        params.number(
            "TRANSIT_SPEED",
            tr("Speed on transits (speed unit)"),
            None,
            tr("Speed between lanes. If empty, the speed on lanes is used."),
            minimum=0.1,
            optional=True,
            advanced=True,
        )
    )
    add(
        params.number(
            "TURN_TIME",
            tr("Turn time (s)"),
            10.0,
            tr("Extra time for the turn into each lane."),
            minimum=0.0,
            advanced=True,
        )
    )
    add(
        params.distance(
            "BUFFER",
            tr("Shore buffer (m)"),
            5.0,
            tr("Lanes end this far from the shore. Transits stay at least a quarter of it away."),
            minimum=0.1,
        )
    )


def launch(optional):
    parameter = QgsProcessingParameterPoint("LAUNCH", tr("Launch point"), optional=optional)
    return params.helped(
        parameter,
        tr("Where the outing begins and ends, on the water or at the shore.")
        + (" " + tr("If empty, it begins and ends where the lanes suit best.") if optional else ""),
    )


def gpx_file():
    return params.helped(
        QgsProcessingParameterFileDestination(
            "GPX", tr("Route and track for GPS device"), "GPX (*.gpx)", optional=True
        ),
        tr(
            "GPX 1.1 with the ends of the lanes in driving order as a route, and the whole path as "
            "a track."
        ),
    )


def read_boat(inputs) -> Boat:
    """Return how the boat moves and where it may go."""
    unit = SPEED[inputs.choice("SPEED_UNIT")]
    transit = inputs.number("TRANSIT_SPEED")
    return Boat(
        speed=inputs.number("SPEED") * unit,
        transit_speed=None if transit is None else transit * unit,
        turn_s=inputs.number("TURN_TIME"),
        buffer_m=inputs.number("BUFFER"),
        min_depth=inputs.number("MIN_DEPTH"),
    )


def check_polygon_place(inputs):
    """Refuse a polygon layer at a pole or across the antimeridian."""
    from ..core.polygons import rings

    layer = inputs.source()
    if not layer.sourceCrs().isValid():
        return
    polygon = inputs.polygon(params.INPUT, QgsCoordinateReferenceSystem(WGS84), of_lake=False)
    places = np.concatenate(rings(polygon))
    check_positions(*places.T, tr("Layer '{}'").format(layer.sourceName()))


def check_raster_place(inputs):
    """Refuse a raster at a pole or across the antimeridian."""
    layer = inputs.raster()
    if not layer.crs().isValid():
        return
    to_gps = QgsCoordinateTransform(
        layer.crs(), QgsCoordinateReferenceSystem(WGS84), inputs.context.transformContext()
    )
    box = layer.extent()
    corners = [
        (x, y) for x in (box.xMinimum(), box.xMaximum()) for y in (box.yMinimum(), box.yMaximum())
    ]
    try:
        places = [to_gps.transform(QgsPointXY(x, y)) for x, y in corners]
    except QgsCsException as error:
        raise LakefloorError(
            tr(
                "Raster '{}' lies outside the area of its coordinate reference system. Set the "
                "right one in its properties, then run again."
            ).format(layer.name())
        ) from error
    check_positions(
        [p.x() for p in places], [p.y() for p in places], tr("Raster '{}'").format(layer.name())
    )


def crs_code(crs) -> str:
    """Return what pyproj reads as this CRS."""
    return crs.authid() or crs.toWkt()


def way(meters) -> str:
    """Return a length in both units."""
    return tr("{:.2f} km ({:.2f} mi)").format(meters / 1000.0, meters / MILE)


def clock(minutes) -> str:
    """Return a time as hours and minutes."""
    whole = round(minutes)
    return tr("{} h {:02d} min").format(*divmod(whole, 60))


def write_gpx(outputs, lines, crs, title):
    """Write the optional GPX file."""
    from ..core.plan.device_route import lanes_gpx

    if outputs.wanted("GPX") and len(lines):
        write_file(
            outputs.file("GPX"), lanes_gpx(lines, crs_code(crs), title, tr("Not for navigation."))
        )
