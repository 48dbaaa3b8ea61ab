"""The page of the panel without a lake: the ways in."""

from __future__ import annotations

from html import escape
from pathlib import Path

from qgis.core import QgsApplication, QgsSettings
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QCommandLinkButton,
    QGroupBox,
    QLabel,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ...algorithms._i18n import tr

_RECENT = "lakefloor/recent_lakes"
_MOST = 6


def recent_lakes() -> list:
    """Return folders of lakes that were open and are still there, the newest first."""
    kept = QgsSettings().value(_RECENT, [])
    paths = [kept] if isinstance(kept, str) else list(kept or [])
    return [path for path in paths if (Path(path) / "lake.json").is_file()]


def remember(folder):
    """Note that the lake in a folder was open."""
    others = [path for path in recent_lakes() if path != str(folder)]
    QgsSettings().setValue(_RECENT, [str(folder), *others][:_MOST])


class Welcome(QWidget):
    """Example, new lake, open; and the lakes that were open before."""

    example_asked = pyqtSignal()
    new_asked = pyqtSignal()
    open_asked = pyqtSignal()
    #: Folder of the lake.
    lake_asked = pyqtSignal(str)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.example = _way(
            tr("Open the example lake"),
            tr("An invented lake is copied to your folder of lakes and mapped. It takes a minute."),
            "/mActionPlay.svg",
        )
        self.new = _way(
            tr("New lake…"), tr("From your logs and a shoreline."), "/mActionFileNew.svg"
        )
        self.open = _way(
            tr("Open a lake…"), tr("A lake folder that you have already."), "/mActionFileOpen.svg"
        )
        self.example.clicked.connect(lambda: self.example_asked.emit())
        self.new.clicked.connect(lambda: self.new_asked.emit())
        self.open.clicked.connect(lambda: self.open_asked.emit())
        self._recent = QGroupBox(tr("Recent lakes"))
        self._list = QVBoxLayout(self._recent)
        column = QVBoxLayout(self)
        for each in (self.example, self.new, self.open, self._recent):
            column.addWidget(each)
        column.addStretch(1)
        self.show_recent()

    def show_recent(self):
        """List the lakes that were open."""
        while self._list.count():
            self._list.takeAt(0).widget().deleteLater()
        found = recent_lakes()
        self._recent.setVisible(bool(found))
        for path in found:
            self._list.addWidget(self._link(path))

    def _link(self, path):
        link = QLabel()
        link.setTextFormat(Qt.TextFormat.RichText)
        link.setText(f'<a href="lake">{escape(Path(path).name)}</a>')
        link.setToolTip(path)
        link.setTextInteractionFlags(Qt.TextInteractionFlag.TextBrowserInteraction)
        link.linkActivated.connect(lambda _: self.lake_asked.emit(path))
        return link


def _way(text, description, icon):
    button = QCommandLinkButton(text, description)
    button.setIcon(QgsApplication.getThemeIcon(icon))
    button.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
    button.setAccessibleName(text.rstrip("…"))
    button.setAccessibleDescription(description)
    return button
