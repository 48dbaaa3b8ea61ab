"""New lake."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputFolder,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ._folder import folder_parameter, require_folder, say_where_it_lies


class NewLake(LakefloorAlgorithm):
    NAME = "newlake"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "New lake")
    GROUP = "lake"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake folder,new lake,create lake,start,begin,first map,getting started,set up,setup,"
        "project,folder,shoreline,gauge,logs,boat",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Makes the folder of a lake: what is known of it, shoreline, gauge readings and copies of the "
        "logs. Use it once for each lake, before the first map.\n\n"
        "Everything that is made of the lake later goes into this folder: database, surfaces, "
        "sheets and reports. The folder can be copied, renamed, moved and backed up as a whole.\n\n"
        "Only name and place are needed. The rest can be added later with 'Bring files into a lake "
        "folder'. A folder that exists is never changed.\n\n"
        "The folder holds the tracks of your boat. Think of that before you hand it on.",
    )

    NUMBERS = {"LOG_COUNT": QT_TRANSLATE_NOOP("@default", "Logs copied")}

    def declare(self):
        add, kind = self.addParameter, QgsProcessing.SourceType
        name = QgsProcessingParameterString("NAME", tr("Name of the lake"))
        add(params.helped(name, tr("As it is printed. The folder gets this name too.")))
        add(
            folder_parameter(
                "FOLDER",
                tr("Folder of your lakes"),
                tr("The folder of the lake is made in it. A disk of this computer suits best."),
            )
        )
        add(params.shoreline())
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "GAUGE", tr("Gauge readings"), [kind.TypeVector], optional=True
                ),
                tr("Table of times and lake levels. If empty, the lake has none yet."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterMultipleLayers(
                    "LOGS", tr("Logs"), kind.TypeFile, optional=True
                ),
                tr("Files that are copied into the folder. If empty, none are."),
            )
        )
        add(params.depth_unit())
        self._declare_facts(add)
        self.addOutput(QgsProcessingOutputFolder("LAKE", tr("Folder of the lake")))

    def check(self, inputs):
        if not inputs.text("NAME").strip():
            raise LakefloorError(tr("The lake has no name. Give it one."))
        if inputs.given("TIME_ZONE"):
            inputs.time_zone("TIME_ZONE")

    def compute(self, inputs, outputs):
        from .._lake.facts import Boat, LakeFacts
        from .._lake.making import new_lake

        folder = inputs.file("FOLDER")
        require_folder(folder)
        facts = LakeFacts(
            name=" ".join(inputs.text("NAME").split()),
            place=inputs.text("PLACE").strip(),
            unit=inputs.choice("UNIT"),
            time_zone=inputs.text("TIME_ZONE").strip(),
            level_unit=inputs.choice("LEVEL_UNIT"),
            datum_reading=inputs.number("DATUM_ELEVATION"),
            datum_name=inputs.text("DATUM_NAME").strip(),
            boat=Boat(
                inputs.text("BOAT").strip(),
                inputs.number("DRAFT"),
                inputs.number("BEAM_WIDTH"),
                inputs.number("ASSUMED_SOUND_SPEED"),
            ),
        )
        logs = inputs.files("LOGS")
        if inputs.given("LOG_FOLDER"):
            logs = [*logs, inputs.file("LOG_FOLDER")]
        say_where_it_lies(folder, inputs)
        lake = new_lake(
            folder,
            facts,
            shoreline=inputs.source("SHORELINE"),
            gauge=inputs.source("GAUGE"),
            logs=logs,
            copy_logs=inputs.flag("COPY_LOGS"),
            progress=inputs.progress,
        )
        copied = len(list(lake.logs.iterdir())) if lake.logs.is_dir() else 0
        inputs.say(tr("The folder of the lake is '{}'.").format(lake.path))
        if copied:
            inputs.say(tr("Logs copied: {}.").format(copied))
        return {"LAKE": str(lake.path), "LOG_COUNT": copied}

    def _declare_facts(self, add):
        """Declare what may wait until it is needed."""

        def text(name, label, words):
            parameter = QgsProcessingParameterString(name, label, optional=True)
            add(params.helped(parameter, words, advanced=True))

        add(
            folder_parameter(
                "LOG_FOLDER",
                tr("Folder of logs"),
                tr("Its logs are copied too, with those of its subfolders. If empty, none are."),
                optional=True,
                advanced=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean("COPY_LOGS", tr("Copy the logs"), True),
                tr("If not ticked, the logs stay where they are."),
                advanced=True,
            )
        )
        text("PLACE", tr("Place"), tr("Such as the county. It is printed on sheets. May be empty."))
        text(
            "TIME_ZONE",
            tr("Time zone"),
            tr("Such as America/Chicago. If empty, logs that state no zone are taken as UTC."),
        )
        add(
            params.choice(
                "LEVEL_UNIT",
                tr("Level unit"),
                ["feet", "meters", "US survey feet", "centimeters", "inches"],
                "feet",
                tr("Unit of the gauge readings and of the lake datum."),
                advanced=True,
            )
        )
        add(
            params.number(
                "DATUM_ELEVATION",
                tr("Gauge reading at the lake datum"),
                None,
                tr("In the level unit. If empty, depths count from the level of the first visit."),
                optional=True,
                advanced=True,
            )
        )
        text("DATUM_NAME", tr("Name of the lake datum"), tr("Shown on the map. May be empty."))
        self._declare_boat(add, text)

    def _declare_boat(self, add, text):
        text("BOAT", tr("Name of the boat"), tr("For you to know it by. May be empty."))
        add(
            params.number(
                "DRAFT",
                tr("Transducer draft (m)"),
                0.3,
                tr("Depth of the transducer below the waterline with the crew aboard."),
                minimum=0.0,
                maximum=10.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "BEAM_WIDTH",
                tr("Beam width (degrees)"),
                None,
                tr("Beam width of the transducer. If empty, it is not known."),
                minimum=0.1,
                maximum=180.0,
                optional=True,
                advanced=True,
            )
        )
        add(
            params.number(
                "ASSUMED_SOUND_SPEED",
                tr("Assumed sound speed (m/s)"),
                1500.0,
                tr("The sound speed that the sounder computes with. It is often 1500 m/s."),
                minimum=1350.0,
                maximum=1650.0,
                advanced=True,
            )
        )
