"""The shipped models with a lake database: logs into it, and the map of the lake out of it."""

from lake_map_models import FIRST_OF_LOGS, lake_to_sheet, logs_to_soundings, soundings_to_contours
from model_writer import ENTER, STOP, Model, ModelInputs
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFile,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterVectorLayer,
)


def _ask_about_the_visit(inputs):
    inputs.choice(
        "VISIT_LEVEL",
        "Level of the visit",
        ["as reduced", "fit to the lake"],
        "as reduced",
        "Choose 'fit to the lake' if the lake level was not read on the day, or is wrong. The visit "
        "then fits where its tracks meet earlier ones.",
    )
    inputs.choice(
        "CHANGE",
        "Where the bottom has changed",
        ["report", "newer wins"],
        "report",
        "With 'newer wins' older soundings are no longer mapped where the bottom has changed. Weeds, "
        "soft mud and a wrong lake level look like a change, so check first.",
    )
    inputs.choice(
        "MODE",
        "Visits that are already there",
        ["add", "replace"],
        "add",
        "With 'add' they stay, and only new soundings enter. With 'replace' the logs replace them: "
        "use it to correct the depth unit, draft or level of a visit that entered before.",
    )
    inputs.choice(
        "FINDINGS",
        "If the first look finds something",
        [STOP, ENTER],
        STOP,
        "The visit is compared with the lake database first. If its level, unit, dates or place are "
        "doubtful, the run stops and says what to do, or the visit enters all the same.",
    )
    inputs.number(
        "WEEK_ROLLOVERS",
        "GPS week roll-overs to add",
        0,
        "Use 1 where an older GPS receiver dates its logs 1,024 weeks (19.6 years) too early.",
        optional=True,
    )


#: Tags of the models that add a visit.
_VISIT_TAGS = (
    "visits,surveys,days,outing,trip,update,new logs,add logs,lake database,several years,"
    "bathymetry,depth map,logs,sonar,fish finder,fishfinder,NMEA,GPX,CSV,workflow"
)
_OF_A_VISIT = ("DATABASE", "LOGS", *FIRST_OF_LOGS, "SHORELINE")


def _logs_to_database(model, inputs, kept=True, more=()):
    """Add what leads from the logs of a visit into the lake database.

    ``kept`` says whether its soundings are an output of the model too; ``more`` are outputs of
    the last step that are no destinations.
    """
    inputs.add(
        QgsProcessingParameterFile(
            "DATABASE", "Lake database", QgsProcessingParameterFile.Behavior.File, "gpkg"
        ),
        "GeoPackage with all soundings of the lake. A new one is made if the file does not exist.",
    )
    _ask_about_the_visit(inputs)
    soundings = logs_to_soundings(
        model,
        inputs,
        "fit to the database later",
        "the visit is adjusted to the lake database where tracks cross. The first visit of a new "
        "lake database makes its lake level the datum.",
        "@VISIT_LEVEL",
        kept,
        WEEK_ROLLOVERS="@WEEK_ROLLOVERS",
    )
    model.child(
        "addtodatabase",
        {
            "INPUT": soundings,
            "DATABASE": "@DATABASE",
            "MODE": "@MODE",
            "SHORELINE": "@SHORELINE",
            "LEVEL": "@VISIT_LEVEL",
            "CHANGE": "@CHANGE",
            "FINDINGS": "@FINDINGS",
        },
        {"CHANGED": "Bottom change"},
        more,
    )


def add_a_visit():
    """From the logs of one visit into the lake database, and the lake mapped again."""
    model = Model(
        "Add a visit",
        _VISIT_TAGS,
        "Adds the logs of one visit to the lake database and maps the whole lake again. Use it "
        "after each day on the water.\n\n"
        "It reads, cleans, corrects and reduces the logs and adds them to the lake database. "
        "A log that is already there changes nothing. A visit that looks wrong is refused with the "
        "way out. The model shows where the bottom has changed, and makes a surface and contours "
        "from all visits.\n\n"
        "Without gauge readings, or with 'fit to the lake', the tracks of the visit must cross "
        "earlier tracks. Maps are not for navigation.",
        visible=(*_OF_A_VISIT, "depthcontours:Depth contours"),
    )
    inputs = ModelInputs(model)
    _logs_to_database(model, inputs)
    soundings = _database_to_soundings(model, ("addtodatabase", "UPDATED_DATABASE"))
    _ask_for_the_old_surface(inputs)
    soundings_to_contours(
        model,
        inputs,
        soundings,
        {"smoothsurface": "Smooth surface"},
        SURFACE_TO_UPDATE="@OLD_SURFACE",
    )
    model.write()


def _database_to_soundings(model, database):
    model.child("readdatabase", {"DATABASE": database}, {"OUTPUT": "Soundings of all visits"})
    return "readdatabase", "OUTPUT"


def _ask_for_the_old_surface(inputs):
    inputs.add(
        QgsProcessingParameterRasterLayer("OLD_SURFACE", "Surface to update", optional=True),
        "Smooth surface of the lake from before this visit. On a large lake only the tiles that "
        "the visit touched are made again. If empty, the whole surface is made.",
    )


def logs_to_lake_database():
    """From the logs of one visit, or of the first ones, into the lake database."""
    model = Model(
        "Logs to lake database",
        _VISIT_TAGS,
        "Adds the logs of visits to the lake database, and draws nothing. Use it to bring in "
        "several days before the lake is mapped.\n\n"
        "It reads, cleans, corrects and reduces the logs and adds them to the lake database. A "
        "database that does not exist yet is made. A log that is already there changes nothing. "
        "A visit that looks wrong is refused with the way out.\n\n"
        "Then run 'Map of lake database'. Without gauge readings, the tracks of a visit must cross "
        "earlier tracks.",
        visible=_OF_A_VISIT,
        name="Logs to database",
    )
    inputs = ModelInputs(model)
    _logs_to_database(
        model,
        inputs,
        kept=False,
        more=(
            "UPDATED_DATABASE", "ADDED", "ALREADY_THERE", "REPLACED", "SUPERSEDED",
            "CHANGED_BLOCKS", "VISIT_OFFSET", "OFFSET_UNCERTAINTY", "OPEN_FINDINGS",
        ),
    )  # fmt: skip
    inputs.vector(
        "SHORELINE",
        "Shoreline",
        QgsProcessing.SourceType.TypeVectorPolygon,
        "Polygon of the lake at the lake datum, with islands as holes. It shows whether the logs "
        "are of this lake. If empty, this is not looked at.",
        optional=True,
    )
    model.write()


def map_of_lake_database():
    """From the lake database to the map of the lake, its sheet and its report."""
    model = Model(
        "Map of lake database",
        "lake database,all visits,several years,bathymetry,bathymetric,depth map,lake maps,"
        "contour map,fishing map,map again,redraw,update,map sheet,lake report,print,PDF,workflow",
        "Maps the lake from all visits in the lake database. Use it after visits were added, "
        "removed or corrected.\n\n"
        "It reads the soundings and makes a smooth surface. From this it draws contours, depth "
        "areas, slope and breaklines. It also makes a map sheet to print, and a report in plain "
        "words.\n\n"
        "The lake database stays as it is. Maps are not for navigation, and say nothing about ice.",
        visible=(
            "DATABASE", "SHORELINE", "UNIT", "INTERVAL", "TITLE", "mapsheet:Map sheet",
            "lakereport:Lake report",
        ),
        name="Map lake database",
    )  # fmt: skip
    inputs = ModelInputs(model)
    inputs.add(
        QgsProcessingParameterFile(
            "DATABASE", "Lake database", QgsProcessingParameterFile.Behavior.File, "gpkg"
        ),
        "GeoPackage with all soundings of the lake.",
    )
    soundings = _database_to_soundings(model, "@DATABASE")
    _ask_for_the_old_surface(inputs)
    drawn = soundings_to_contours(
        model,
        inputs,
        soundings,
        {"smoothsurface": "Smooth surface"},
        SURFACE_TO_UPDATE="@OLD_SURFACE",
    )
    _ask_for_the_pages(inputs)
    pages = {"LAKE": "@LAKE", "AUTHOR": "@AUTHOR"}
    layers = lake_to_sheet(
        model, soundings, drawn, {"LAYOUT": "Layout of the map sheet"}, MARKS="@MARKS", **pages
    )
    model.child(
        "lakereport",
        {**layers, **pages, "PAGE_SIZE": "@REPORT_PAGE_SIZE"},
        {"OUTPUT": "Lake report", "WEB_PAGE": "Lake report as a web page"},
    )
    model.write()


def _ask_for_the_pages(inputs):
    inputs.text("TITLE", "Title", "Lake map", "Title of the map sheet and of the report.")
    inputs.page_size("Page size of the map sheet.")
    inputs.choice(
        "REPORT_PAGE_SIZE",
        "Page size of the report",
        ["A4", "Letter"],
        "Letter",
        "The report fits on one page of this size.",
    )
    inputs.text(
        "LAKE",
        "Lake and place",
        None,
        "Second line of sheet and report, such as the county. If empty, there is none.",
        optional=True,
    )
    inputs.text("AUTHOR", "Author", None, "If empty, nobody is named.", optional=True)
    inputs.add(
        QgsProcessingParameterVectorLayer(
            "MARKS", "Marks", [QgsProcessing.SourceType.TypeVectorPoint], optional=True
        ),
        "Points of your own, drawn on the map sheet with their names. If empty, none are drawn.",
    )
