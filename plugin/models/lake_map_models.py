"""The shipped models that lead from a boat's logs to a map of the lake."""

from model_writer import AS_STATED, Model, ModelInputs
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFile,
    QgsProcessingParameterMultipleLayers,
)

#: What a person is asked about logs and lake levels at first; all of it is in each of the models.
FIRST_OF_LOGS = ("DRAFT", "GAUGE", "DATUM_ELEVATION")


def _ask_for_logs(inputs):
    inputs.add(
        QgsProcessingParameterMultipleLayers(
            "LOGS", "Logs", QgsProcessing.SourceType.TypeFile, optional=True
        ),
        "Log files: NMEA 0183, delimited text or GPX. If empty, the folder of logs is read.",
    )
    inputs.add(
        QgsProcessingParameterFile(
            "LOG_FOLDER",
            "Folder of logs",
            QgsProcessingParameterFile.Behavior.Folder,
            optional=True,
        ),
        "All logs in this folder and its subfolders are read. If empty, only the files above are.",
    )
    inputs.text(
        "TIME_ZONE",
        "Time zone of the logs",
        "UTC",
        "For example America/Chicago or UTC-05:00. It is used for logs that do not state "
        "their zone, and to date visits. With UTC, visits are dated by the sun at the "
        "lake.",
    )
    inputs.choice(
        "DEPTH_UNIT",
        "Depth unit of the logs",
        [AS_STATED, "meters", "feet", "US survey feet", "fathoms"],
        AS_STATED,
        "Choose it for text and GPX files that do not state it. 'as stated' takes what the "
        "file states, else meters with a warning. NMEA 0183 always states it.",
    )
    inputs.choice(
        "DEPTH_FROM",
        "Depths are measured from",
        [AS_STATED, "transducer", "water surface"],
        AS_STATED,
        "Choose it for text and GPX files that do not state it. 'as stated' takes what the "
        "file states, else the transducer with a warning. The draft is added to depth "
        "from the transducer.",
        former={"surface": "water surface"},
    )


def _ask_for_corrections(inputs):
    inputs.number(
        "DRAFT",
        "Transducer draft (m)",
        0.3,
        "Depth of the transducer below the waterline with the crew aboard.",
    )
    inputs.number(
        "ASSUMED_SOUND_SPEED",
        "Assumed sound speed (m/s)",
        1500.0,
        "The sound speed that the sounder assumes, often 1500. See its manual.",
    )
    inputs.number(
        "WATER_TEMPERATURE",
        "Water temperature (°C)",
        None,
        "One temperature for all logs. If empty, logged temperatures are used. Without "
        "these, a middle value for fresh water is used with a larger uncertainty.",
        optional=True,
    )
    inputs.number(
        "TIME_OFFSET",
        "Time offset (s)",
        0.0,
        "How much older the logged position is than the depth (latency).",
    )
    inputs.number(
        "BEAM_WIDTH",
        "Beam width (degrees)",
        None,
        "Full width of the sounder's beam, from its manual. Gridding then undoes what the beam does "
        "on slopes. If empty, the width is not known.",
        optional=True,
    )


def _ask_for_levels(inputs, without_level):
    inputs.vector(
        "GAUGE",
        "Gauge readings",
        QgsProcessing.SourceType.TypeVector,
        "Table of times and lake levels. Give this table or one level. If both are "
        "empty, " + without_level,
        optional=True,
    )
    inputs.text(
        "GAUGE_TIME_ZONE",
        "Time zone of the gauge readings",
        "UTC",
        "For example UTC, America/Chicago or UTC-05:00. It is used for readings that do "
        "not state their zone.",
    )
    inputs.number(
        "LEVEL",
        "Lake level (level unit)",
        None,
        "One level for all visits, instead of gauge readings. If empty, the gauge "
        "readings are used.",
        optional=True,
    )
    inputs.choice(
        "LEVEL_UNIT",
        "Level unit",
        ["feet", "meters", "US survey feet", "centimeters", "inches"],
        "feet",
        "Unit of the gauge readings and of both levels. A US survey foot is 1200/3937 m.",
    )
    inputs.number(
        "DATUM_ELEVATION",
        "Gauge reading at the lake datum",
        None,
        "In the level unit, on the scale of the gauge. If empty, depths count from the "
        "lake level of the first visit.",
        optional=True,
    )
    inputs.text(
        "DATUM_NAME",
        "Name of the lake datum",
        None,
        "Shown on the map. If empty, the name is 'lake datum', or the day of the first "
        "visit where its lake level is the datum.",
        optional=True,
    )


def logs_to_soundings(
    model, inputs, no_level, without_level, level="as reduced", kept=True, **reading
):
    """Add what leads from logs to soundings at the lake datum; return their output.

    ``no_level`` is what becomes of visits without a known level, ``without_level`` says so.
    ``level`` says whether the reduction may leave visits for a fit to the lake, ``kept`` whether
    the soundings are an output of the model; ``reading`` are further parameters with which logs
    are read.
    """
    _ask_for_logs(inputs)
    _ask_for_corrections(inputs)
    _ask_for_levels(inputs, without_level)
    model.child(
        "readlogs",
        {
            "INPUT": "@LOGS",
            "FOLDER": "@LOG_FOLDER",
            "TIME_ZONE": "@TIME_ZONE",
            "DEPTH_UNIT": "@DEPTH_UNIT",
            "DEPTH_FROM": "@DEPTH_FROM",
            **reading,
        },
    )
    model.child("cleansoundings", {"INPUT": ("readlogs", "OUTPUT")})
    model.child(
        "correctdepths",
        {
            "INPUT": ("cleansoundings", "OUTPUT"),
            "DRAFT": "@DRAFT",
            "ASSUMED_SOUND_SPEED": "@ASSUMED_SOUND_SPEED",
            "WATER_TEMPERATURE": "@WATER_TEMPERATURE",
            "TIME_OFFSET": "@TIME_OFFSET",
            "BEAM_WIDTH": "@BEAM_WIDTH",
        },
    )
    model.child(
        "reducetodatum",
        {
            "INPUT": ("correctdepths", "OUTPUT"),
            "GAUGE": "@GAUGE",
            "GAUGE_TIME_ZONE": "@GAUGE_TIME_ZONE",
            "LAKE_LEVEL": "@LEVEL",
            "LEVEL_UNIT": "@LEVEL_UNIT",
            "DATUM_ELEVATION": "@DATUM_ELEVATION",
            "DATUM_NAME": "@DATUM_NAME",
            "NO_LEVEL": no_level,
            "LEVEL": level,
        },
    )
    model.child(
        "uncertaintybudget",
        {"INPUT": ("reducetodatum", "OUTPUT")},
        {"OUTPUT": "Soundings"} if kept else {},
    )
    return "uncertaintybudget", "OUTPUT"


def soundings_to_contours(model, inputs, soundings, surfaces, **options):
    """Add shoreline, surfaces and contours; return the parameters that draw from a surface.

    ``options`` are further parameters of the surfaces.
    """
    inputs.shoreline()
    inputs.contours()
    inputs.number(
        "CELL_SIZE",
        "Cell size (m)",
        None,
        "Side of a raster cell. If empty, it is taken from the lane spacing.",
        optional=True,
    )
    inputs.number(
        "MAX_GAP",
        "Search distance (m)",
        None,
        "Nothing is drawn farther than this from a sounding. If empty, it is taken from "
        "the lane spacing.",
        optional=True,
    )
    for child, output in surfaces.items():
        model.child(
            child,
            {
                "INPUT": soundings,
                "SHORELINE": "@SHORELINE",
                "CELL_SIZE": "@CELL_SIZE",
                "MAX_GAP": "@MAX_GAP",
                **options,
            },
            {"OUTPUT": output},
        )
    drawn = {
        "INPUT": ("smoothsurface", "OUTPUT"),
        "SHORELINE": "@SHORELINE",
        "INTERVAL": "@INTERVAL",
        "UNIT": "@UNIT",
    }
    model.child("depthcontours", drawn, {"OUTPUT": "Depth contours"})
    return drawn


def logs_to_lake_map():
    """From a boat's logs to surfaces, contours, breaklines, a sheet and a project."""
    model = Model(
        "Logs to lake map",
        "bathymetry,bathymetric,depth map,lake maps,contour map,fishing map,logs,soundings,sonar,"
        "fish finder,fishfinder,fish-finder,depth sounder,echo sounder,echosounder,"
        "echo-sounder,NMEA,GPX,CSV,workflow,batch,one step,all in one,import",
        "Makes a lake map from a boat's logs in one run. Use it for a first map, or for all visits "
        "of a lake at once.\n\n"
        "It reads and cleans the logs, corrects the depths and reduces them to the lake datum. "
        "It makes TIN, IDW and smooth surfaces. From the smooth surface it draws contours, depth "
        "areas, slope and breaklines. It also makes a map sheet to print and a styled project.\n\n"
        "Look at the rejected soundings before you trust the map. Maps are not for navigation.",
        visible=(
            "LOG_FOLDER", *FIRST_OF_LOGS, "SHORELINE", "mapsheet:Map sheet",
            "lakeproject:Lake project",
        ),
    )  # fmt: skip
    inputs = ModelInputs(model)
    soundings = logs_to_soundings(
        model,
        inputs,
        "adjust to the first visit",
        "depths count from the lake level of the first visit. Other visits are adjusted to it "
        "where tracks cross.",
    )
    drawn = soundings_to_contours(
        model,
        inputs,
        soundings,
        {
            "tinsurface": "TIN surface",
            "idwsurface": "IDW surface",
            "smoothsurface": "Smooth surface",
        },
    )
    inputs.text("TITLE", "Title", "Lake map", "Title of the map sheet and of the project.")
    inputs.page_size("Page size of the map sheet.")
    layers = lake_to_sheet(model, soundings, drawn)
    model.child(
        "lakeproject",
        {**layers, "SLOPE": ("bottomslope", "OUTPUT"), "IDW_SURFACE": ("idwsurface", "OUTPUT")},
        {"OUTPUT": "Lake project"},
    )
    model.write()


def lake_to_sheet(model, soundings, drawn, outputs=(), **more):
    """Add depth areas, slope, breaklines and the map sheet; return what else shows the lake.

    ``outputs`` are further outputs of the sheet with their labels, ``more`` its parameters.
    """
    surface = drawn["INPUT"]
    model.child("depthareas", drawn, {"OUTPUT": "Depth areas"})
    model.child("bottomslope", {"INPUT": surface}, {"OUTPUT": "Bottom slope"})
    model.child("breaklines", {"INPUT": surface}, {"OUTPUT": "Breaklines"})
    layers = {
        "SOUNDINGS": soundings,
        "SURFACE": surface,
        "CONTOURS": ("depthcontours", "OUTPUT"),
        "DEPTH_AREAS": ("depthareas", "OUTPUT"),
        "BREAKLINES": ("breaklines", "OUTPUT"),
        "SHORELINE": "@SHORELINE",
        "TITLE": "@TITLE",
        "UNIT": "@UNIT",
        "PAGE_SIZE": "@PAGE_SIZE",
    }
    model.child("mapsheet", {**layers, **more}, {"OUTPUT": "Map sheet", **dict(outputs)})
    return layers
