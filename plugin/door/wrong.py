"""What is wrong with a form, above its fields, in full."""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QFrame, QHBoxLayout, QLabel, QSizePolicy


class Wrong(QFrame):
    """A sentence or more that wraps: QGIS's message bar shows two lines. Hidden without one."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self.setFrameShape(QFrame.Shape.StyledPanel)
        icon, self._text = QLabel(), QLabel()
        size = self.fontMetrics().height() + 2
        icon.setPixmap(QgsApplication.getThemeIcon("/mIconWarning.svg").pixmap(size, size))
        self._text.setTextFormat(Qt.TextFormat.PlainText)
        self._text.setWordWrap(True)
        self._text.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._text.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        row = QHBoxLayout(self)
        row.addWidget(icon, 0, Qt.AlignmentFlag.AlignTop)
        row.addWidget(self._text, 1)
        self.hide()

    def say(self, text):
        """Show what is wrong."""
        self._text.setText(text)
        self._text.setAccessibleName(text)
        self.show()

    def text(self) -> str:
        """Return what is shown, "" for nothing."""
        return self._text.text()
