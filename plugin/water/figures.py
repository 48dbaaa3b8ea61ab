"""Figures that can be read in the sun: as large as the panel is wide."""

from __future__ import annotations

from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QGridLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from ...algorithms._i18n import tr

#: What stands where nothing is known.
NOTHING = "—"
#: Height of the depth as a part of the width of the panel, and of the other figures.
_LARGE, _MIDDLE = 0.2, 0.085
#: Of the depth and of the others, pixels; a panel as wide as the screen stays a panel.
_LEAST, _MOST = (40, 18), (150, 64)


class Figure(QWidget):
    """A figure under its name; what is to be known of it stands beside the name.

    Parameters
    ----------
    name : str
    """

    def __init__(self, name, parent=None):
        super().__init__(parent)
        self._text, self.name, self.value = name, QLabel(name), QLabel(NOTHING)
        for label in (self.name, self.value):
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            label.setIndent(0)
        self.value.setAccessibleName(name)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.name)
        column.addWidget(self.value)
        self._pixels = 0

    def show_value(self, text, beside=""):
        """Show a value, and what is to be known of it; nothing moves on the page for it."""
        self.value.setText(text)
        self.name.setText(f"{self._text}: {beside}" if beside else self._text)

    def set_height(self, pixels):
        """Set how high the letters of the value are."""
        pixels = round(pixels)
        if pixels != self._pixels:
            self._pixels = pixels
            # A font that is set has to yield to the style sheets of QGIS's themes.
            self.value.setStyleSheet(f"font-size: {pixels}px; font-weight: bold;")


class Figures(QWidget):
    """Depth, bottom, speed and course."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self.depth, self.bottom = Figure(tr("Depth")), Figure(tr("Bottom"))
        self.speed, self.course = Figure(tr("Speed")), Figure(tr("Course over ground"))
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(12)
        grid.addWidget(self.depth, 0, 0, 1, 2)
        grid.addWidget(self.speed, 1, 0)
        grid.addWidget(self.course, 1, 1)
        grid.addWidget(self.bottom, 2, 0, 1, 2)
        grid.setColumnStretch(0, 1)
        grid.setColumnStretch(1, 1)

    def resizeEvent(self, event):
        super().resizeEvent(event)
        width = self.width()
        large, middle = (
            min(max(part * width, least), most)
            for part, least, most in zip((_LARGE, _MIDDLE), _LEAST, _MOST)
        )
        self.depth.set_height(large)
        for figure in (self.bottom, self.speed, self.course):
            figure.set_height(middle)
