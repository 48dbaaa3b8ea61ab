"""Restore lake folder."""

from qgis.core import QgsProcessingOutputFolder, QgsProcessingParameterFile
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ._folder import folder_parameter, require_folder, say_where_it_lies


class RestoreLake(LakefloorAlgorithm):
    NAME = "restorelake"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Restore lake folder")
    GROUP = "lake"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake folder,backup,back-up,backups,restore,recover,repair,lost,zip,archive,unpack,unzip,"
        "move,another computer",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Unpacks the folder of a lake from a zip file that 'Back up lake folder' made. Use it when the "
        "folder is damaged or lost, to go back to an earlier state, or on another computer.\n\n"
        "The folder gets the name that it had. If there is such a folder already, the new one gets a "
        "number, and nothing is replaced.\n\n"
        "The whole zip file is read first. One with files that cannot belong to a lake is refused.",
    )

    def declare(self):
        self.addParameter(
            params.helped(
                QgsProcessingParameterFile("BACKUP", tr("Backup"), extension="zip"),
                tr("A zip file made by 'Back up lake folder', or one that holds a lake's folder."),
            )
        )
        self.addParameter(
            folder_parameter(
                "FOLDER",
                tr("Folder of your lakes"),
                tr("The folder of the lake is unpacked into it."),
            )
        )
        self.addOutput(QgsProcessingOutputFolder("LAKE", tr("Folder of the lake")))

    def compute(self, inputs, outputs):
        from .._lake.backing_up import restore

        folder = inputs.file("FOLDER")
        require_folder(folder)
        say_where_it_lies(folder, inputs)
        lake = restore(inputs.file("BACKUP"), folder, inputs.progress)
        inputs.say(tr("The folder of the lake is '{}'.").format(lake.path))
        return {"LAKE": str(lake.path)}
