"""The panel: a dock that shows the lake that is open, the ways in, or an outing on the water."""

from __future__ import annotations

from qgis.gui import QgsDockWidget, QgsScrollArea
from qgis.PyQt.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from ...algorithms._i18n import tr
from .lake_page import LakePage
from .run_view import RunView
from .welcome import Welcome


class LakePanel(QgsDockWidget):
    """Shows the lake of a :class:`.LakeWork` and what runs for it."""

    def __init__(self, parent=None):
        super().__init__(tr("Lake"), parent)
        self.setObjectName("LakefloorPanel")
        self.setMinimumWidth(360)
        self.welcome, self.page = Welcome(), LakePage()
        self.run, self.stack = RunView(), QStackedWidget()
        self._water = None
        for page in (self.welcome, self.page):
            self._put_in(page)
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.stack)
        column.addWidget(self.run)
        self.setWidget(inside)

    def _put_in(self, page):
        area = QgsScrollArea()
        area.setWidget(page)
        area.setWidgetResizable(True)
        area.setFrameShape(QgsScrollArea.Shape.NoFrame)
        self.stack.addWidget(area)
        return area

    def show_water(self, page):
        """Show the page of an outing; it is put in the first time."""
        if self._water is None:
            self._water = self._put_in(page)
        self.stack.setCurrentWidget(self._water)

    def show_steps(self):
        """Show the page of the lake."""
        self.stack.setCurrentIndex(1)

    def show_lake(self, work):
        """Show a lake or, where none is open, the ways in; an outing stays in sight."""
        is_open = work.folder is not None
        if not is_open or self.stack.currentWidget() is not self._water:
            self.stack.setCurrentIndex(1 if is_open else 0)
        if is_open:
            self.page.show_lake(work)
        else:
            self.welcome.show_recent()
