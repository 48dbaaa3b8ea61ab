"""What the panel asks the models for: their parameters, from what is known of a lake."""

from __future__ import annotations

from ...algorithms import _settings

#: Interval of contours where nobody chose one, in the depth unit.
_INTERVAL = {"feet": 1.0, "meters": 0.5}

#: Step -> destination of its model -> (role of the layer or name of the document, file).
RESULTS = {
    "visits": {"addtodatabase:Bottom change": ("bottom_change", "bottom_change.gpkg")},
    "map": {
        "readdatabase:Soundings of all visits": ("soundings", "soundings.gpkg"),
        "smoothsurface:Smooth surface": ("surface", "surface.tif"),
        "depthcontours:Depth contours": ("contours", "contours.gpkg"),
        "depthareas:Depth areas": ("depth_areas", "depth_areas.gpkg"),
        "bottomslope:Bottom slope": ("slope", "slope.tif"),
        "breaklines:Breaklines": ("break_lines", "breaklines.gpkg"),
        "mapsheet:Map sheet": ("map_sheet", "map_sheet.pdf"),
        "lakereport:Lake report": ("lake_report", "lake_report.pdf"),
        "lakereport:Lake report as a web page": ("lake_report_page", "lake_report.html"),
    },
    "structure": {
        "bottomforms:Bottom forms": ("bottom_forms", "bottom_forms.gpkg"),
        "bottomtype:Bottom type": ("bottom_type", "bottom_type.tif"),
        "hardsofttransitions:Hard-soft transitions": ("transitions", "transitions.gpkg"),
        "candidatespots:Candidate spots": ("spots", "spots.gpkg"),
        "structuresheets:Structure sheets": ("structure_sheets", "structure_sheets.pdf"),
        "exportwaypoints:Waypoints": ("waypoints", "waypoints.gpx"),
        "bottomtype:Bottom type report": ("bottom_type_report", "bottom_type_report.html"),
    },
    "outing": {
        "nextouting:Lanes of the next outing": ("lanes", "lanes.gpkg"),
        "nextouting:Survey gaps": ("gaps", "survey_gaps.gpkg"),
        "nextouting:Route for the GPS device": ("route", "route.gpx"),
    },
}


def parameters_of(step, lake, facts, outputs) -> dict:
    """Return the parameters of a step's model that a lake knows.

    Parameters
    ----------
    step : str
    lake : LakeFolder
    facts : LakeFacts
    outputs : mapping of str to Path
        Of the steps before: role of a layer -> its file.
    """
    ask = {"visits": _visits, "map": _map, "structure": _structure, "outing": _outing}[step]
    asked = ask(lake, facts, outputs)
    return {name: value for name, value in asked.items() if value not in (None, "")}


def destinations(step, folder) -> dict:
    """Return the destinations of a step's model in the folder of a run."""
    return {key: str(folder / file) for key, (_, file) in RESULTS[step].items()}


def _visits(lake, facts, outputs):
    gauge = lake.gauge.is_file()
    return {
        "DATABASE": str(lake.database),
        "SHORELINE": _there(lake.shoreline),
        "DRAFT": facts.boat.draft_m,
        "ASSUMED_SOUND_SPEED": facts.boat.sound_speed_ms,
        "TIME_ZONE": facts.time_zone or "UTC",
        "GAUGE": str(lake.gauge) if gauge else None,
        "GAUGE_TIME_ZONE": (facts.time_zone or "UTC") if gauge else None,
        "LEVEL_UNIT": facts.level_unit,
        "DATUM_ELEVATION": facts.datum_reading,
        "DATUM_NAME": facts.datum_name,
    }


def _map(lake, facts, outputs):
    page = _settings.page_size()
    return {
        "DATABASE": str(lake.database),
        "SHORELINE": _there(lake.shoreline),
        "MARKS": _there(lake.marks),
        "UNIT": facts.unit,
        "INTERVAL": _INTERVAL[facts.unit],
        "TITLE": facts.name,
        "LAKE": facts.place,
        "PAGE_SIZE": page,
        "REPORT_PAGE_SIZE": "Letter" if page in ("Letter", "Tabloid") else "A4",
        "OLD_SURFACE": _there(outputs.get("surface")),
    }


def _structure(lake, facts, outputs):
    return {
        "SURFACE": _there(outputs.get("surface")),
        "SOUNDINGS": _there(outputs.get("soundings")),
        "SHORELINE": _there(lake.shoreline),
        "UNIT": facts.unit,
        "INTERVAL": _INTERVAL[facts.unit],
        "TITLE": facts.name,
        "PAGE_SIZE": _settings.page_size(),
    }


def _outing(lake, facts, outputs):
    return {
        "SURFACE": _there(outputs.get("surface")),
        "SHORELINE": _there(lake.shoreline),
        "UNIT": facts.unit,
        "INTERVAL": _INTERVAL[facts.unit],
    }


def _there(path):
    return str(path) if path is not None and path.exists() else None
