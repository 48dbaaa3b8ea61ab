"""Back up lake folder."""

from qgis.core import QgsProcessingOutputFile
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from ._folder import folder_parameter, lake_given, lake_parameter, require_folder


class BackUpLake(LakefloorAlgorithm):
    NAME = "backuplake"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Back up lake folder")
    GROUP = "lake"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake folder,backup,back-up,backups,copy,safety,save,keep,zip,archive,pack,mail,send,hand on",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Packs the whole folder of a lake into one zip file, named after the lake and the day. Use it "
        "after each visit, with a folder on another disk.\n\n"
        "The databases are copied as they are at one moment, also while QGIS has them open. The zip "
        "file is read from beginning to end before it counts as made. Runs that are not finished and "
        "earlier backups are left out.\n\n"
        "'Restore lake folder' unpacks it again, on any computer.\n\n"
        "The backup holds the tracks of your boat and your marks. To hand a map on without them, use "
        "'Copy to share'.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "SQLite, Online Backup API")

    NUMBERS = {"SIZE_MB": QT_TRANSLATE_NOOP("@default", "Size of the backup (MB)")}

    def declare(self):
        self.addParameter(lake_parameter())
        self.addParameter(
            folder_parameter(
                "FOLDER",
                tr("Folder of the backups"),
                tr("If empty, they go into 'backups' in the folder of the lake."),
                optional=True,
            )
        )
        self.addOutput(QgsProcessingOutputFile("BACKUP", tr("Backup")))

    def compute(self, inputs, outputs):
        from .._lake.backing_up import back_up

        lake, folder = lake_given(inputs), inputs.file("FOLDER")
        if folder is not None:
            require_folder(folder)
        made = back_up(lake, folder, inputs.progress)
        size = made.stat().st_size / 1e6
        inputs.say(tr("The backup is '{}' ({:.1f} MB).").format(made, size))
        inputs.say(
            tr("It holds tracks and marks. Think of who may see them before you hand it on.")
        )
        return {"BACKUP": str(made), "SIZE_MB": size}
