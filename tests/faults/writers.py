"""A little invented lake, and a run of every algorithm that writes, as it was and as it will be."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from pyproj import Transformer

EAST, NORTH, RADIUS, DEEPEST = 500_000.0, 5_100_000.0, 110.0, 4.5
_UTM = "EPSG:32615"


@dataclass
class Writer:
    """A run: what is given, where results go, and what differs from the run before it.

    Attributes
    ----------
    algorithm : str
    given : dict
        Parameters; ``{}`` in a text stands for the folder of the inputs.
    outputs : dict
        File names by parameter.
    earlier : dict
        Parameters of the earlier run, whose results are to be replaced, where they differ.
    kept : tuple
        Files of the folder of the outputs that are changed in place: they are copied from the
        inputs before either run.
    """

    algorithm: str
    given: dict
    outputs: dict
    earlier: dict = field(default_factory=dict)
    kept: tuple = ()


def write_logs(folder):
    """Write logs of two visits, a gauge, a shoreline and marks into a folder."""
    to_degrees = Transformer.from_crs(_UTM, "EPSG:4326", always_xy=True)
    rng = np.random.default_rng(3)
    for day, heading in (("2025-05-17", 0), ("2025-08-09", 90)):
        x, y = _lanes(heading)
        away = np.hypot(x - EAST, y - NORTH) / RADIUS
        depth = DEEPEST * (1.0 - away**2) + 1.5 * (1.0 + np.tanh((0.55 - away) / 0.06))
        depth += rng.normal(0.0, 0.03, x.size)
        lon, lat = to_degrees.transform(x, y)
        hardness = 0.35 + 0.4 * (x > EAST) + rng.normal(0.0, 0.03, x.size)
        start = np.datetime64(f"{day}T13:00:00")
        rows = [
            f"{start + np.timedelta64(i, 's')}Z,{lat[i]:.7f},{lon[i]:.7f},{depth[i]:.2f},"
            f"{np.clip(hardness[i], 0, 1):.2f},16.0\n"
            for i in range(x.size)
        ]
        path = folder / f"{day}.csv"
        path.write_text("time,lat,lon,depth_m,hardness,water_temp_c\n" + "".join(rows))
    (folder / "gauge.csv").write_text(
        "time_utc,level_ft\n2025-05-17T12:00:00Z,2.10\n2025-05-17T16:00:00Z,2.10\n"
        "2025-08-09T12:00:00Z,2.00\n2025-08-09T16:00:00Z,2.00\n"
    )
    turn = np.linspace(0.0, 2.0 * np.pi, 61)
    lon, lat = to_degrees.transform(EAST + RADIUS * np.sin(turn), NORTH + RADIUS * np.cos(turn))
    ring = ",".join(f"[{a:.7f},{b:.7f}]" for a, b in zip(lon, lat))
    (folder / "shoreline.geojson").write_text(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"name":"Pond"},'
        f'"geometry":{{"type":"Polygon","coordinates":[[{ring}]]}}}}]}}\n'
    )
    places = to_degrees.transform(
        EAST + np.array([-40.0, 5.0, 60.0]), NORTH + np.array([10.0, 44.0, 0.0])
    )
    (folder / "marks.gpx").write_text(
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="test" '
        'xmlns="http://www.topografix.com/GPX/1/1">'
        + "".join(
            f'<wpt lat="{b:.6f}" lon="{a:.6f}"><name>MARK {i}</name></wpt>'
            for i, (a, b) in enumerate(zip(*places))
        )
        + "</gpx>\n"
    )


def _lanes(heading):
    """Return places along lanes 14 m apart and one cross-line, 2 m apart."""
    x, y = [], []
    half = RADIUS - 4.0
    for k, across in enumerate(np.arange(-half, half, 14.0)):
        reach = np.sqrt(half**2 - across**2)
        along = np.arange(-reach, reach, 2.0)[:: 1 if k % 2 else -1]
        x += [across] * along.size
        y += along.tolist()
    along = np.arange(-half, half, 2.0)
    x, y = np.append(x, along), np.append(y, np.full(along.size, 3.0))
    return (EAST + x, NORTH + y) if heading == 0 else (EAST + y + 1.0, NORTH - x)


_FT = {"UNIT": "ft"}
_SHEET = {
    "CONTOURS": "{}/contours.gpkg",
    "SHORELINE": "{}/shoreline.geojson",
    "DEPTH_AREAS": "{}/depth_areas.gpkg",
    "SURFACE": "{}/surface.tif",
    "BREAKLINES": "{}/break_lines.gpkg",
    "SOUNDINGS": "{}/soundings.gpkg",
}
_LAKE = {"INPUT": "{}/soundings.gpkg", "SHORELINE": "{}/shoreline.geojson"}
_DEPTH = {"INPUT": "{}/surface.tif", "SHORELINE": "{}/shoreline.geojson"}

#: How the inputs are made, in this order: name of the file, algorithm, parameters.
INPUTS = (
    ("logged.gpkg", "readlogs", {"FOLDER": "{}/logs"}),
    ("first.gpkg", "readlogs", {"INPUT": "{}/2025-05-17.csv"}),
    (
        "reduced.gpkg",
        "reducetodatum",
        {"INPUT": "{}/logged.gpkg", "GAUGE": "{}/gauge.csv", "DATUM_ELEVATION": 2.0},
    ),
    (
        "first_reduced.gpkg",
        "reducetodatum",
        {"INPUT": "{}/first.gpkg", "GAUGE": "{}/gauge.csv", "DATUM_ELEVATION": 2.0},
    ),
    ("soundings.gpkg", "cleansoundings", {"INPUT": "{}/reduced.gpkg"}),
    ("surface.tif", "tinsurface", _LAKE),
    ("other.tif", "idwsurface", _LAKE),
    ("slope.tif", "bottomslope", {"INPUT": "{}/surface.tif"}),
    ("contours.gpkg", "depthcontours", {**_DEPTH, "INTERVAL": 2.0}),
    ("depth_areas.gpkg", "depthareas", {**_DEPTH, "INTERVAL": 5.0}),
    (
        "break_lines.gpkg",
        "breaklines",
        {"INPUT": "{}/surface.tif", "MIN_SLOPE": 5.0, "MIN_HEIGHT": 0.5},
    ),
    ("marks.gpkg", "importwaypoints", {"INPUT": "{}/marks.gpx"}),
    (
        "bottom.tif",
        "bottomtype",
        {"INPUT": "{}/soundings.gpkg", "SURFACE": "{}/surface.tif", "METHOD": "thresholds"},
    ),
    ("transitions.gpkg", "hardsofttransitions", {"INPUT": "{}/bottom.tif"}),
)

#: The stores, each of one visit or both.
STORES = (("store.gpkg", "{}/first_reduced.gpkg"), ("both.gpkg", "{}/reduced.gpkg"))

WRITERS = {
    "readlogs": Writer(
        "readlogs",
        {"FOLDER": "{}/logs"},
        {"OUTPUT": "soundings.gpkg", "UNREAD": "unread.csv"},
        {"FOLDER": None, "INPUT": "{}/2025-05-17.csv"},
    ),
    "readlogs to GeoJSON": Writer(
        "readlogs",
        {"FOLDER": "{}/logs"},
        {"OUTPUT": "soundings.geojson"},
        {"FOLDER": None, "INPUT": "{}/2025-05-17.csv"},
    ),
    "readlogs to a shapefile": Writer(
        "readlogs",
        {"FOLDER": "{}/logs"},
        {"OUTPUT": "soundings.shp"},
        {"FOLDER": None, "INPUT": "{}/2025-05-17.csv"},
    ),
    "readpointlayer": Writer(
        "readpointlayer",
        {"INPUT": "{}/soundings.gpkg", "DEPTH_FIELD": "depth_m"},
        {"OUTPUT": "points.gpkg"},
        {"DEPTH_UNIT": "ft"},
    ),
    "cleansoundings": Writer(
        "cleansoundings",
        {"INPUT": "{}/reduced.gpkg"},
        {"OUTPUT": "clean.gpkg", "COUNTS": "counts.csv"},
        {"MIN_DEPTH": 3.0},
    ),
    "findtimeoffset": Writer(
        "findtimeoffset",
        {"INPUT": "{}/soundings.gpkg"},
        {"TIME_OFFSETS": "offsets.csv", "REPORT": "offsets.html"},
        {"MAX_TIME_OFFSET": 3.0},
    ),
    "findbeamwidth": Writer(
        "findbeamwidth",
        {
            "INPUT": "{}/soundings.gpkg",
            "MEASURED": "{}/soundings.gpkg",
            "DEPTH_FIELD": "depth_m",
            "UNIT": "meters",
        },
        {"PLACES": "places.gpkg", "COMPARED": "compared.csv"},
        {"MAX_DEPTH": 4.0},
    ),
    "correctdepths": Writer(
        "correctdepths", {"INPUT": "{}/logged.gpkg"}, {"OUTPUT": "corrected.gpkg"}, {"DRAFT": 0.5}
    ),
    "reducetodatum": Writer(
        "reducetodatum",
        {"INPUT": "{}/logged.gpkg", "GAUGE": "{}/gauge.csv", "DATUM_ELEVATION": 2.0},
        {"OUTPUT": "reduced.gpkg"},
        {"DATUM_ELEVATION": 1.5},
    ),
    "uncertaintybudget": Writer(
        "uncertaintybudget",
        {"INPUT": "{}/soundings.gpkg", "SURFACE": "{}/surface.tif"},
        {"OUTPUT": "budget.gpkg", "TERMS": "budget.csv"},
        {"POSITION_UNCERTAINTY": 3.0},
    ),
    "checkcrosslines": Writer(
        "checkcrosslines",
        {"INPUT": "{}/soundings.gpkg"},
        {"CROSSINGS": "crossings.gpkg", "REPORT": "crossings.html"},
        {"MIN_ANGLE": 89.0},
    ),
    "adjustvisits": Writer(
        "adjustvisits",
        {"INPUT": "{}/soundings.gpkg"},
        {"OUTPUT": "level.gpkg", "OFFSETS": "offsets.csv", "DIFFERENCES": "differences.gpkg"},
        {"MAX_OVERLAP_DISTANCE": 2.0, "OVERLAPS": False, "POSITION_UNCERTAINTY": 3.0},
    ),
    "addtodatabase": Writer(
        "addtodatabase",
        {"INPUT": "{}/reduced.gpkg", "DATABASE": "{out}/store.gpkg"},
        {"CHANGED": "changed.gpkg", "LOOK": "look.csv"},
        {"INPUT": "{}/first_reduced.gpkg"},
        kept=("store.gpkg",),
    ),
    "addtostore, a new one": Writer(
        "addtodatabase", {"INPUT": "{}/reduced.gpkg", "DATABASE": "{out}/new.gpkg"}, {}
    ),
    "readdatabase": Writer(
        "readdatabase",
        {"DATABASE": "{}/both.gpkg"},
        {"OUTPUT": "from_store.gpkg"},
        {"DATABASE": "{}/store.gpkg"},
    ),
    "whatvisitadded": Writer(
        "whatvisitadded",
        {
            "DATABASE": "{}/both.gpkg",
            "SHORELINE": "{}/shoreline.geojson",
            "VISITS": "2025-08-09",
            "CELL_SIZE": 8.0,
        },
        {"REPORT": "added.html", "DIFFERENCE": "change.tif"},
        {"CELL_SIZE": 10.0},
    ),
    "removevisit": Writer(
        "removevisit",
        {"DATABASE": "{out}/both.gpkg", "VISITS": "2025-08-09"},
        {},
        {"VISITS": "no such visit"},
        kept=("both.gpkg",),
    ),
    "setaside": Writer(
        "setaside",
        {
            "DATABASE": "{out}/both.gpkg",
            "VISITS": "2025-08-09",
            "ACTION": "remove",
            "TO_TIME": "2025-08-09T14:30:00",
        },
        {},
        {"VISITS": "no such visit"},
        kept=("both.gpkg",),
    ),
    "reviewsoundings": Writer(
        "reviewsoundings",
        {
            "INPUT": "{}/reduced.gpkg",
            "DATABASE": "{out}/both.gpkg",
            "DECISION": "reject",
            "REASON": "fish",
        },
        {},
        {"DATABASE": "{out}/none.gpkg"},
        kept=("both.gpkg",),
    ),
    "undolastchange": Writer(
        "undolastchange",
        {"DATABASE": "{out}/both.gpkg"},
        {},
        {"DATABASE": "{out}/none.gpkg"},
        kept=("both.gpkg",),
    ),
    "editlogbook": Writer(
        "editlogbook",
        {"DATABASE": "{out}/both.gpkg", "VISITS": "2025-08-09", "OWNER": "Ada"},
        {},
        {"VISITS": "no such visit"},
        kept=("both.gpkg",),
    ),
    "logbook": Writer(
        "logbook",
        {"DATABASE": "{}/both.gpkg"},
        {"OUTPUT": "logbook.csv", "HISTORY": "history.gpkg"},
        {"DATABASE": "{}/store.gpkg"},
    ),
    "mergedatabases": Writer(
        "mergedatabases",
        {"DATABASE": "{}/store.gpkg", "OTHER_DATABASE": "{}/both.gpkg"},
        {"OUTPUT": "merged.gpkg"},
    ),
    "tinsurface": Writer("tinsurface", _LAKE, {"OUTPUT": "tin.tif"}, {"CELL_SIZE": 7.0}),
    "idwsurface, brought up to date": Writer(
        "idwsurface",
        {**_LAKE, "SURFACE_TO_UPDATE": "{out}/idw.tif", "SHORELINE": None},
        {"OUTPUT": "idw.tif"},
        {"SURFACE_TO_UPDATE": None, "SHORELINE": "{}/shoreline.geojson"},
    ),
    "smoothsurface": Writer(
        "smoothsurface", {**_LAKE, "CELL_SIZE": 8.0}, {"OUTPUT": "smooth.tif"}, {"CELL_SIZE": 10.0}
    ),
    "tinsurface to ERDAS IMAGINE": Writer(
        "tinsurface", _LAKE, {"OUTPUT": "tin.img"}, {"CELL_SIZE": 7.0}
    ),
    "comparemethods": Writer(
        "comparemethods",
        {**_LAKE, "CELL_SIZE": 10.0},
        {"TABLE": "methods.csv", "REPORT": "methods.html"},
        {"CELL_SIZE": 12.0},
    ),
    "surfacedifference": Writer(
        "surfacedifference",
        {"INPUT": "{}/surface.tif", "OLDER_SURFACE": "{}/other.tif"},
        {"OUTPUT": "difference.tif"},
        {"CONFIDENCE": 80.0},
    ),
    "blendsurvey": Writer(
        "blendsurvey",
        {"INPUT": "{}/surface.tif", "OLDER_RASTER": "{}/other.tif"},
        {"OUTPUT": "blend.tif", "DIFFERENCE": "blend_difference.tif", "REPORT": "blend.html"},
        {"TRANSITION_WIDTH": 60.0, "OLDER_RASTER": "{}/surface.tif", "INPUT": "{}/other.tif"},
    ),
    "depthcontours": Writer(
        "depthcontours", {**_DEPTH, "INTERVAL": 1.0}, {"OUTPUT": "contours.gpkg"}, {"INTERVAL": 3.0}
    ),
    "depthcontours into a GeoPackage of others": Writer(
        "depthcontours",
        {**_DEPTH, "INTERVAL": 1.0},
        {"OUTPUT": "ogr:dbname='{out}/own.gpkg' table=\"contours\" (geom)"},
        {"INTERVAL": 3.0},
        kept=("own.gpkg",),
    ),
    "depthareas": Writer(
        "depthareas", {**_DEPTH, "INTERVAL": 2.0}, {"OUTPUT": "areas.gpkg"}, {"INTERVAL": 5.0}
    ),
    "bottomslope": Writer(
        "bottomslope",
        {"INPUT": "{}/surface.tif"},
        {"OUTPUT": "slope.tif"},
        {"INPUT": "{}/other.tif"},
    ),
    "breaklines": Writer(
        "breaklines",
        {"INPUT": "{}/surface.tif", "MIN_SLOPE": 5.0, "MIN_HEIGHT": 0.5},
        {"OUTPUT": "breaks.gpkg"},
        {"MIN_LENGTH": 900.0},
    ),
    "bottomforms": Writer(
        "bottomforms",
        {"INPUT": "{}/surface.tif"},
        {"OUTPUT": "forms.gpkg", "OUTPUT_RASTER": "forms.tif"},
        {"INPUT": "{}/other.tif"},
    ),
    "bottomtype": Writer(
        "bottomtype",
        {"INPUT": "{}/soundings.gpkg", "SURFACE": "{}/surface.tif", "METHOD": "thresholds"},
        {"OUTPUT": "type.tif", "AREAS": "type.gpkg", "REPORT": "type.html"},
        {"MEDIUM_FROM": 0.4},
    ),
    "hardsofttransitions": Writer(
        "hardsofttransitions",
        {"INPUT": "{}/bottom.tif"},
        {"OUTPUT": "transitions.gpkg"},
        {"MIN_LENGTH": 60.0},
    ),
    "candidatespots": Writer(
        "candidatespots",
        {
            "INPUT": "{}/surface.tif",
            "BREAKLINES": "{}/break_lines.gpkg",
            "TRANSITIONS": "{}/transitions.gpkg",
            "MIN_SCORE": 0.1,
        },
        {"OUTPUT": "spots.gpkg", "SCORE": "score.tif"},
        {"MAX_SPOTS": 3},
    ),
    "describemarks": Writer(
        "describemarks",
        {"MARKS": "{}/marks.gpkg", "INPUT": "{}/surface.tif"},
        {"OUTPUT": "described.gpkg"},
        {"UNIT": "m"},
    ),
    "findplaceslikemarks": Writer(
        "findplaceslikemarks",
        {"MARKS": "{}/marks.gpkg", "INPUT": "{}/surface.tif"},
        {"OUTPUT": "alike.gpkg", "SIMILARITY": "alike.tif"},
        {"MAX_PLACES": 4},
    ),
    "depthprofile": Writer(
        "depthprofile",
        {"INPUT": "{}/surface.tif", "LINES": "{}/break_lines.gpkg"},
        {"OUTPUT": "profile.csv", "REPORT": "profile.html"},
        {"STEP": 9.0},
    ),
    "lakestatistics": Writer(
        "lakestatistics",
        _DEPTH,
        {"CSV": "statistics.csv", "LAYERS": "layers.csv", "REPORT": "statistics.html"},
        {"UNIT": "m"},
    ),
    "areavolumebylevel": Writer(
        "areavolumebylevel",
        _DEPTH,
        {"OUTPUT": "levels.csv", "UNCOVERED": "uncovered.gpkg"},
        {"DRAWDOWN": 2.0},
    ),
    "lakereport": Writer(
        "lakereport",
        {**_SHEET, "LAKE": "Pond"},
        {"OUTPUT": "report.pdf", "WEB_PAGE": "report.html"},
        {"LAKE": "Puddle"},
    ),
    "mapsheet": Writer(
        "mapsheet",
        {**_SHEET, "TITLE": "Pond"},
        {"OUTPUT": "sheet.pdf", "PICTURE": "sheet.png"},
        {"TITLE": "Puddle"},
    ),
    "structuresheets": Writer(
        "structuresheets",
        {**_SHEET, "TITLE": "Pond", "MAX_PAGES": 2},
        {"OUTPUT": "structures.pdf"},
        {"TITLE": "Puddle", "MAX_PAGES": 1},
    ),
    "lakeproject": Writer(
        "lakeproject", {**_SHEET, "TITLE": "Pond"}, {"OUTPUT": "lake.qgz"}, {"TITLE": "Puddle"}
    ),
    "exportwaypoints": Writer(
        "exportwaypoints",
        {"INPUT": "{}/marks.gpkg", "LINES": "{}/contours.gpkg"},
        {"OUTPUT": "marks.gpx"},
        {"LINES": None},
    ),
    "importwaypoints": Writer(
        "importwaypoints", {"INPUT": "{}/marks.gpx"}, {"OUTPUT": "imported.gpkg"}
    ),
    "surveylanes": Writer(
        "surveylanes",
        {"INPUT": "{}/shoreline.geojson"},
        {"OUTPUT": "plan.gpkg", "GPX": "plan.gpx"},
        {"LANE_SPACING": 45.0},
    ),
    "nextouting": Writer(
        "nextouting",
        {
            "INPUT": "{}/surface.tif",
            "LAUNCH": f"{EAST + 90},{NORTH} [{_UTM}]",
            "INTERVAL": 0.25,
            "SHORELINE": "{}/shoreline.geojson",
        },
        {"OUTPUT": "outing.gpkg", "GAPS": "gaps.gpkg", "GPX": "outing.gpx"},
        {"TIME": 20.0},
    ),
    "copytoshare": Writer(
        "copytoshare",
        {"LAYERS": ["{}/contours.gpkg", "{}/soundings.gpkg", "{}/surface.tif"]},
        {"OUTPUT": "copy"},
    ),
    "phonepackage": Writer(
        "phonepackage", {**_SHEET, "TITLE": "Pond", "MAX_ZOOM": 16}, {"OUTPUT": "package"}
    ),
}
