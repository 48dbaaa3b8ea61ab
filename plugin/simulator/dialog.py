"""The window from which a log is played as if a boat were out."""

from __future__ import annotations

import os

from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtWidgets import (
    QApplication,
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QGridLayout,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QSpinBox,
    QVBoxLayout,
)

from ...algorithms import _settings
from ...algorithms._i18n import tr
from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.playing.faults import FAULTS, with_faults
from ...algorithms.core.playing.timeline import logs_of, timeline
from ..door.logs_field import LogsField
from ..door.wrong import Wrong
from .example import EXAMPLE_LOG
from .player import Player, PtyOutlet, TcpOutlet, UdpOutlet

__all__ = ["SimulatorDialog"]

#: How much of each fault is put in: of sentences one in a hundred, of bytes one in ten thousand, of
#: minutes one in ten.
_SHARES = {"bytes": 1e-4, "nodepth": 0.1, "nofix": 0.1, "silence": 0.1, "seconddepth": 1.0}
_SHARES |= {"buffered": 0.1, "olddate": 1.0, "unplugged": 0.2}
_USUAL_SHARE, _PORT, _LOOK_MS = 0.01, 10110, 500


class SimulatorDialog(QDialog):
    """Asks for a log, a speed, a way and faults; plays on while it is closed.

    What plays is offered as the source of the next outing.
    """

    def __init__(self, parent=None):
        super().__init__(parent)
        self.setWindowTitle(tr("Simulate an outing"))
        self.setObjectName("LakefloorSimulator")
        self.player, self.wrong = None, Wrong()
        self._make_fields()
        self._lay_out()
        self._look = QTimer(self)
        self._look.setInterval(_LOOK_MS)
        self._look.timeout.connect(self._show)
        self._show()

    # -- fields ---------------------------------------------------------------

    def _make_fields(self):
        self.logs = LogsField()
        self.logs.set_paths([EXAMPLE_LOG])
        self.speed = QSpinBox()
        self.speed.setRange(1, 50)
        self.speed.setValue(5)
        self.speed.setSuffix(tr(" times as fast"))
        self.way = QComboBox()
        for key, text in _ways().items():
            self.way.addItem(text, key)
        self.port = QSpinBox()
        self.port.setRange(1024, 65535)
        self.port.setValue(_PORT)
        self.way.currentIndexChanged.connect(
            lambda *_: self.port.setEnabled(self.way.currentData() != "pty")
        )
        self.loop = QCheckBox(tr("Begin again at the end"))
        self.seed = QSpinBox()
        self.seed.setRange(0, 999_999)
        self.seed.setToolTip(tr("The same number gives the same faults."))
        self.faults = {name: QCheckBox(text) for name, text in _faults().items()}
        self.where = QLineEdit()
        self.where.setReadOnly(True)
        self.where.setAccessibleName(tr("Where to connect"))
        self.copy = QPushButton(tr("Copy"))
        self.copy.clicked.connect(lambda: QApplication.clipboard().setText(self.where.text()))
        self.bar, self.said = QProgressBar(), QLabel()
        self.said.setWordWrap(True)
        self.said.setTextFormat(Qt.TextFormat.PlainText)

    def _lay_out(self):
        form = QFormLayout()
        form.addRow(tr("&Log"), self.logs)
        form.addRow(tr("&Speed"), self.speed)
        form.addRow(tr("Send &over"), self.way)
        form.addRow(tr("&Port"), self.port)
        form.addRow("", self.loop)
        box, grid = QGroupBox(tr("Faults")), QGridLayout()
        for number, check in enumerate(self.faults.values()):
            grid.addWidget(check, number // 2, number % 2)
        row = QHBoxLayout()
        label = QLabel(tr("&Random seed"))
        label.setBuddy(self.seed)
        row.addWidget(label)
        row.addWidget(self.seed)
        row.addStretch(1)
        grid.addLayout(row, (len(self.faults) + 1) // 2, 0, 1, 2)
        box.setLayout(grid)
        place = QHBoxLayout()
        place.addWidget(self.where, 1)
        place.addWidget(self.copy)
        self._fields = (self.logs, self.speed, self.way, self.port, self.loop, box)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        self.start = buttons.addButton(tr("Start"), QDialogButtonBox.ButtonRole.ActionRole)
        self.start.clicked.connect(self._toggle)
        buttons.rejected.connect(self.reject)
        column = QVBoxLayout(self)
        column.addWidget(self.wrong)
        column.addLayout(form)
        column.addWidget(box)
        column.addStretch(1)
        column.addWidget(self.said)
        column.addLayout(place)
        column.addWidget(self.bar)
        column.addWidget(buttons)

    # -- playing --------------------------------------------------------------

    def _toggle(self):
        if self.player is not None:
            self.stop()
            return
        self.wrong.hide()
        try:
            self.play()
        except (LakefloorError, OSError) as error:
            self.wrong.say(str(error))
        self._show()

    def play(self):
        """Play what was asked for.

        Raises
        ------
        LakefloorError, OSError
            If there is no such log, or the port cannot be used.
        """
        chosen = [name for name, check in self.faults.items() if check.isChecked()]
        shares = {name: _SHARES.get(name, _USUAL_SHARE) for name in chosen}
        whole = with_faults(timeline(logs_of(self.logs.paths())), shares, self.seed.value())
        outlet = self._outlet()
        loops = self.loop.isChecked()
        self.player = Player(whole, self.speed.value(), outlet, loops, waits=True).start()
        self._offer()
        self._look.start()

    def stop(self):
        """Stop playing."""
        self._look.stop()
        if self.player is not None:
            self.player.stop()
        self.player = None
        self._show()

    def _offer(self):
        """Offer what plays as the source of the next outing."""
        _settings.keep_sources([self.player.outlet.spec])
        self.where.setText(self.player.place)

    def _outlet(self):
        way, port = self.way.currentData(), self.port.value()
        return {"tcp": lambda: TcpOutlet(port), "udp": lambda: UdpOutlet(port), "pty": PtyOutlet}[
            way
        ]()

    def _show(self):
        playing = self.player is not None
        if playing and not self.player.is_playing:
            self.stop()
            self.said.setText(tr("The log has ended."))
            return
        for field in self._fields:
            field.setEnabled(not playing)
        self.port.setEnabled(not playing and self.way.currentData() != "pty")
        self.start.setText(tr("Stop") if playing else tr("Start"))
        self.copy.setEnabled(playing)
        if not playing:
            self.where.clear()
            self.bar.setValue(0)
            self.said.setText(
                tr("Start, then go on the water: the simulator is chosen as the source there.")
            )
            return
        if self.where.text() != self.player.place:  # it was unplugged
            self._offer()
        self.bar.setValue(int(100 * self.player.share))
        self.said.setText(self._how_it_goes(self.player.outlet))

    def _how_it_goes(self, outlet):
        if outlet.is_heard:
            text = tr("It plays, also when this window is closed. Source:")
        elif self.player.sent:
            text = tr("It plays, but nobody is connected. Source:")
        else:
            text = tr("It begins as soon as somebody connects. Source:")
        if outlet.is_elsewhere:
            taken = tr("Another program uses port {}, so another port is used.")
            text = taken.format(self.port.value()) + " " + text
        return text


def _ways() -> dict:
    ways = {"tcp": tr("TCP, to any number of programs"), "udp": tr("UDP, to one program")}
    if os.name == "posix":
        ways["pty"] = tr("A port that looks like a serial one")
    return ways


def _faults() -> dict:
    """Return the faults by name, as people read them."""
    return {name: tr(text) for name, (_, text) in FAULTS.items()}
