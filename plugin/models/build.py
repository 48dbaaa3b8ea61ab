"""Write the shipped models, in the oldest supported QGIS.

``QT_HASH_SEED=0 QT_QPA_PLATFORM=offscreen /usr/bin/python3 plugin/models/build.py``

The seed keeps attributes in one order. The registered provider gives every child its parameters;
each is set, since a model is not valid otherwise.
"""

import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsProcessing,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterPoint,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QPointF

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]


def load_provider():
    """Register the provider of this checkout."""
    sys.path.insert(0, str(ROOT / ".ci"))
    import checkout  # noqa: F401

    from lakefloor.plugin.provider import LakefloorProvider

    provider = LakefloorProvider()
    QgsApplication.processingRegistry().addProvider(provider)
    return provider


class Model:
    """A model under construction, laid out in columns."""

    def __init__(self, name, group, group_id, help_text):
        self.algorithm = QgsProcessingModelAlgorithm(name, group, group_id)
        self.algorithm.setHelpContent({"ALG_DESC": help_text, "ALG_CREATOR": "Lakefloor"})
        self._inputs = []
        self._children = 0
        self._help = {"ALG_DESC": help_text, "ALG_CREATOR": "Lakefloor"}

    def input(self, parameter, help_text):
        """Add a parameter of the model."""
        parameter.setHelp(help_text)
        self._help[parameter.name()] = help_text
        component = QgsProcessingModelParameter(parameter.name())
        column, row = divmod(len(self._inputs), 8)
        component.setPosition(QPointF(200.0 + 260.0 * column, 80.0 + 90.0 * row))
        self.algorithm.addModelParameter(parameter, component)
        self._inputs.append(parameter.name())

    def child(self, child_id, values, outputs=()):
        """Add a child algorithm of this provider whose id is its algorithm's name.

        Parameters
        ----------
        values : dict
            ``"@NAME"`` takes the model's parameter, ``("child", "OUTPUT")`` a
            child's output, anything else is a constant; unnamed parameters keep
            their default.
        outputs : dict
            Child output name -> name of the model's output.
        """
        child = QgsProcessingModelChildAlgorithm(f"lakefloor:{child_id}")
        child.setChildId(child_id)
        algorithm = child.algorithm()
        child.setDescription(algorithm.displayName())
        unknown = set(values) - {p.name() for p in algorithm.parameterDefinitions()}
        if unknown:
            raise SystemExit(f"{child_id} has no parameter {sorted(unknown)}")
        source = QgsProcessingModelChildParameterSource
        for definition in algorithm.parameterDefinitions():
            if definition.isDestination():
                continue
            value = values.get(definition.name(), definition.defaultValue())
            if isinstance(value, str) and value.startswith("@"):
                chosen = source.fromModelParameter(value[1:])
            elif isinstance(value, tuple):
                chosen = source.fromChildOutput(*value)
            else:
                chosen = source.fromStaticValue(value)
            child.addParameterSources(definition.name(), [chosen])
        model_outputs = {}
        position = QPointF(900.0 + 300.0 * (self._children // 5),
                           120.0 + 140.0 * (self._children % 5))
        for output, label in dict(outputs).items():
            model_output = QgsProcessingModelOutput(label, label)
            model_output.setChildId(child_id)
            model_output.setChildOutputName(output)
            model_output.setPosition(QPointF(position.x() + 200.0, position.y() + 60.0))
            model_outputs[label] = model_output
        child.setModelOutputs(model_outputs)
        child.setPosition(position)
        self.algorithm.addChildAlgorithm(child)
        self._children += 1

    def write(self, path):
        """Validate and write the model."""
        self.algorithm.setHelpContent(self._help)
        self.algorithm.setParameterOrder(self._inputs)
        self.algorithm.updateDestinationParameters()
        valid, problems = self.algorithm.validate()
        if not valid:
            raise SystemExit("\n".join(problems))
        if not self.algorithm.toFile(str(path)):
            raise SystemExit(f"cannot write {path}")
        print(path)


class _Inputs:
    """Short ways to declare the parameters of a model."""

    def __init__(self, model):
        self.add = model.input

    def number(self, name, label, default, help_text, optional=False):
        kinds = QgsProcessingParameterNumber.Type
        kind = kinds.Integer if isinstance(default, int) else kinds.Double
        self.add(QgsProcessingParameterNumber(name, label, kind, default, optional), help_text)

    def text(self, name, label, default, help_text, optional=False):
        self.add(QgsProcessingParameterString(name, label, default, False, optional), help_text)

    def enum(self, name, label, options, default, help_text):
        self.add(
            QgsProcessingParameterEnum(name, label, options, False, default, False, True),
            help_text,
        )

    def surface(self):
        self.add(
            QgsProcessingParameterRasterLayer("SURFACE", "Depth surface"),
            "Depth in metres, positive down, as Smooth surface makes it: with its bands of "
            "uncertainty and distance.",
        )

    def shoreline(self):
        self.vector("SHORELINE", "Shoreline", QgsProcessing.SourceType.TypeVectorPolygon,
                    "Polygon of the lake at the datum, islands as holes.")

    def contours(self):
        self.enum("UNIT", "Unit of depth on the map", ["ft", "m"], "ft", "feet or metres.")
        self.number("INTERVAL", "Contour interval", 1.0, "In the unit of depth on the map.")

    def vector(self, name, label, kind, help_text, optional=False):
        self.add(
            QgsProcessingParameterFeatureSource(name, label, [kind], optional=optional), help_text
        )


def logs_to_soundings(model, inputs, no_level, without_level):
    """Add what leads from logs to soundings at the lake datum; return their output.

    ``no_level`` is what becomes of visits without a known level, ``without_level`` says so.
    """
    kind = QgsProcessing.SourceType
    inputs.add(
        QgsProcessingParameterMultipleLayers("LOGS", "Logs", kind.TypeFile, optional=True),
        "NMEA 0183, delimited text or GPX.",
    )
    inputs.add(
        QgsProcessingParameterFile("LOG_FOLDER", "Folder of logs",
                                   QgsProcessingParameterFile.Behavior.Folder, optional=True),
        "All logs in it and in its subfolders; instead of single files, or with them.",
    )
    inputs.text("TIME_ZONE", "Time zone of the logs", "UTC",
                "For example America/Chicago or UTC-05:00. Logs that do not state their zone are "
                "read in it, and visits are dated in it. With UTC, visits are dated by the sun at "
                "the lake.")
    inputs.enum("DEPTH_UNIT", "Depth unit of the logs",
                ["stated", "m", "ft", "us-ft", "fathom"], "stated",
                "For text and GPX files that do not state it. stated: as the file states, else "
                "meters with a warning. NMEA 0183 always states it.")
    inputs.enum("DEPTH_FROM", "Depth in the logs counts from",
                ["stated", "transducer", "surface"], "stated",
                "For text and GPX files that do not state it. stated: as the file states, else the "
                "transducer with a warning. Depth from the transducer gets the draft added.")
    inputs.number("DRAFT", "Transducer draft (m)", 0.3,
                  "Depth of the transducer below the surface.")
    inputs.number("ASSUMED_SOUND_SPEED", "Sound speed assumed by the instrument (m/s)", 1500.0,
                  "Often 1500; see the instrument's manual.")
    inputs.number("WATER_TEMPERATURE", "Water temperature (°C)", None,
                  "For all logs. If empty, the logged temperatures are used; without these, the "
                  "middle of what fresh water has, with a larger uncertainty.", optional=True)
    inputs.number("TIME_OFFSET", "Time offset (s)", 0.0,
                  "By how much the logged position is older than the depth.")
    inputs.vector("GAUGE", "Gauge readings", kind.TypeVector,
                  "Table of time and lake level. Give this or one level. " + without_level,
                  optional=True)
    inputs.text("GAUGE_TIME_ZONE", "Time zone of the gauge readings", "UTC",
                "For example UTC, America/Chicago or UTC-05:00.")
    inputs.number("LEVEL", "One lake level for all visits", None,
                  "In the level unit; instead of gauge readings.", optional=True)
    inputs.enum("LEVEL_UNIT", "Unit of lake level and datum", ["m", "ft", "us-ft", "cm", "in"],
                "ft", "m, ft (0.3048 m), us-ft (1200/3937 m), cm or in.")
    inputs.number("DATUM_ELEVATION", "Level of the lake datum", None,
                  "In the level unit, on the same scale as the readings. If empty, the level of "
                  "the first visit.", optional=True)
    inputs.text("DATUM_NAME", "Name of the lake datum", None,
                "Written on the map. If empty, 'lake datum', or the day of the first visit where "
                "its water is the datum.", optional=True)

    model.child("readlogs",
                {"INPUT": "@LOGS", "FOLDER": "@LOG_FOLDER", "TIME_ZONE": "@TIME_ZONE",
                 "DEPTH_UNIT": "@DEPTH_UNIT", "DEPTH_FROM": "@DEPTH_FROM"})
    model.child("cleansoundings", {"INPUT": ("readlogs", "OUTPUT")})
    model.child("correctdepths", {
        "INPUT": ("cleansoundings", "OUTPUT"), "DRAFT": "@DRAFT",
        "ASSUMED_SOUND_SPEED": "@ASSUMED_SOUND_SPEED",
        "WATER_TEMPERATURE": "@WATER_TEMPERATURE", "TIME_OFFSET": "@TIME_OFFSET",
    })
    model.child("reducetodatum", {
        "INPUT": ("correctdepths", "OUTPUT"), "GAUGE": "@GAUGE",
        "GAUGE_TIME_ZONE": "@GAUGE_TIME_ZONE", "LAKE_LEVEL": "@LEVEL",
        "LEVEL_UNIT": "@LEVEL_UNIT",
        "DATUM_ELEVATION": "@DATUM_ELEVATION", "DATUM_NAME": "@DATUM_NAME",
        "NO_LEVEL": no_level,
    })
    model.child(
        "uncertaintybudget", {"INPUT": ("reducetodatum", "OUTPUT")}, {"OUTPUT": "Soundings"}
    )
    return "uncertaintybudget", "OUTPUT"


def soundings_to_contours(model, inputs, soundings, surfaces, **options):
    """Add shoreline, surfaces and contours; return the parameters that draw from a surface.

    ``options`` are further parameters of the surfaces.
    """
    inputs.shoreline()
    inputs.contours()
    inputs.number("CELL_SIZE", "Cell size (m)", None,
                  "Left empty, taken from the spacing of the lanes.", optional=True)
    inputs.number("MAX_GAP", "Maximum gap (m)", None,
                  "Nothing is drawn farther than this from a sounding. Left empty, taken from the "
                  "spacing of the lanes.", optional=True)
    for child, output in surfaces.items():
        model.child(child, {
            "INPUT": soundings, "SHORELINE": "@SHORELINE", "CELL_SIZE": "@CELL_SIZE",
            "MAX_GAP": "@MAX_GAP", **options,
        }, {"OUTPUT": output})
    drawn = {
        "INPUT": ("smoothsurface", "OUTPUT"), "SHORELINE": "@SHORELINE", "INTERVAL": "@INTERVAL",
        "UNIT": "@UNIT",
    }
    model.child("depthcontours", drawn, {"OUTPUT": "Depth contours"})
    return drawn


def logs_to_lake_map():
    """From a boat's logs to surfaces, contours, break-lines, a sheet and a project."""
    model = Model(
        "logs to lake map", "Lakefloor models", "lakefloormodels",
        "From a boat's logs to a lake map: reads and cleans the logs, corrects the depths, reduces "
        "them to the lake datum, makes TIN, IDW and smooth surfaces, draws contours, depth areas, "
        "slope and break-lines from the smooth one, a map sheet to print and a styled project. "
        "Maps are not for navigation.",
    )
    inputs = _Inputs(model)
    soundings = logs_to_soundings(
        model, inputs, "adjust",
        "Without either, depths count from the water of the first visit, and further visits are "
        "adjusted to it where tracks cross.")
    drawn = soundings_to_contours(model, inputs, soundings, {
        "tinsurface": "TIN surface", "idwsurface": "IDW surface",
        "smoothsurface": "Smooth surface",
    })
    inputs.text("TITLE", "Title", "Lake map", "Title of the sheet and the project.")
    inputs.enum("PAPER", "Paper", ["A4", "A3", "Letter", "Tabloid"], "Letter",
                "Size of the sheet.")
    surface = drawn["INPUT"]
    model.child("depthareas", drawn, {"OUTPUT": "Depth areas"})
    model.child("bottomslope", {"INPUT": surface}, {"OUTPUT": "Bottom slope"})
    model.child("breaklines", {"INPUT": surface}, {"OUTPUT": "Break-lines"})
    layers = {
        "SOUNDINGS": soundings, "SURFACE": surface,
        "CONTOURS": ("depthcontours", "OUTPUT"), "DEPTH_AREAS": ("depthareas", "OUTPUT"),
        "BREAK_LINES": ("breaklines", "OUTPUT"), "SHORELINE": "@SHORELINE",
        "TITLE": "@TITLE", "UNIT": "@UNIT", "PAPER": "@PAPER",
    }
    model.child("mapsheet", layers, {"OUTPUT": "Map sheet"})
    model.child("lakeproject", {
        **layers, "SLOPE": ("bottomslope", "OUTPUT"), "IDW_SURFACE": ("idwsurface", "OUTPUT"),
    }, {"OUTPUT": "Lake project"})
    model.write(HERE / "logs_to_lake_map.model3")


def add_a_visit():
    """From the logs of one outing into the lake's store, and the lake mapped anew."""
    model = Model(
        "add a visit", "Lakefloor models", "lakefloormodels",
        "Adds the logs of an outing to the lake's store and maps the whole lake again: reads, "
        "cleans, corrects and reduces the logs, puts them into the store (a log that is there "
        "already changes nothing), reports where the bottom has changed, and makes surface and "
        "contours from all visits. Maps are not for navigation.",
    )
    inputs = _Inputs(model)
    inputs.add(
        QgsProcessingParameterFile("STORE", "The lake's store",
                                   QgsProcessingParameterFile.Behavior.File, "gpkg"),
        "GeoPackage of the lake; it is made where there is none.",
    )
    soundings = logs_to_soundings(
        model, inputs, "each",
        "Without either, the visit is fitted to the store where tracks cross; the first visit of a "
        "new store makes the water of its day the datum.")
    model.child("addtostore", {"INPUT": soundings, "STORE": "@STORE"},
                {"CHANGED": "Change of the bottom"})
    model.child("readstore", {"STORE": ("addtostore", "UPDATED_STORE")},
                {"OUTPUT": "Soundings of all visits"})
    inputs.add(
        QgsProcessingParameterRasterLayer("OLD_SURFACE", "Surface to bring up to date",
                                          optional=True),
        "Smooth surface of the lake from before this outing: of a large lake only the tiles that "
        "the outing touched are drawn anew. Left empty, all is drawn.",
    )
    soundings_to_contours(
        model, inputs, ("readstore", "OUTPUT"), {"smoothsurface": "Smooth surface"},
        SURFACE_TO_UPDATE="@OLD_SURFACE",
    )
    model.write(HERE / "add_a_visit.model3")


def structure_from_a_surface(with_bottom_type):
    """From a surface, and maybe hardness, to drop-offs, forms, spots and their sheets."""
    name = "structure and bottom type" if with_bottom_type else "structure from a surface"
    model = Model(
        name, "Lakefloor models", "lakefloormodels",
        "Reads the structure out of a depth surface: slope, drop-offs with crest and toe, bottom "
        "forms" + (", bottom type from the hardness of the soundings, hard-soft transitions"
                   if with_bottom_type else "") +
        ", and candidate spots by what counts for you, as a layer, as waypoints and as one sheet "
        "a spot. A spot is no promise of fish. Maps are not for navigation; ice is never "
        "guaranteed safe." + ("" if with_bottom_type else
                              " Where hardness was logged, take 'structure and bottom type'."),
    )
    inputs = _Inputs(model)
    inputs.surface()
    inputs.shoreline()
    if with_bottom_type:
        inputs.vector("SOUNDINGS", "Soundings", QgsProcessing.SourceType.TypeVectorPoint,
                      "Soundings with hardness, 0 to 1.")
    inputs.contours()
    inputs.number("SPOTS", "Number of spots", 15, "At most so many spots.")
    inputs.text("TITLE", "Title", "Lake structure", "Title of the sheets.")
    inputs.enum("PAPER", "Paper", ["A4", "A3", "Letter", "Tabloid"], "Letter",
                "Size of the sheets.")
    drawn = {"INPUT": "@SURFACE", "SHORELINE": "@SHORELINE", "INTERVAL": "@INTERVAL",
             "UNIT": "@UNIT"}
    model.child("depthcontours", drawn, {"OUTPUT": "Depth contours"})
    model.child("depthareas", drawn)
    model.child("bottomslope", {"INPUT": "@SURFACE"}, {"OUTPUT": "Bottom slope"})
    model.child("breaklines", {"INPUT": "@SURFACE"}, {"OUTPUT": "Break-lines"})
    model.child("bottomforms", {"INPUT": "@SURFACE"}, {"OUTPUT": "Bottom forms"})
    structure = {"BREAK_LINES": ("breaklines", "OUTPUT"), "BOTTOM_FORMS": ("bottomforms", "OUTPUT")}
    if with_bottom_type:
        model.child(
            "bottomtype",
            {"INPUT": "@SOUNDINGS", "SURFACE": "@SURFACE", "SHORELINE": "@SHORELINE"},
            {"OUTPUT": "Bottom type", "REPORT": "Report of bottom type"},
        )
        bottom = ("bottomtype", "OUTPUT")
        model.child(
            "hardsofttransitions",
            {"INPUT": bottom, "SURFACE": "@SURFACE", "SOUNDINGS": "@SOUNDINGS"},
            {"OUTPUT": "Hard-soft transitions"},
        )
        structure.update(
            TRANSITIONS=("hardsofttransitions", "OUTPUT"), BOTTOM_TYPE=bottom
        )
    else:
        structure["CRITERIA"] = [
            "crest", "0", "10", "3", "depth", "8 ft", "16 ft", "2", "deep water", "0", "40", "1",
        ]  # fmt: skip
    model.child(
        "candidatespots",
        {"INPUT": "@SURFACE", "UNIT": "@UNIT", "MAX_SPOTS": "@SPOTS", **structure},
        {"OUTPUT": "Candidate spots"},
    )
    spots = ("candidatespots", "OUTPUT")
    model.child("exportwaypoints", {"INPUT": spots, "UNIT": "@UNIT"}, {"OUTPUT": "Waypoints"})
    model.child("structuresheets", {
        "STRUCTURES": spots, "CONTOURS": ("depthcontours", "OUTPUT"), "SHORELINE": "@SHORELINE",
        "DEPTH_AREAS": ("depthareas", "OUTPUT"), "BREAK_LINES": ("breaklines", "OUTPUT"),
        "SURFACE": "@SURFACE", "TITLE": "@TITLE", "UNIT": "@UNIT", "PAPER": "@PAPER",
    }, {"OUTPUT": "Structure sheets"})
    model.write(HERE / (name.replace(" ", "_") + ".model3"))


def plan_the_next_outing():
    """From a surface to the gaps that matter and the lanes for the time at hand."""
    model = Model(
        "plan the next outing", "Lakefloor models", "lakefloormodels",
        "Shows where the map does not support the contours that you want, and plans the lanes "
        "that mend most of it in the time at hand, from the launch and back; what runs along a "
        "drop-off counts double. The lanes are written as GPX for the boat's unit. Weather, cold "
        "water, shallows and local rules come first. Not for navigation.",
    )
    inputs = _Inputs(model)
    inputs.surface()
    inputs.shoreline()
    inputs.contours()
    inputs.add(QgsProcessingParameterPoint("LAUNCH", "Launch"),
               "Where the outing begins and ends.")
    inputs.number("TIME", "Time on the water (min)", 60.0, "From the launch and back.")
    inputs.number("SPEED", "Speed on lanes (mph)", 5.0, "About 5 mph suits most transducers.")
    inputs.number("MIN_DEPTH", "Minimum depth (m)", 0.6, "Shallower water is not entered.")
    model.child("breaklines", {"INPUT": "@SURFACE"}, {"OUTPUT": "Break-lines"})
    model.child("nextouting", {
        "INPUT": "@SURFACE", "SHORELINE": "@SHORELINE", "INTERVAL": "@INTERVAL", "UNIT": "@UNIT",
        "LAUNCH": "@LAUNCH", "TIME": "@TIME", "SPEED": "@SPEED", "MIN_DEPTH": "@MIN_DEPTH",
        "BREAK_LINES": ("breaklines", "OUTPUT"),
    }, {"OUTPUT": "Lanes of the next outing", "GAPS": "Gaps", "GPX": "Route for the boat"})
    model.write(HERE / "plan_the_next_outing.model3")


def main():
    application = QgsApplication([], False)
    application.initQgis()
    provider = load_provider()  # noqa: F841 (kept alive)
    logs_to_lake_map()
    add_a_visit()
    structure_from_a_surface(with_bottom_type=False)
    structure_from_a_surface(with_bottom_type=True)
    plan_the_next_outing()


if __name__ == "__main__":
    main()
