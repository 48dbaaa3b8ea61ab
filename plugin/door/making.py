"""Lakes are made: a new one, the example, and what is added to them from files."""

from __future__ import annotations

from pathlib import Path

from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._i18n import tr
from ...algorithms._lake.folder import LakeFolder, file_name
from .example import example_lake, example_there


class LakeMaker(QObject):
    """Makes lakes and hands them over to be opened; with logs, it adds and maps them."""

    #: Folder of the lake.
    made = pyqtSignal(str)
    #: Files were brought into a lake (LakeFolder).
    brought = pyqtSignal(object)
    #: A lake could not be made: what was asked (NewLake), and why.
    refused = pyqtSignal(object, str)
    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)

    def __init__(self, runner, taker, parent=None):
        super().__init__(parent)
        self._runner, self._taker = runner, taker

    def make_example(self):
        """Make the example lake and map it, or open it if it was made before."""
        there = example_there()
        if there is not None:
            self.made.emit(str(there.path))
        else:
            self.make(example_lake())

    def make(self, asked):
        """Make a lake from what was asked; then its logs are added and it is mapped.

        Parameters
        ----------
        asked : NewLake
        """
        try:
            asked.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            why = tr("Cannot make '{}' ({}). Choose another folder.")
            self.refused.emit(asked, why.format(asked.folder, error.strerror))
            return

        def finished(run):
            if run.state == "done":
                self._go_on(LakeFolder(folder), asked)
            elif run.state == "failed":
                self.refused.emit(asked, run.error)

        folder = asked.folder / file_name(asked.facts.name)
        self._runner.start(
            "lakefloor:newlake",
            _of_new_lake(asked),
            title=tr("Making the folder of the lake"),
            lake=str(folder),
            finished=finished,
        )

    def bring_in(self, lake, files):
        """Bring files into the folder of a lake; each is recognized by its content."""

        def finished(run):
            if run.state == "failed":
                self.told.emit(run.error, True)
            warnings = [text for kind, text in run.log if kind == "warning"]
            if run.state == "done" and warnings:
                self.told.emit(" ".join(warnings), True)
            self.brought.emit(lake)

        self._runner.start(
            "lakefloor:bringintolake",
            {"LAKE": str(lake.path), **_files(files, "FILES", "FOLDER")},
            title=tr("Adding files to the lake"),
            lake=str(lake.path),
            finished=finished,
        )

    def _go_on(self, lake, asked):
        self.made.emit(str(lake.path))
        if asked.logs:
            then = (lambda: self._taker.take("map", lake)) if asked.shoreline is not None else None
            logs = [lake.logs] if asked.copy_logs else asked.logs
            self._taker.take("visits", lake, of_logs(logs), then)


def of_logs(paths) -> dict:
    """Return the parameters of a model that reads these files or this folder."""
    return _files(paths, "LOGS", "LOG_FOLDER")


def _files(paths, several, folder):
    paths = [Path(path) for path in paths]
    files = [str(path) for path in paths if not path.is_dir()]
    folders = [str(path) for path in paths if path.is_dir()]
    return {**({several: files} if files else {}), **({folder: folders[0]} if folders else {})}


def _of_new_lake(asked) -> dict:
    facts = asked.facts
    given = {
        "NAME": facts.name,
        "FOLDER": str(asked.folder),
        "SHORELINE": asked.shoreline and str(asked.shoreline),
        "GAUGE": asked.gauge and str(asked.gauge),
        "UNIT": facts.unit,
        "PLACE": facts.place,
        "TIME_ZONE": facts.time_zone,
        "LEVEL_UNIT": facts.level_unit,
        "DATUM_ELEVATION": facts.datum_reading,
        "DATUM_NAME": facts.datum_name,
        "BOAT": facts.boat.name,
        "DRAFT": facts.boat.draft_m,
        "BEAM_WIDTH": facts.boat.beam_deg,
        "ASSUMED_SOUND_SPEED": facts.boat.sound_speed_ms,
        "COPY_LOGS": asked.copy_logs,
        **of_logs(asked.logs),
    }
    return {name: value for name, value in given.items() if value not in (None, "")}
