"""The dialog for a new lake."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from qgis.core import QgsVectorLayer
from qgis.gui import QgsCollapsibleGroupBox, QgsFileWidget
from qgis.PyQt.QtCore import QTimeZone
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFormLayout,
    QLineEdit,
    QVBoxLayout,
)

from ...algorithms import _settings
from ...algorithms._i18n import tr
from ...algorithms._lake.facts import Boat, LakeFacts
from ...algorithms._lake.folder import file_name
from ...algorithms.core.units import FOOT, UNIT_OF_WORDS
from .logs_field import LogsField
from .wrong import Wrong

#: Less than this is no number for a field that may be empty.
_NONE = -1000.0
_LEVEL_UNITS = ("feet", "meters", "US survey feet", "centimeters", "inches")


@dataclass(frozen=True)
class NewLake:
    """What was asked for a new lake.

    Attributes
    ----------
    folder : Path
        In which its folder is made.
    facts : LakeFacts
    shoreline, gauge : Path or None
    logs : list of Path
        Files, or a folder.
    copy_logs : bool
        Whether the lake's folder keeps a copy of each.
    """

    folder: Path
    facts: LakeFacts
    shoreline: Path | None = None
    gauge: Path | None = None
    logs: list = field(default_factory=list)
    copy_logs: bool = True


class NewLakeDialog(QDialog):
    """Name, folder, unit, boat, shoreline and logs; what is rarely asked stands under "More"."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self.setWindowTitle(tr("New lake"))
        self.resize(480, 360)
        self.wrong = Wrong()
        self._make_fields()
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        make = buttons.addButton(tr("Make the lake"), QDialogButtonBox.ButtonRole.AcceptRole)
        make.setDefault(True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        column = QVBoxLayout(self)
        column.addWidget(self.wrong)
        column.addLayout(self._first())
        column.addWidget(self._more())
        column.addStretch(1)
        column.addWidget(buttons)
        self._show_unit()
        self._show_boat()

    # -- fields ---------------------------------------------------------------

    def _make_fields(self):
        self.name = QLineEdit()
        self.folder = _path(QgsFileWidget.StorageMode.GetDirectory, _settings.lakes_folder())
        self.unit = _combo(_settings.UNITS, _settings.depth_unit())
        self.boats = _settings.boats()
        self.boat = _combo([boat.name for boat in self.boats], _name(_settings.boat()))
        self.boat.setEditable(True)
        self.draft = QDoubleSpinBox()
        self.draft.setRange(0.0, 30.0)
        self.draft.setDecimals(2)
        self.draft.setSingleStep(0.1)
        self.shoreline = _path(QgsFileWidget.StorageMode.GetFile)
        self.shoreline.lineEdit().setPlaceholderText(tr("If empty, draw it later"))
        self.logs = LogsField()
        self.place, self.zone, self.datum_name = QLineEdit(), QComboBox(), QLineEdit()
        self.zone.setEditable(True)
        self.zone.addItems(["", *(bytes(z).decode() for z in QTimeZone.availableTimeZoneIds())])
        self.zone.setCurrentText(bytes(QTimeZone.systemTimeZoneId()).decode())
        self.gauge = _path(QgsFileWidget.StorageMode.GetFile)
        self.level_unit = _combo(_LEVEL_UNITS, _settings.depth_unit())
        self.datum = _optional_number()
        self.speed = QDoubleSpinBox()
        self.speed.setRange(1350.0, 1650.0)
        self.speed.setDecimals(0)
        self.beam = _optional_number(0.0, 90.0)
        self.copy_logs = QCheckBox(tr("Keep a copy of the logs in the folder of the lake"))
        self.copy_logs.setChecked(True)
        self.unit.currentTextChanged.connect(self._show_unit)
        self.boat.currentTextChanged.connect(self._show_boat)

    def _first(self):
        form = _form()
        form.addRow(tr("&Name of the lake"), self.name)
        form.addRow(tr("&Keep it in"), self.folder)
        form.addRow(tr("Depth &unit"), self.unit)
        if self.boats:
            form.addRow(tr("&Boat"), self.boat)
        form.addRow(tr("Transducer &draft"), self.draft)
        form.addRow(tr("&Shoreline"), self.shoreline)
        form.addRow(tr("&Logs"), self.logs)
        self.draft.setToolTip(
            tr("Depth of the transducer below the waterline with the crew aboard.")
        )
        self.shoreline.setToolTip(
            tr("One polygon with islands as holes, in any format that QGIS reads.")
        )
        self.logs.setToolTip(tr("NMEA 0183, delimited text or GPX. If empty, add them later."))
        return form

    def _more(self):
        form = _form()
        form.addRow(tr("&Place"), self.place)
        form.addRow(tr("&Time zone"), self.zone)
        form.addRow(tr("&Gauge readings"), self.gauge)
        form.addRow(tr("Level u&nit"), self.level_unit)
        form.addRow(tr("&Reading at the lake datum"), self.datum)
        form.addRow(tr("Name of the lake datu&m"), self.datum_name)
        if not self.boats:
            form.addRow(tr("&Boat"), self.boat)
        form.addRow(tr("&Assumed sound speed"), self.speed)
        form.addRow(tr("Beam &width"), self.beam)
        form.addRow(self.copy_logs)
        self.speed.setSuffix(tr(" m/s"))
        self.beam.setSuffix("°")
        self.gauge.setToolTip(tr("A table of times and lake levels. If empty, there is no gauge."))
        self.datum.setToolTip(tr("If empty, depths count from the lake level of the first visit."))
        box = QgsCollapsibleGroupBox(tr("More"))
        box.setLayout(form)
        box.setCollapsed(True)
        box.setSaveCollapsedState(False)
        return box

    def _show_unit(self, *_):
        feet = self.unit.currentText() == "feet"
        before, self._factor = getattr(self, "_factor", None), FOOT if feet else 1.0
        self.draft.setSuffix(tr(" ft") if feet else tr(" m"))
        if before is not None:
            self.draft.setValue(self.draft.value() * before / self._factor)

    def _show_boat(self, *_):
        known = next((b for b in self.boats if b.name == self.boat.currentText()), None)
        if known is None and self.speed.value() > self.speed.minimum():
            return
        boat = known or _settings.Boat("")
        self.draft.setValue(boat.draft_m / self._factor)
        self.speed.setValue(boat.sound_speed_ms)
        self.beam.setValue(_NONE if boat.beam_degrees is None else boat.beam_degrees)

    # -- what was asked -------------------------------------------------------

    def asked(self) -> NewLake:
        """Return what was filled in."""
        boat = Boat(
            name=self.boat.currentText().strip(),
            draft_m=round(self.draft.value() * self._factor, 4),
            beam_deg=_number(self.beam),
            sound_speed_ms=self.speed.value(),
        )
        facts = LakeFacts(
            name=self.name.text().strip(),
            place=self.place.text().strip(),
            unit=self.unit.currentText(),
            time_zone=self.zone.currentText().strip(),
            level_unit=self.level_unit.currentText(),
            datum_reading=_number(self.datum),
            datum_name=self.datum_name.text().strip(),
            boat=boat,
        )
        return NewLake(
            Path(self.folder.filePath().strip()),
            facts,
            _file(self.shoreline),
            _file(self.gauge),
            self.logs.paths(),
            self.copy_logs.isChecked(),
        )

    def fill(self, asked):
        """Fill in what was asked before."""
        facts, boat = asked.facts, asked.facts.boat
        self.unit.setCurrentText(facts.unit)
        self.boat.setCurrentText(boat.name)
        self.draft.setValue(boat.draft_m / self._factor)
        self.speed.setValue(boat.sound_speed_ms)
        self.level_unit.setCurrentText(facts.level_unit)
        self.zone.setCurrentText(facts.time_zone)
        self.logs.set_paths(asked.logs)
        self.copy_logs.setChecked(asked.copy_logs)
        for line, text in (
            (self.name, facts.name), (self.place, facts.place), (self.datum_name, facts.datum_name)
        ):  # fmt: skip
            line.setText(text)
        for box, number in ((self.beam, boat.beam_deg), (self.datum, facts.datum_reading)):
            box.setValue(_NONE if number is None else number)
        paths = {
            self.folder: asked.folder,
            self.shoreline: asked.shoreline,
            self.gauge: asked.gauge,
        }
        for widget, path in paths.items():
            widget.setFilePath("" if path is None else str(path))

    def accept(self):
        wrong = _wrong(self.asked())
        if wrong:
            self.wrong.say(wrong)
            return
        self._keep_boat()
        super().accept()

    def _keep_boat(self):
        """Keep the boat for the next lake."""
        asked = self.asked().facts.boat
        if not asked.name:
            return
        boat = _settings.Boat(asked.name, asked.draft_m, asked.beam_deg, asked.sound_speed_ms)
        _settings.keep_boats([boat, *(b for b in _settings.boats() if b.name != boat.name)])


def _wrong(asked) -> str:
    """Return what is wrong with what was filled in, "" for nothing."""
    if not asked.facts.name:
        return tr("Give the lake a name.")
    if not str(asked.folder) or not asked.folder.is_absolute():
        return tr("Choose the folder in which the folder of the lake is made.")
    if (asked.folder / file_name(asked.facts.name)).exists():
        return tr("'{}' is there already. Choose another name or folder.").format(
            asked.folder / file_name(asked.facts.name)
        )
    for path in (asked.shoreline, asked.gauge, *asked.logs):
        if path is not None and not path.exists():
            return tr("'{}' does not exist. Choose a file that does.").format(path)
    if (
        asked.shoreline is not None
        and not QgsVectorLayer(str(asked.shoreline), "", "ogr").isValid()
    ):
        return tr(
            "QGIS cannot read '{}'. Choose a file with the polygon of the lake, such as GeoJSON, "
            "GeoPackage or shapefile."
        ).format(asked.shoreline.name)
    return ""


def _name(boat) -> str:
    return boat.name if boat is not None else ""


def _form():
    form = QFormLayout()
    form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
    return form


def _combo(words, chosen):
    box = QComboBox()
    box.addItems(list(words))
    box.setCurrentText(chosen)
    return box


def _path(mode, start=""):
    widget = QgsFileWidget()
    widget.setStorageMode(mode)
    widget.setFilePath(str(start))
    return widget


def _file(widget):
    text = widget.filePath().strip()
    return Path(text) if text else None


def _optional_number(minimum=_NONE, maximum=100000.0):
    box = QDoubleSpinBox()
    box.setRange(min(minimum, _NONE), maximum)
    box.setSpecialValueText(tr("not known"))
    box.setValue(_NONE)
    return box


def _number(box):
    return None if box.value() <= _NONE else box.value()


assert set(_LEVEL_UNITS) <= set(UNIT_OF_WORDS)
