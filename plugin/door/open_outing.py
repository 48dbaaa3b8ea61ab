"""Says that an outing was not ended, with the choice to go on with it or to end it."""

from __future__ import annotations

from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QVBoxLayout

from ...algorithms._i18n import tr
from . import texts


class OpenOuting(QFrame):
    """Hidden where each outing was ended."""

    #: The recording (Recording), and whether it goes on: else it ends.
    asked = pyqtSignal(object, bool)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self._recording, self._text = None, QLabel()
        self._text.setWordWrap(True)
        self._text.setTextFormat(Qt.TextFormat.PlainText)
        self.resume = QPushButton(tr("Resume the outing"))
        self.end = QPushButton(tr("End and add the visit"))
        self.resume.clicked.connect(lambda: self.asked.emit(self._recording, True))
        self.end.clicked.connect(lambda: self.asked.emit(self._recording, False))
        row = QHBoxLayout()
        row.addWidget(self.resume)
        row.addWidget(self.end)
        row.addStretch(1)
        column = QVBoxLayout(self)
        column.addWidget(self._text)
        column.addLayout(row)
        self.hide()

    def show_outings(self, recordings, facts):
        """Show the newest of the outings that were not ended."""
        self._recording = recordings[-1] if recordings else None
        self.setVisible(self._recording is not None)
        if self._recording is not None:
            began = self._recording.content.get("started") or self._recording.path.name
            began = texts.moment(began, facts)
            self._text.setText(tr("An outing of {} was not ended.").format(began))
