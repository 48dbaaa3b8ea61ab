"""What is asked before an outing is recorded, and at its end."""

from __future__ import annotations

import time

from qgis.core import QgsSettings
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFormLayout,
    QLabel,
    QSpinBox,
    QVBoxLayout,
)

from ...algorithms._i18n import tr
from ...algorithms.core.cautions import ON_THE_WATER
from ...algorithms.core.units import FOOT
from ..door.wrong import Wrong
from .levels import reading
from .source_form import SourceForm

_TEE = "lakefloor/feed_gps_panel"
#: While one listens, pixels.
_TALL = 540
#: Below this a level was not read.
_NOT_READ = -1000.0


class StartForm(QDialog):
    """Cautions, sources, draft and lake level.

    Parameters
    ----------
    facts : LakeFacts
    """

    def __init__(self, facts, parent=None):
        super().__init__(parent)
        self.setWindowTitle(tr("Go on the water"))
        self._facts = facts
        self._factor = FOOT if facts.unit == "feet" else 1.0
        self.wrong, self.sources = Wrong(), SourceForm()
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
        self.minutes = time_box()
        self._lay_out()

    def _lay_out(self):
        form = QFormLayout()
        form.addRow(tr("Transducer &draft"), self.draft)
        form.addRow(tr("&Lake level now"), self.level)
        form.addRow(tr("&Back at the launch in"), self.minutes)
        form.addRow("", self.tee)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        start = buttons.addButton(tr("Start recording"), QDialogButtonBox.ButtonRole.AcceptRole)
        start.setDefault(True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        self.sources.listen.toggled.connect(lambda on: on and self.resize(self.width(), _TALL))
        column = QVBoxLayout(self)
        column.addWidget(self.wrong)
        column.addWidget(cautions())
        column.addWidget(self.sources, 1)
        column.addLayout(form)
        column.addWidget(buttons)
        self.resize(520, self.sizeHint().height())

    def given(self) -> dict:
        """Return the draft, the readings of the lake level, and until when there is time.

        ``back_by``, s since 1970 by the computer's clock, is there where a time was given.
        """
        draft = self.draft.value() * self._factor
        known = self._facts.boat.draft_m
        # A value that nobody touched is kept to its last digit.
        draft = known if abs(draft - known) < 0.005 * self._factor else round(draft, 4)
        given = {"draft_m": draft, "levels": readings(self.level, self._facts)}
        if self.minutes.value():
            given["back_by"] = round(time.time() + 60.0 * self.minutes.value())
        return given

    def accept(self):
        problem = self.sources.problem()
        if problem:
            self.wrong.say(problem)
            return
        self.sources.stop()
        self.sources.remember()
        QgsSettings().setValue(_TEE, self.tee.isChecked())
        super().accept()


class SourcesForm(QDialog):
    """Other sources for an outing that is recorded.

    They are not listened to here: of two that read a port, each gets a part of the bytes.

    Parameters
    ----------
    specs : list of SourceSpec
        As they are.
    """

    def __init__(self, specs, parent=None):
        super().__init__(parent)
        self.setWindowTitle(tr("Sources of the outing"))
        self.wrong, self.sources = Wrong(), SourceForm()
        self.sources.set_specs(specs)
        self.sources.listen.hide()
        standard = QDialogButtonBox.StandardButton
        buttons = QDialogButtonBox(standard.Ok | standard.Cancel)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        column = QVBoxLayout(self)
        for each in (self.wrong, self.sources, buttons):
            column.addWidget(each)
        self.resize(520, self.sizeHint().height())

    def accept(self):
        if self.sources.problem():
            self.wrong.say(self.sources.problem())
            return
        self.sources.remember()
        super().accept()


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


def time_box() -> QSpinBox:
    """Return the field for the time of an outing."""
    box = QSpinBox()
    box.setRange(0, 24 * 60)
    box.setSingleStep(15)
    box.setSpecialValueText(tr("any time"))
    box.setSuffix(tr(" min"))
    box.setToolTip(tr("A next lane is proposed only if it and the way back fit into this time."))
    return box


def readings(box, facts) -> list:
    """Return what was read, as a list with one reading or none."""
    if box.value() <= _NOT_READ:
        return []
    return [reading(round(box.value(), 4), facts.level_unit)]
