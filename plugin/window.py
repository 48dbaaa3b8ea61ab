"""What the plugin puts into the window: a menu, a button, and behind them the panel.

Nothing of the panel is loaded before it is asked for, so that QGIS starts as fast as without it.
"""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsProject
from qgis.PyQt.QtCore import QObject
from qgis.PyQt.QtGui import QIcon
from qgis.PyQt.QtWidgets import QMenu

from ..algorithms._forms import Widgets
from ..algorithms._i18n import tr

_ICON = Path(__file__).resolve().parent / "icons" / "lakefloor.svg"


def _dialog(algorithm, parent):
    from .door.form import Form

    return Form(algorithm, False, parent)


#: The fields are named, so that they are loaded with the first form.
WIDGETS = Widgets(
    number=f"{__package__}.door.fields.NumberField",
    filled=f"{__package__}.door.fields.FilledField",
    dialog=_dialog,
)


class Window(QObject):
    """The parts of the window; :attr:`door` is made when it is first needed."""

    def __init__(self, iface):
        super().__init__(iface.mainWindow())
        self._iface, self._door = iface, None
        self._menu = QMenu(tr("Lakefloor"), iface.mainWindow())
        self._menu.setIcon(QIcon(str(_ICON)))
        self.action = self._menu.addAction(QIcon(str(_ICON)), tr("Lake panel"))
        self.action.setCheckable(True)
        self.action.triggered.connect(self._toggle)
        self._menu.addSeparator()
        for text, name in (
            (tr("New lake…"), "ask_new_lake"),
            (tr("Open a lake…"), "ask_lake"),
            (tr("Open the example lake"), "open_example"),
        ):
            self._menu.addAction(text).triggered.connect(lambda _=False, n=name: self._ask(n))
        simulate = self._menu.addAction(tr("Simulate an outing…"))
        simulate.triggered.connect(lambda *_: self._simulate())
        self._settings, self._simulator = _settings_page(), None
        iface.registerOptionsWidgetFactory(self._settings)
        self._menu.addSeparator()
        settings = self._menu.addAction(tr("Settings…"))
        settings.triggered.connect(lambda *_: iface.showOptionsDialog(currentPage="Lakefloor"))
        iface.pluginMenu().addMenu(self._menu)
        iface.addToolBarIcon(self.action)
        QgsProject.instance().readProject.connect(self._look_for_lake)

    @property
    def door(self):
        """The door, made now if it is not there."""
        if self._door is None:
            from .door.door import Door

            self._door = Door(self._iface)
            self._door.panel.visibilityChanged.connect(self._follow)
            self._follow()
        return self._door

    def stop(self):
        """Take all of it away."""
        QgsProject.instance().readProject.disconnect(self._look_for_lake)
        if self._door is not None:
            self._door.panel.visibilityChanged.disconnect(self._follow)
            self._door.stop()
            self._door = None
        if self._simulator is not None:
            self._simulator.stop()
            self._simulator.deleteLater()
        self._iface.unregisterOptionsWidgetFactory(self._settings)
        self._iface.removeToolBarIcon(self.action)
        self._iface.pluginMenu().removeAction(self._menu.menuAction())
        self._menu.deleteLater()
        self.deleteLater()

    def _toggle(self, on):
        self.door.panel.setUserVisible(on)

    def _follow(self, *_):
        self.action.setChecked(self._door.panel.isUserVisible())

    def _ask(self, name):
        self.door.panel.setUserVisible(True)
        getattr(self.door, name)()

    def _simulate(self):
        """Show what plays a log as if a boat were out."""
        if self._simulator is None:
            from .simulator.dialog import SimulatorDialog

            self._simulator = SimulatorDialog(self._iface.mainWindow())
        self._simulator.show()
        self._simulator.raise_()

    def _look_for_lake(self, *_):
        """Make the door for a project that holds a lake."""
        groups = QgsProject.instance().layerTreeRoot().findGroups(True)
        if self._door is None and any(g.customProperty("lakefloor/lake") for g in groups):
            self.door._follow_project()


def _settings_page():
    from .door.settings_page import SettingsFactory

    return SettingsFactory()
