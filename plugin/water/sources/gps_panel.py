"""QGIS's own GPS panel takes our connection, and gives it back before it ends.

The panel keeps a connection that it was given until it is told to disconnect, and deletes it then;
one that was deleted before makes QGIS end badly. Only its own button tells it so.
"""

from __future__ import annotations

import qgis.utils
from qgis.core import QgsApplication
from qgis.PyQt.QtWidgets import QPushButton, QToolBar


def show_in_panel(connection) -> bool:
    """Let the panel show a registered connection, and tell whether it does.

    It does not where it is connected to a device of its own, or where there is no panel.
    """
    button, registry = _button(), QgsApplication.gpsConnectionRegistry()
    if button is None or button.isChecked() or registry.connectionList() != [connection]:
        return False
    qgis.utils.iface.setGpsPanelConnection(connection)
    # QGIS before 3.28 leaves its button up, and would look for a device when it is pressed.
    before = button.blockSignals(True)
    button.setChecked(True)
    button.blockSignals(before)
    return True


def take_from_panel() -> bool:
    """Let the panel disconnect what it shows, which it deletes, and tell whether it has done so.

    As long as its button is down, that is ours: it connects to nothing else before.
    """
    button = _button()
    if button is None or not button.isChecked():
        return False
    press = getattr(button, "click", None) or button.trigger
    press()
    return True


def _button():
    """Return what connects: a button of the panel, or in later versions an action of a toolbar."""
    iface = qgis.utils.iface
    if iface is None or not hasattr(iface, "setGpsPanelConnection"):
        return None
    window = iface.mainWindow()
    button = window.findChild(QPushButton, "mConnectButton")
    bar = window.findChild(QToolBar, "mGpsToolBar")
    if button is None and bar is not None:
        button = next((action for action in bar.actions() if action.isCheckable()), None)
    return button if button is not None and button.isCheckable() else None
