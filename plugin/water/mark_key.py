"""The key that sets a mark: one for all of QGIS's window, changed in QGIS's keyboard settings."""

from __future__ import annotations

from qgis.gui import QgsGui
from qgis.PyQt import QtGui, QtWidgets
from qgis.PyQt.QtCore import QObject, Qt, pyqtSignal
from qgis.PyQt.QtGui import QKeySequence
from qgis.PyQt.QtWidgets import (
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QLineEdit,
    QPlainTextEdit,
    QTextEdit,
)

from ...algorithms._i18n import tr

#: As it is until somebody changes it.
_KEY = "M"
#: Qt 6 moved the class.
_QAction = getattr(QtGui, "QAction", None) or QtWidgets.QAction


class MarkKey(QObject):
    """Listens while an outing is recorded; does nothing while a person types."""

    pressed = pyqtSignal()

    def __init__(self, window):
        super().__init__(window)
        self._window = window
        self._action = _QAction(tr("Mark the place of the boat"), window)
        self._action.setObjectName("lakefloorMarkBoat")
        self._action.setAutoRepeat(False)
        self._action.setEnabled(False)
        self._action.triggered.connect(self._press)
        window.addAction(self._action)
        QgsGui.shortcutsManager().registerAction(self._action, _KEY)

    def listen(self, on):
        """Listen to the key, or leave it to others."""
        self._action.setEnabled(on)

    def text(self) -> str:
        """Return the key as it is written, "" for none."""
        return self._action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)

    def tear_down(self):
        """Take the key away."""
        QgsGui.shortcutsManager().unregisterAction(self._action)
        self._window.removeAction(self._action)
        self._action.deleteLater()
        self.deleteLater()

    def _press(self, *_):
        if not _takes_text(QApplication.focusWidget()):
            self.pressed.emit()


def _takes_text(widget) -> bool:
    """Tell whether a person who presses a key in a widget types text."""
    if isinstance(widget, QComboBox):
        return widget.isEditable()
    if isinstance(widget, (QLineEdit, QPlainTextEdit, QTextEdit)):
        return not widget.isReadOnly()
    # Editors of code are of a class that Qt does not know, and take input methods as all others.
    return isinstance(widget, QAbstractSpinBox) or (
        widget is not None
        and widget.inherits("QsciScintillaBase")
        and widget.testAttribute(Qt.WidgetAttribute.WA_InputMethodEnabled)
    )
