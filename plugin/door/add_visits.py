"""The form for the logs of one visit or more."""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.PyQt.QtWidgets import QCheckBox

from ...algorithms._i18n import tr
from ...algorithms._lake.steps import step
from .logs_field import LogsField
from .making import of_logs
from .step_form import StepForm

#: What is asked of a visit although the lake knows a value.
_ASKED = ("DRAFT", "LEVEL_UNIT")


class AddVisits(StepForm):
    """Asks for logs first, then for what the model asks beside what the lake knows."""

    def __init__(self, parameters, lake, canvas=None, parent=None):
        algorithm = QgsApplication.processingRegistry().createAlgorithmById(
            step("visits").algorithm
        )
        self._lake = lake
        known = {**parameters, "LOGS": None, "LOG_FOLDER": None}
        super().__init__(
            algorithm,
            known,
            tr("Add visits"),
            tr("Add"),
            asked=_ASKED,
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
        return {**super().values(), "LOGS": None, "LOG_FOLDER": None, **of_logs(self.logs.paths())}

    def accept(self):
        if not self.logs.paths():
            self.bar.clearWidgets()
            self.bar.pushWarning("", tr("Choose the logs of the visit."))
            return
        super().accept()
