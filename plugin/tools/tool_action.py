"""What the tools on the map share: an action that knows the lake, and says what it lacks."""

from __future__ import annotations

from pathlib import Path

from qgis.PyQt import QtGui, QtWidgets
from qgis.PyQt.QtGui import QIcon

from ...algorithms._i18n import tr
from ...algorithms.core.errors import LakefloorError

__all__ = ["ToolAction", "show_beside"]

_ICONS = Path(__file__).resolve().parents[1] / "icons"
#: Qt 6 moved the class.
_QAction = getattr(QtGui, "QAction", None) or QtWidgets.QAction


class ToolAction(_QAction):
    """An action of the map; what it does is :meth:`begin`.

    Parameters
    ----------
    iface : QgisInterface
    lake : object
        What the panel holds: ``folder`` (LakeFolder or None while no lake is open), ``facts``,
        ``project`` and ``read_only``.
    text, tip : str
    icon : str
        Name of a file of the plugin's icons.
    """

    #: Whether it writes into the lake's folder.
    WRITES = True

    def __init__(self, iface, lake, text, tip, icon):
        super().__init__(QIcon(str(_ICONS / icon)), text, iface.mainWindow())
        self.iface, self.lake, self._begun_on = iface, lake, None
        self.setToolTip(tip)
        self.triggered.connect(self._begin)

    def begin(self):
        """Do what the action is for.

        Raises
        ------
        LakefloorError
            If something is missing; the window shows it.
        """
        raise NotImplementedError

    def tear_down(self):
        """Take away what the action has put into the window."""
        self.triggered.disconnect(self._begin)
        self.deleteLater()

    def leave(self):
        """Close what the action has opened beside the map."""

    def while_open(self, do):
        """Return a slot that does something as long as that lake is open for which it began."""

        def slot(*args):
            if self.lake.folder == self._begun_on:
                do(*args)
            else:
                self.leave()
                self.warn(tr("The lake was closed. Open it, then start again."))

        return slot

    def warn(self, text):
        """Show a sentence above the map."""
        self.iface.messageBar().pushWarning(self.text(), str(text))

    def tell(self, text):
        """Show a sentence above the map, for a while."""
        self.iface.messageBar().pushInfo(self.text(), str(text))

    def take(self, map_tool):
        """Make a tool the one of the map; the action is checked as long as it is."""
        self.setCheckable(True)
        map_tool.setAction(self)
        self.iface.mapCanvas().setMapTool(map_tool)

    def _begin(self, *_):
        try:
            self._require_lake()
            self._begun_on = self.lake.folder
            self.begin()
        except LakefloorError as error:
            self.setChecked(False)
            self.warn(error)

    def _require_lake(self):
        if self.lake.folder is None:
            raise LakefloorError(tr("No lake is open. Open a lake or make a new one first."))
        if self.WRITES and self.lake.read_only:
            raise LakefloorError(
                tr("The lake is open for reading only. Close it elsewhere, then open it again.")
            )


def show_beside(window):
    """Show a window that stays open while the map is worked on, at the map's right edge."""
    window.adjustSize()
    main = window.parentWidget().geometry()
    window.move(main.right() - window.width() - 24, main.top() + main.height() // 6)
    window.show()
