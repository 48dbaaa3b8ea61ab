"""The form for the logs of one visit or more."""

from __future__ import annotations

from qgis.PyQt.QtWidgets import QCheckBox

from ...algorithms._i18n import tr
from .logs_field import LogsField
from .making import of_logs
from .step_form import StepForm

#: What is asked of a visit although the lake knows a value.
_ASKED = ("DRAFT", "LEVEL_UNIT")
#: What stands at the top, below the logs.
_FIRST = ("DRAFT", "LEVEL", "WATER_TEMPERATURE", "DEPTH_UNIT", "DEPTH_FROM")


class AddVisits(StepForm):
    """Asks for logs first, then for what the model asks beside what the lake knows."""

    def __init__(self, algorithm, known, canvas=None, parent=None):
        super().__init__(
            algorithm,
            {**known, "LOGS": None, "LOG_FOLDER": None},
            tr("Add visits"),
            tr("Add"),
            asked=_ASKED,
            first=_FIRST,
            canvas=canvas,
            parent=parent,
        )
        self.logs = LogsField()
        self.logs.setToolTip(tr("NMEA 0183, delimited text or GPX: files or a folder."))
        self.keep = QCheckBox(tr("Keep a copy in the folder of the lake"))
        self.keep.setChecked(True)
        self.form.insertRow(0, tr("&Logs"), self.logs)
        self.form.insertRow(1, "", self.keep)
        self.logs.line.setFocus()

    def values(self) -> dict:
        """Return the values, with the logs."""
        return {**super().values(), **of_logs(self.logs.paths())}

    def accept(self):
        if not self.logs.paths():
            self.wrong.say(tr("Choose the logs of the visit."))
            return
        super().accept()
