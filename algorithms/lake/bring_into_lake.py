"""Bring files into a lake folder."""

from qgis.core import QgsProcessing, QgsProcessingParameterMultipleLayers
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ._folder import folder_parameter, lake_given, lake_parameter


class BringIntoLake(LakefloorAlgorithm):
    NAME = "bringintolake"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Bring files into a lake folder")
    GROUP = "lake"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake folder,import,add files,bring in,collect,move,loose files,earlier work,logs,copy logs,"
        "shoreline,gauge,marks,waypoints,lake database",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Copies files that you have into the folder of a lake, each to its place. Use it for what you "
        "made before the lake had a folder, and for logs.\n\n"
        "Files are recognized by their content, not by their names. Lake database, shoreline, gauge "
        "readings, marks and logs become those of the lake. Soundings, surface, contours and other "
        "layers of Lakefloor become its map, which counts as out of date.\n\n"
        "Nothing that is in the folder is replaced, and your files stay where they are. The log says "
        "what became of each.",
    )

    NUMBERS = {
        "BROUGHT": QT_TRANSLATE_NOOP("@default", "Brought in"),
        "LEFT": QT_TRANSLATE_NOOP("@default", "Not brought in"),
    }

    def declare(self):
        self.addParameter(lake_parameter())
        self.addParameter(
            params.helped(
                QgsProcessingParameterMultipleLayers(
                    "FILES", tr("Files"), QgsProcessing.SourceType.TypeFile, optional=True
                ),
                tr("If empty, only the folder below is looked at."),
            )
        )
        self.addParameter(
            folder_parameter(
                "FOLDER",
                tr("Folder with files"),
                tr("All files in it, without its subfolders. If empty, only the files above."),
                optional=True,
            )
        )

    def check(self, inputs):
        if not inputs.files("FILES") and not inputs.given("FOLDER"):
            raise LakefloorError(tr("There is nothing to bring in. Choose files or a folder."))

    def compute(self, inputs, outputs):
        from .._lake.bringing_in import bring_in

        lake = lake_given(inputs)
        files = [*inputs.files("FILES"), *filter(None, [inputs.file("FOLDER")])]
        found = bring_in(lake, files, inputs.progress)
        for each in found:
            if each.place:
                inputs.say(tr("'{}' is now '{}'.").format(each.name, each.place))
            else:
                inputs.warn(tr("'{}' was left where it is. {}").format(each.name, each.why))
        brought = sum(bool(each.place) for each in found)
        return {"BROUGHT": brought, "LEFT": len(found) - brought}
