"""What is asked at the end of an outing."""

from __future__ import annotations

from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QDialog, QDialogButtonBox, QFormLayout, QLabel, QVBoxLayout

from ...algorithms._i18n import tr
from .start_form import level_box, readings


class EndForm(QDialog):
    """Lake level at the end, and whether the visit is brought in now.

    Parameters
    ----------
    facts : LakeFacts
    cross_line : str
        What is to be said of cross-lines, "" for nothing.
    """

    def __init__(self, facts, cross_line="", parent=None):
        super().__init__(parent)
        self.setWindowTitle(tr("End of outing"))
        self._facts, self.brings_in = facts, True
        self.level, self.cross_line = level_box(facts), QLabel(cross_line)
        self.cross_line.setTextFormat(Qt.TextFormat.PlainText)
        self.cross_line.setWordWrap(True)
        self.cross_line.setVisible(bool(cross_line))
        form = QFormLayout()
        form.addRow(tr("&Lake level now"), self.level)
        note = QLabel(
            tr(
                "The recording stays in the folder of the lake. If you add the visit later, choose "
                "that folder under 'Add visits'."
            )
        )
        note.setWordWrap(True)
        role = QDialogButtonBox.ButtonRole
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.add = buttons.addButton(tr("End and add the visit"), role.AcceptRole)
        self.later = buttons.addButton(tr("End, add later"), role.DestructiveRole)
        self.add.setDefault(True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        self.later.clicked.connect(self._later)
        column = QVBoxLayout(self)
        for each in (self.cross_line,):
            column.addWidget(each)
        column.addLayout(form)
        column.addWidget(note)
        column.addStretch(1)
        column.addWidget(buttons)
        self.resize(420, self.sizeHint().height())

    def levels(self) -> list:
        """Return the readings of the lake level at the end."""
        return readings(self.level, self._facts)

    def _later(self):
        self.brings_in = False
        self.accept()
