"""One row of the form for sources: kind, place, baud rate."""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.gui import QgsFileWidget
from qgis.PyQt.QtCore import QObject, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QStackedWidget,
    QToolButton,
)

from ...algorithms._i18n import tr
from .sources.opening import possible_sources
from .sources.spec import BAUD_RATES, KINDS, SourceSpec


class PortField(QComboBox):
    """A serial port of those that are there when the list opens, or one that is typed."""

    def __init__(self):
        super().__init__()
        self.setEditable(True)
        self.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(10)
        self.lineEdit().setPlaceholderText(tr("No port found: plug in the device"))
        self._look()

    def showPopup(self):
        place, name = self.chosen()
        self._look()
        self.choose(place, name)
        super().showPopup()

    def chosen(self) -> tuple:
        """Return place and name."""
        text, index = self.currentText().strip(), self.currentIndex()
        if index >= 0 and text == self.itemText(index):
            return self.itemData(index), text
        return text, ""

    def choose(self, place, name=""):
        """Choose a port, be it there or not."""
        index = self.findData(place)
        if index < 0 and place and name:
            self.addItem(name, place)
            index = self.count() - 1
        self.setCurrentIndex(index)
        if index < 0:
            self.setEditText(place)

    def _look(self):
        self.clear()
        for spec in possible_sources():
            self.addItem(spec.name or spec.place, spec.place)


class SourceRow(QObject):
    """The widgets of a row; a form lays them out."""

    changed = pyqtSignal()

    def __init__(self, parent, spec: SourceSpec):
        super().__init__(parent)
        self.kind, self.baud, self.remove = QComboBox(), QComboBox(), QToolButton()
        for kind, text in zip(KINDS, _kinds()):
            self.kind.addItem(text, kind)
        for baud in BAUD_RATES:
            self.baud.addItem(str(baud), baud)
        self.port, self.host, self.local, self.file = (
            PortField(),
            QLineEdit(),
            QLineEdit(),
            QgsFileWidget(),
        )
        self.host.setPlaceholderText(tr("Host and port, such as 192.168.1.1:10110"))
        self.local.setPlaceholderText(tr("Port of this computer, such as 10110"))
        self.file.lineEdit().setPlaceholderText(tr("File into which another program writes"))
        self.note = QLabel(tr("Positions only"))
        self.place = QStackedWidget()
        self.place.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        for widget in (self.port, self.host, self.local, self.file, self.note):
            self.place.addWidget(widget)
        self.remove.setIcon(QgsApplication.getThemeIcon("/symbologyRemove.svg"))
        self.remove.setAutoRaise(True)
        self._show(spec)
        self._connect()

    def spec(self) -> SourceSpec:
        """Return what is chosen."""
        kind, name = self.kind.currentData(), ""
        if kind == "serial":
            place, name = self.port.chosen()
        elif kind == "file":
            place = self.file.filePath().strip()
        else:
            place = {"tcp": self.host, "udp": self.local}[kind].text() if kind != "qgis" else ""
        return SourceSpec(kind, place.strip(), self.baud.currentData(), name)

    def set_number(self, number):
        """Name the widgets for those who hear them read out."""
        names = (
            (self.kind, tr("Kind of source {}")),
            (self.port, tr("Serial port of source {}")),
            (self.host, tr("Host and port of source {}")),
            (self.local, tr("UDP port of source {}")),
            (self.file, tr("File of source {}")),
            (self.baud, tr("Baud rate of source {}")),
            (self.remove, tr("Remove source {}")),
        )
        for widget, name in names:
            widget.setAccessibleName(name.format(number))
        self.file.lineEdit().setAccessibleName(tr("File of source {}").format(number))
        self.remove.setToolTip(tr("Remove source {}").format(number))

    def tab_order(self) -> list:
        """Return the widgets in the order in which the tab key goes through them."""
        fields = (self.port, self.host, self.local, self.file)
        return [self.kind, *fields, self.baud, self.remove]

    def widgets(self) -> tuple:
        """Return kind, place, baud rate and the button, from left to right."""
        return self.kind, self.place, self.baud, self.remove

    def _connect(self):
        self.kind.currentIndexChanged.connect(self._show_kind)
        self.port.editTextChanged.connect(self._tell)
        self.host.textChanged.connect(self._tell)
        self.local.textChanged.connect(self._tell)
        self.file.fileChanged.connect(self._tell)
        self.baud.currentIndexChanged.connect(self._tell)

    def _tell(self, *_):
        self.changed.emit()

    def _show(self, spec):
        self.kind.setCurrentIndex(max(0, self.kind.findData(spec.kind)))
        if spec.kind == "serial":
            self.port.choose(spec.place, spec.name)
        elif spec.kind == "file":
            self.file.setFilePath(spec.place)
        elif spec.kind != "qgis":
            {"tcp": self.host, "udp": self.local}[spec.kind].setText(spec.place)
        self.baud.setCurrentIndex(max(0, self.baud.findData(spec.baud)))
        self._show_kind()

    def _show_kind(self, *_):
        self.place.setCurrentIndex(KINDS.index(self.kind.currentData()))
        self.baud.setVisible(self.kind.currentData() == "serial")
        self.changed.emit()


def _kinds():
    """Return what people read, in the order of :data:`KINDS`."""
    return (tr("Serial port"), tr("TCP"), tr("UDP"), tr("Growing file"), tr("QGIS's GPS panel"))
