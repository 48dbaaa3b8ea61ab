"""What is asked before an outing is recorded, and at its end."""

from __future__ import annotations

import json
from contextlib import suppress

from qgis.core import QgsSettings
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ...algorithms._i18n import tr
from ...algorithms.core.cautions import ON_THE_WATER
from ...algorithms.core.units import FOOT
from ..door.wrong import Wrong
from .levels import reading

_SOURCES, _TEE = "lakefloor/sources", "lakefloor/feed_gps_panel"
#: Below this a level was not read.
_NOT_READ = -1000.0


class StartForm(QDialog):
    """Cautions, sources, draft and lake level.

    Parameters
    ----------
    facts : LakeFacts
    known : list of SourceSpec
        Sources to begin with.
    """

    def __init__(self, facts, known, parent=None):
        super().__init__(parent)
        self.setWindowTitle(tr("Go on the water"))
        self._facts = facts
        self._factor = FOOT if facts.unit == "feet" else 1.0
        self.wrong, self.sources = Wrong(), SourceList(known)
        self.level = level_box(facts)
        self.draft = QDoubleSpinBox()
        self.draft.setRange(0.0, 30.0)
        self.draft.setSingleStep(0.1)
        self.draft.setSuffix(tr(" ft") if facts.unit == "feet" else tr(" m"))
        self.draft.setValue(facts.boat.draft_m / self._factor)
        self.draft.setToolTip(
            tr("Depth of the transducer below the waterline with the crew aboard.")
        )
        self.tee = QCheckBox(tr("Show the position in QGIS's GPS panel too"))
        self.tee.setChecked(QgsSettings().value(_TEE, False, type=bool))
        self._lay_out()

    def _lay_out(self):
        form = QFormLayout()
        form.addRow(tr("&Sources"), self.sources)
        form.addRow(tr("Transducer &draft"), self.draft)
        form.addRow(tr("&Lake level now"), self.level)
        form.addRow("", self.tee)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        start = buttons.addButton(tr("Start recording"), QDialogButtonBox.ButtonRole.AcceptRole)
        start.setDefault(True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        column = QVBoxLayout(self)
        column.addWidget(self.wrong)
        column.addWidget(cautions())
        column.addLayout(form)
        column.addStretch(1)
        column.addWidget(buttons)
        self.resize(460, self.sizeHint().height())

    def given(self) -> dict:
        """Return the draft, and the readings of the lake level."""
        draft = self.draft.value() * self._factor
        known = self._facts.boat.draft_m
        # A value that nobody touched is kept to its last digit.
        draft = known if abs(draft - known) < 0.005 * self._factor else round(draft, 4)
        return {"draft_m": draft, "levels": readings(self.level, self._facts)}

    def accept(self):
        if not self.sources.specs():
            self.wrong.say(tr("Add a source: the port or the address of the GPS and the sounder."))
            return
        remember_sources(self.sources.specs())
        QgsSettings().setValue(_TEE, self.tee.isChecked())
        super().accept()


class SourceList(QWidget):
    """Sources, one a line, which are added, changed and removed."""

    changed = pyqtSignal()

    def __init__(self, known=(), parent=None):
        super().__init__(parent)
        self.list = QListWidget()
        self.list.setAccessibleName(tr("Sources"))
        self.list.setMaximumHeight(5 * self.fontMetrics().lineSpacing())
        self.add = QPushButton(tr("Add…"))
        self.change, self.remove = QPushButton(tr("Change…")), QPushButton(tr("Remove"))
        self.add.clicked.connect(lambda: self._ask(None))
        self.change.clicked.connect(lambda: self._ask(self.list.currentItem()))
        self.list.itemDoubleClicked.connect(self._ask)
        self.remove.clicked.connect(self._remove)
        self.list.currentItemChanged.connect(lambda *_: self._show_buttons())
        row = QHBoxLayout()
        for button in (self.add, self.change, self.remove):
            row.addWidget(button)
        row.addStretch(1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.list)
        column.addLayout(row)
        self.setFocusProxy(self.list)
        for spec in known:
            self.put(spec)
        self._show_buttons()

    def specs(self) -> list:
        """Return the sources (SourceSpec)."""
        role = Qt.ItemDataRole.UserRole
        return [self.list.item(row).data(role) for row in range(self.list.count())]

    def put(self, spec, item=None):
        """Add a source, or put it in the place of another."""
        item = item or QListWidgetItem(self.list)
        item.setText(in_one_line(spec))
        item.setData(Qt.ItemDataRole.UserRole, spec)
        self.list.setCurrentItem(item)
        self.changed.emit()

    def _ask(self, item):
        from .source_form import SourceForm

        spec = item.data(Qt.ItemDataRole.UserRole) if item is not None else None
        form = SourceForm(spec, self)
        form.accepted.connect(lambda: self.put(form.spec(), item))
        form.open()

    def _remove(self):
        self.list.takeItem(self.list.currentRow())
        self._show_buttons()
        self.changed.emit()

    def _show_buttons(self):
        for button in (self.change, self.remove):
            button.setEnabled(self.list.currentItem() is not None)


def cautions() -> QLabel:
    """Return the words of safety for a form."""
    label = QLabel("".join(f"<p style='margin:2px'>• {tr(text)}</p>" for text in ON_THE_WATER))
    label.setTextFormat(Qt.TextFormat.RichText)
    label.setWordWrap(True)
    return label


def level_box(facts) -> QDoubleSpinBox:
    """Return the field for the lake level that was read."""
    box = QDoubleSpinBox()
    box.setRange(_NOT_READ, 100_000.0)
    box.setDecimals(3)
    box.setSpecialValueText(tr("not read"))
    box.setValue(_NOT_READ)
    box.setSuffix(" " + tr(facts.level_unit))
    box.setToolTip(
        tr("Reading of the gauge. If empty, the level follows from the soundings, less exactly.")
    )
    return box


def readings(box, facts) -> list:
    """Return what was read, as a list with one reading or none."""
    if box.value() <= _NOT_READ:
        return []
    return [reading(round(box.value(), 4), facts.level_unit)]


def in_one_line(spec) -> str:
    """Return a source in a line."""
    kinds = {
        "serial": tr("Serial port {}, {} baud").format(spec.place, spec.baud),
        "tcp": tr("TCP {}").format(spec.place),
        "udp": tr("UDP {}").format(spec.place),
        "file": tr("File {}").format(spec.place),
        "qgis": tr("QGIS's GPS panel"),
    }
    what = kinds.get(spec.kind, spec.kind)
    return f"{spec.name}: {what}" if spec.name else what


def remember_sources(specs):
    """Keep the sources for the next outing."""
    QgsSettings().setValue(_SOURCES, json.dumps([spec.to_dict() for spec in specs]))


def known_sources() -> list:
    """Return the sources of the last outing."""
    from .sources import SourceSpec

    with suppress(TypeError, ValueError, KeyError, AttributeError):
        return [
            SourceSpec.from_dict(each) for each in json.loads(QgsSettings().value(_SOURCES, "[]"))
        ]
    return []
