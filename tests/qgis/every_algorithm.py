"""Every algorithm on one small invented lake, in the order of the work, files in and files out."""

import json
from datetime import datetime

import numpy as np
from osgeo import ogr, osr
from pyproj import Transformer

UTM, EAST, NORTH, RADIUS = 32615, 470_000.0, 5_120_000.0, 130.0
_TO_GPS = Transformer.from_crs(UTM, 4326, always_xy=True)


def _depth(x, y):
    """Depth in m: a shelf, a drop-off, a basin with a hump."""
    u, v = x - EAST, y - NORTH
    away = np.hypot(u, v) / RADIUS
    basin = 1.0 + 7.0 / (1.0 + np.exp((away - 0.65) / 0.04))
    return basin * np.minimum(1.0, 6.0 * (1.0 - away)) - 3.0 * np.exp(
        -((u + 30.0) ** 2 + (v - 20.0) ** 2) / 200.0
    )


def _visit(rng, path, day, across, offset, along_m):
    rows, second = [], 0
    for number, k in enumerate(np.arange(-120.0, 121.0, 12.0 if not across else 40.0)):
        reach = np.sqrt(max((RADIUS - 6.0) ** 2 - k**2, 0.0))
        along = np.arange(-reach, reach, along_m)[:: 1 if number % 2 else -1]
        x, y = (along, np.full(along.size, k))[:: 1 if across else -1]
        depth = _depth(EAST + x, NORTH + y) + offset + rng.normal(0.0, 0.03, along.size)
        hard = np.where(x > 10.0, 0.75, 0.35) + rng.normal(0.0, 0.04, along.size)
        lon, lat = _TO_GPS.transform(EAST + x, NORTH + y)
        for i in range(along.size):
            rows.append(
                f"{day}T{15 + second // 3600:02d}:{second // 60 % 60:02d}:"
                f"{second % 60:02d}Z,{lat[i]:.7f},{lon[i]:.7f},{depth[i]:.3f},"
                f"{hard[i]:.3f},18.5"
            )
            second += 1
        second += 20
    path.write_text("time,lat,lon,depth_m,hardness,water_temp_c\n" + "\n".join(rows) + "\n")


def _geojson(path, kind, coordinates, properties):
    features = [
        {"type": "Feature", "properties": p, "geometry": {"type": kind, "coordinates": c}}
        for c, p in zip(coordinates, properties)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))


def _ring(radius, count=90):
    turn = np.linspace(0.0, 2.0 * np.pi, count + 1)
    turn[-1] = 0.0
    lon, lat = _TO_GPS.transform(EAST + radius * np.cos(turn), NORTH + radius * np.sin(turn))
    return np.column_stack([lon, lat]).tolist()


def make_lake(folder, along_m=2.5):
    """Write logs, shoreline, gauge, marks and an older map; points in another CRS too.

    ``along_m`` is the distance between two soundings of a lane.
    """
    rng = np.random.default_rng(4)
    (folder / "logs").mkdir(parents=True)
    _visit(rng, folder / "logs" / "may.csv", "2025-05-17", False, 0.0, along_m)
    _visit(rng, folder / "logs" / "june.csv", "2025-06-20", True, 0.1, along_m)
    _geojson(folder / "shoreline.geojson", "Polygon", [[_ring(RADIUS)]], [{"name": "Round Lake"}])
    _geojson(
        folder / "old.geojson",
        "LineString",
        [_ring(120.0), _ring(85.0), _ring(60.0)],
        [{"depth_m": d} for d in (1.0, 4.5, 8.0)],
    )
    _geojson(folder / "lines.geojson", "LineString", [_ring(RADIUS)[:46:45]], [{"name": "across"}])
    places = _TO_GPS.transform(EAST + np.array([-30.0, 84.0]), NORTH + np.array([20.0, 3.0]))
    _geojson(
        folder / "marks.geojson",
        "Point",
        np.column_stack(places).tolist(),
        [{"name": "hump"}, {"name": "edge"}],
    )
    (folder / "gauge.csv").write_text(
        "time_utc,level_m\n2025-05-10T12:00:00Z,1.00\n2025-05-17T12:00:00Z,1.00\n"
        "2025-05-18T12:00:00Z,1.00\n2025-06-20T12:00:00Z,1.10\n2025-06-21T12:00:00Z,1.10\n"
    )
    # In a CRS that no other file of this lake has: UTM on NAD83.
    srs = osr.SpatialReference()
    srs.ImportFromEPSG(26915)
    dataset = ogr.GetDriverByName("GPKG").CreateDataSource(str(folder / "points.gpkg"))
    layer = dataset.CreateLayer("points", srs, ogr.wkbPoint)
    layer.CreateField(ogr.FieldDefn("depth", ogr.OFTReal))
    for x in np.arange(EAST - 100.0, EAST + 100.0, 5.0):
        feature = ogr.Feature(layer.GetLayerDefn())
        feature.SetField("depth", float(_depth(x, NORTH)))
        feature.SetGeometry(ogr.CreateGeometryFromWkt(f"POINT ({x} {NORTH})"))
        layer.CreateFeature(feature)


def steps(lake, out):
    """Yield name and parameters of every algorithm; each takes what earlier ones wrote.

    Parameters
    ----------
    lake : Path
        Folder that :func:`make_lake` filled.
    out : Path
        Empty folder of the results.
    """

    def made(name):
        return str(out / name)

    shore = str(lake / "shoreline.geojson")
    launch = "{:.6f},{:.6f} [EPSG:4326]".format(*_TO_GPS.transform(EAST + 118.0, NORTH))
    soundings, smooth = made("soundings.gpkg"), made("smooth.tif")
    gridded = {"INPUT": soundings, "SHORELINE": shore, "CELL_SIZE": 3.0}
    surface = {"INPUT": smooth, "SHORELINE": shore}
    sheet = {
        "CONTOURS": made("contours.gpkg"),
        "SHORELINE": shore,
        "DEPTH_AREAS": made("areas.gpkg"),
        "SURFACE": smooth,
        "BREAKLINES": made("breaks.gpkg"),
        "SOUNDINGS": soundings,
    }
    ground = {
        "INPUT": smooth,
        "BREAKLINES": made("breaks.gpkg"),
        "BOTTOM_FORMS": made("forms.gpkg"),
        "TRANSITIONS": made("transitions.gpkg"),
        "BOTTOM_TYPE": made("type.tif"),
    }
    marks = {"MARKS": str(lake / "marks.geojson"), **ground}
    folder = {"LAKE": made("Round Lake")}
    return [
        (
            "newlake",
            {"NAME": "Round Lake", "FOLDER": made(""), "SHORELINE": shore, "UNIT": "meters"},
        ),
        ("bringintolake", {**folder, "FOLDER": str(lake / "logs")}),
        ("lakesteps", {**folder, "OUTPUT": made("steps.gpkg")}),
        ("backuplake", {**folder, "FOLDER": made("")}),
        (
            "restorelake",
            {"BACKUP": made(f"Round Lake {datetime.now():%Y-%m-%d}.zip"), "FOLDER": made("")},
        ),
        ("readlogs", {"FOLDER": str(lake / "logs"), "OUTPUT": made("read.gpkg")}),
        (
            "readpointlayer",
            {
                "INPUT": str(lake / "points.gpkg"),
                "DEPTH_FIELD": "depth",
                "OUTPUT": made("points.gpkg"),
            },
        ),
        ("cleansoundings", {"INPUT": made("read.gpkg"), "OUTPUT": made("clean.gpkg")}),
        (
            "findtimeoffset",
            {
                "INPUT": made("clean.gpkg"),
                "TIME_OFFSETS": made("offset.gpkg"),
                "REPORT": made("offset.html"),
            },
        ),
        (
            "findbeamwidth",
            {
                "INPUT": made("clean.gpkg"),
                "MEASURED": made("clean.gpkg"),
                "DEPTH_FIELD": "depth_m",
                "UNIT": "meters",
                "PLACES": made("to_measure.gpkg"),
                "COMPARED": made("measured.gpkg"),
            },
        ),
        (
            "correctdepths",
            {"INPUT": made("clean.gpkg"), "DRAFT": 0.2, "OUTPUT": made("corrected.gpkg")},
        ),
        (
            "reducetodatum",
            {
                "INPUT": made("corrected.gpkg"),
                "GAUGE": str(lake / "gauge.csv"),
                "LEVEL_UNIT": "m",
                "DATUM_ELEVATION": 1.0,
                "DATUM_NAME": "pool",
                "OUTPUT": made("reduced.gpkg"),
            },
        ),
        ("uncertaintybudget", {"INPUT": made("reduced.gpkg"), "OUTPUT": soundings}),
        (
            "checkcrosslines",
            {
                "INPUT": soundings,
                "CROSSINGS": made("crossings.gpkg"),
                "REPORT": made("crossings.html"),
            },
        ),
        (
            "adjustvisits",
            {"INPUT": soundings, "OUTPUT": made("leveled.gpkg"), "OFFSETS": made("offsets.gpkg")},
        ),
        (
            "addtodatabase",
            {"INPUT": soundings, "DATABASE": made("store.gpkg"), "CHANGED": made("changed.gpkg")},
        ),
        ("addtodatabase", {"INPUT": made("leveled.gpkg"), "DATABASE": made("other.gpkg")}),
        (
            "mergedatabases",
            {
                "DATABASE": made("store.gpkg"),
                "OTHER_DATABASE": made("other.gpkg"),
                "OUTPUT": made("merged.gpkg"),
            },
        ),
        ("removevisit", {"DATABASE": made("other.gpkg"), "VISITS": "2025-06-20"}),
        ("undolastchange", {"DATABASE": made("other.gpkg")}),
        ("setaside", {"DATABASE": made("other.gpkg"), "FROM_TIME": "2020-01-01T00:00:00"}),
        (
            "reviewsoundings",
            {
                "INPUT": made("leveled.gpkg"),
                "DATABASE": made("other.gpkg"),
                "DECISION": "as cleaned",
            },
        ),
        ("editlogbook", {"DATABASE": made("other.gpkg"), "VISITS": "2025-06-20", "OWNER": "Ada"}),
        (
            "logbook",
            {
                "DATABASE": made("other.gpkg"),
                "OUTPUT": made("logbook.gpkg"),
                "HISTORY": made("history.gpkg"),
            },
        ),
        ("readdatabase", {"DATABASE": made("store.gpkg"), "OUTPUT": made("stored.gpkg")}),
        (
            "whatvisitadded",
            {
                "DATABASE": made("store.gpkg"),
                "VISITS": "2025-06-20",
                "SHORELINE": shore,
                "CELL_SIZE": 4.0,
                "REPORT": made("added.html"),
                "DIFFERENCE": made("added.tif"),
            },
        ),
        ("backupdatabase", {"DATABASE": made("store.gpkg")}),
        ("restoredatabase", {"BACKUP": made("store.gpkg"), "DATABASE": made("restored.gpkg")}),
        ("tinsurface", {**gridded, "OUTPUT": made("tin.tif")}),
        ("idwsurface", {**gridded, "OUTPUT": made("idw.tif")}),
        ("smoothsurface", {**gridded, "OUTPUT": smooth}),
        (
            "comparemethods",
            {
                **gridded,
                "CELL_SIZE": 6.0,
                "TABLE": made("methods.gpkg"),
                "REPORT": made("methods.html"),
            },
        ),
        (
            "surfacedifference",
            {"INPUT": smooth, "OLDER_SURFACE": made("tin.tif"), "OUTPUT": made("difference.tif")},
        ),
        (
            "blendsurvey",
            {
                "INPUT": smooth,
                "OLDER_CONTOURS": str(lake / "old.geojson"),
                "DEPTH_FIELD": "depth_m",
                "DEPTH_UNIT": "m",
                "SHORELINE": shore,
                "OUTPUT": made("blend.tif"),
                "DIFFERENCE": made("blend_difference.tif"),
                "REPORT": made("blend.html"),
            },
        ),
        ("depthcontours", {**surface, "INTERVAL": 2.0, "OUTPUT": sheet["CONTOURS"]}),
        ("depthareas", {**surface, "INTERVAL": 2.0, "OUTPUT": sheet["DEPTH_AREAS"]}),
        ("bottomslope", {"INPUT": smooth, "OUTPUT": made("slope.tif")}),
        ("breaklines", {"INPUT": smooth, "OUTPUT": made("breaks.gpkg")}),
        (
            "bottomforms",
            {"INPUT": smooth, "OUTPUT": made("forms.gpkg"), "OUTPUT_RASTER": made("forms.tif")},
        ),
        (
            "bottomtype",
            {
                "INPUT": soundings,
                "SURFACE": smooth,
                "SHORELINE": shore,
                "OUTPUT": made("type.tif"),
                "AREAS": made("type.gpkg"),
                "REPORT": made("type.html"),
            },
        ),
        (
            "hardsofttransitions",
            {
                "INPUT": made("type.tif"),
                "SURFACE": smooth,
                "SOUNDINGS": soundings,
                "OUTPUT": made("transitions.gpkg"),
            },
        ),
        ("candidatespots", {**ground, "OUTPUT": made("spots.gpkg"), "SCORE": made("score.tif")}),
        ("describemarks", {**marks, "OUTPUT": made("described.gpkg")}),
        (
            "findplaceslikemarks",
            {**marks, "OUTPUT": made("more.gpkg"), "SIMILARITY": made("similarity.tif")},
        ),
        (
            "depthprofile",
            {
                "INPUT": smooth,
                "LINES": str(lake / "lines.geojson"),
                "OUTPUT": made("profile.gpkg"),
                "REPORT": made("profile.html"),
            },
        ),
        (
            "lakestatistics",
            {
                **surface,
                "CSV": made("figures.csv"),
                "LAYERS": made("layers.gpkg"),
                "REPORT": made("figures.html"),
            },
        ),
        (
            "areavolumebylevel",
            {**surface, "OUTPUT": made("levels.gpkg"), "UNCOVERED": made("uncovered.gpkg")},
        ),
        ("lakereport", {**sheet, "OUTPUT": made("report.pdf")}),
        ("mapsheet", {**sheet, "OUTPUT": made("sheet.pdf")}),
        (
            "structuresheets",
            {
                **sheet,
                "STRUCTURES": made("spots.gpkg"),
                "MAX_PAGES": 3,
                "OUTPUT": made("sheets.pdf"),
            },
        ),
        (
            "lakeproject",
            {
                **sheet,
                "SLOPE": made("slope.tif"),
                "IDW_SURFACE": made("idw.tif"),
                "OUTPUT": made("lake.qgz"),
            },
        ),
        (
            "exportwaypoints",
            {
                "INPUT": made("spots.gpkg"),
                "LINES": made("breaks.gpkg"),
                "OUTPUT": made("spots.gpx"),
            },
        ),
        (
            "importwaypoints",
            {
                "INPUT": made("spots.gpx"),
                "OUTPUT": made("waypoints.gpkg"),
                "LINES": made("tracks.gpkg"),
            },
        ),
        ("copytoshare", {"LAYERS": [smooth, sheet["CONTOURS"], shore], "OUTPUT": made("shared")}),
        ("phonepackage", {**sheet, "MAX_ZOOM": 16, "OUTPUT": made("package")}),
        (
            "surveylanes",
            {
                "INPUT": shore,
                "LANE_SPACING": 30.0,
                "LAUNCH": launch,
                "OLDER_SURFACE": smooth,
                "OUTPUT": made("lanes.gpkg"),
                "GPX": made("lanes.gpx"),
            },
        ),
        (
            "nextouting",
            {
                **surface,
                "LAUNCH": launch,
                "BREAKLINES": made("breaks.gpkg"),
                "LANE_SPACING": 12.0,
                "OUTPUT": made("outing.gpkg"),
                "GAPS": made("gaps.gpkg"),
                "GPX": made("outing.gpx"),
            },
        ),
    ]
