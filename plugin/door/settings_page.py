"""The page of Lakefloor in QGIS's options: unit, paper, folder for lakes, boats.

It shows and keeps what :mod:`algorithms._settings` has. A unit that is chosen here shows in the page
at once.
"""

from __future__ import annotations

from pathlib import Path

from qgis.gui import QgsDoubleSpinBox, QgsFileWidget, QgsOptionsPageWidget, QgsOptionsWidgetFactory
from qgis.PyQt.QtGui import QIcon
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QFormLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QPushButton,
    QTableWidget,
    QVBoxLayout,
)

from ...algorithms import _settings
from ...algorithms._i18n import tr
from ...algorithms._settings import Boat
from ...algorithms.core.units import FOOT, KMH, MPH
from ...algorithms.core.wording.page_layout import PAGE_SIZES
from ..provider import ICON

#: Unit -> symbols and sizes of length, speed of sound and speed of the boat, in SI.
_UNITS = {
    "feet": (("ft", FOOT), ("ft/s", FOOT), ("mph", MPH)),
    "meters": (("m", 1.0), ("m/s", 1.0), ("km/h", KMH)),
}


class SettingsFactory(QgsOptionsWidgetFactory):
    """Makes the page for QGIS's options dialog."""

    def __init__(self):
        super().__init__()
        self.setTitle("Lakefloor")
        self.setIcon(QIcon(str(ICON)))

    def icon(self):
        return QIcon(str(ICON))

    def createWidget(self, parent):
        return SettingsPage(parent)


class SettingsPage(QgsOptionsPageWidget):
    """What a person chooses for all lakes."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self.unit = _combo(_settings.UNITS, _settings.depth_unit())
        self.page_size = _combo(PAGE_SIZES, _settings.page_size())
        self.folder = QgsFileWidget()
        self.folder.setStorageMode(QgsFileWidget.StorageMode.GetDirectory)
        self.folder.setFilePath(str(_settings.lakes_folder()))
        self.boats = BoatTable(_settings.boats(), _settings.depth_unit())
        self.boat = QComboBox()
        chosen = _settings.boat()
        self._name_boats()
        self.boat.setCurrentText(chosen.name if chosen else "")
        self.unit.currentTextChanged.connect(self.boats.set_unit)
        self.boats.changed = self._name_boats
        self._lay_out()

    def apply(self):
        """Keep what is chosen; QGIS calls it when its dialog is accepted."""
        boats = self.boats.read()
        _settings.keep_boats(boats)
        _settings.choose(
            depth_unit=self.unit.currentText(),
            page_size=self.page_size.currentText(),
            lakes_folder=self._typed_folder(),
            boat=self.boat.currentText() or None,
        )

    def _typed_folder(self):
        text = self.folder.filePath().strip()
        return str(Path(text).expanduser().absolute()) if text else None

    def _lay_out(self):
        form = QFormLayout()
        form.addRow(tr("Depth unit"), self.unit)
        form.addRow(tr("Page size"), self.page_size)
        form.addRow(tr("Folder for lakes"), self.folder)
        form.addRow(tr("Boat in use"), self.boat)
        add, remove = QPushButton(tr("Add boat")), QPushButton(tr("Remove boat"))
        add.clicked.connect(lambda: self.boats.add())
        remove.clicked.connect(lambda: self.boats.remove())
        buttons = QHBoxLayout()
        buttons.addWidget(add)
        buttons.addWidget(remove)
        buttons.addStretch()
        note = QLabel(
            tr(
                "Forms begin with these. Depths in files stay in meters, and a script or a model "
                "keeps its own defaults."
            )
        )
        note.setWordWrap(True)
        page = QVBoxLayout(self)
        page.addLayout(form)
        page.addWidget(self.boats)
        page.addLayout(buttons)
        page.addWidget(note)
        page.addStretch()

    def _name_boats(self):
        current = self.boat.currentText()
        names = [boat.name for boat in self.boats.read()]
        self.boat.clear()
        self.boat.addItems(names)
        if current in names:
            self.boat.setCurrentText(current)


class BoatTable(QTableWidget):
    """Boats, one a row, in the user's unit."""

    def __init__(self, boats, unit):
        super().__init__(0, 5)
        self.changed = lambda: None
        self.verticalHeader().hide()
        self.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.horizontalHeader().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.setMinimumHeight(140)
        self._show(boats, unit)

    def read(self) -> list:
        """Return the boats that have a name, each name once."""
        length, sound, speed = (size for _, size in _UNITS[self._unit])
        boats = {}
        for row in range(self.rowCount()):
            name, draft, beam, assumed, fast = (
                self.cellWidget(row, column) for column in range(self.columnCount())
            )
            if name.text().strip() and name.text().strip() not in boats:
                boats[name.text().strip()] = Boat(
                    name.text().strip(),
                    draft.in_si(length),
                    beam.in_si(1.0) or None,
                    assumed.in_si(sound),
                    fast.in_si(speed),
                )
        return list(boats.values())

    def set_unit(self, unit):
        """Show the boats in another unit."""
        self._show(self.read(), unit)

    def add(self):
        """Add a boat, with a name that no other one has."""
        names = {boat.name for boat in self.read()}
        number = next(n for n in range(1, len(names) + 2) if tr("Boat {}").format(n) not in names)
        self._add(Boat(tr("Boat {}").format(number)))
        self.changed()

    def remove(self):
        """Remove the boat whose row is current, else the last one."""
        row = self.currentRow() if self.currentRow() >= 0 else self.rowCount() - 1
        self.removeRow(row)
        self.changed()

    def _show(self, boats, unit):
        self._unit = unit
        (length, _), (sound, _), (speed, _) = _UNITS[unit]
        self.setHorizontalHeaderLabels(
            [
                tr("Boat"),
                f"{tr('Draft')} ({length})",
                tr("Beam width (degrees)"),
                f"{tr('Assumed sound speed')} ({sound})",
                f"{tr('Speed on lanes')} ({speed})",
            ]
        )
        self.setRowCount(0)
        for boat in boats:
            self._add(boat)

    def _add(self, boat):
        (_, length), (_, sound), (_, speed) = _UNITS[self._unit]
        row = self.rowCount()
        self.insertRow(row)
        name = QLineEdit(boat.name)
        name.textEdited.connect(lambda _: self.changed())
        cells = (
            name,
            _Amount(boat.draft_m, length, 2, 0.0, 30.0),
            _Amount(boat.beam_degrees or 0.0, 1.0, 1, 0.0, 90.0, tr("Not set")),
            _Amount(boat.sound_speed_ms, sound, 0, 1300.0, 1700.0),
            _Amount(boat.speed_ms, speed, 1, 0.1, 30.0),
        )
        for column, cell in enumerate(cells):
            self.setCellWidget(row, column, cell)


class _Amount(QgsDoubleSpinBox):
    """A number of a boat; what nobody touched stays as it was, to the last digit."""

    def __init__(self, value, size, decimals, low, high, none=""):
        super().__init__()
        self.setDecimals(decimals)
        self.setRange(low / size, high / size)
        self.setSpecialValueText(none)
        self.setShowClearButton(False)
        self.setValue(value / size)
        self._given = value, self.value()

    def in_si(self, size) -> float:
        """Return the value in SI, ``size`` being that of its unit."""
        given, shown = self._given
        return given if self.value() == shown else self.value() * size


def _combo(words, chosen):
    combo = QComboBox()
    combo.addItems(list(words))
    combo.setCurrentText(chosen)
    return combo
