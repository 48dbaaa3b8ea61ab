"""Marks set by a click on the map."""

from __future__ import annotations

from qgis.core import (
    QgsCoordinateTransform,
    QgsCsException,
    QgsFeature,
    QgsGeometry,
    QgsPointXY,
    QgsWkbTypes,
)
from qgis.gui import QgsMapToolEmitPoint
from qgis.PyQt.QtCore import QDateTime, Qt
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QLineEdit,
    QPlainTextEdit,
)

from ...algorithms._i18n import tr
from ...algorithms._io.layer_crs import wgs84
from ...algorithms.core.errors import LakefloorError
from .lake_layers import project_of
from .own_layers import own_layer
from .tool_action import ToolAction

__all__ = ["MARK_FIELDS", "MarkAction", "MarkForm"]

#: Columns of a new file of marks: those of imported waypoints, so that all marks are alike.
MARK_FIELDS = (
    ("name", "text"),
    ("note", "text"),
    ("symbol", "text"),
    ("depth_m", "double"),
    ("elevation_m", "double"),
    ("time", "datetime"),
    ("route", "text"),
    ("route_no", "int"),
)


def mark_kinds() -> dict:
    """Return the kinds of marks as they are kept, which devices know, and as they are shown."""
    return {
        "Waypoint": tr("Place"),
        "Fish": tr("Fish"),
        "Weed": tr("Weeds"),
        "Rock": tr("Rock"),
        "Hump": tr("Hump"),
        "Hole": tr("Hole"),
        "Drop-off": tr("Drop-off"),
        "Danger": tr("Danger"),
        "Buoy": tr("Buoy"),
        "Boat Ramp": tr("Boat ramp"),
        "Dock": tr("Dock"),
        "Anchor": tr("Anchorage"),
    }


class MarkAction(ToolAction):
    """Click on the map, fill in three fields; the mark goes into the lake's marks.

    The marks are in an edit session while the tool is in use, so that QGIS undoes and redoes
    them. They are saved when the tool is left.
    """

    def __init__(self, iface, lake):
        super().__init__(
            iface,
            lake,
            tr("Set a mark"),
            tr("Click on the map to set a mark with a name, a kind and a note."),
            "mark.svg",
        )
        self._tool = QgsMapToolEmitPoint(iface.mapCanvas())
        self._tool.setCursor(Qt.CursorShape.CrossCursor)
        self._tool.canvasClicked.connect(self._clicked)
        self._tool.deactivated.connect(self.save)
        self._layer_id, self._form = None, None

    def begin(self):
        self._layer()
        self.take(self._tool)

    def tear_down(self):
        self.iface.mapCanvas().unsetMapTool(self._tool)
        if self._form is not None:
            self._form.close()
        super().tear_down()

    def set_mark(self, point, name, kind, note):
        """Add a mark to the edit session.

        Parameters
        ----------
        point : QgsPointXY
            In the CRS of the map.
        name, kind, note : str
        """
        layer = self._layer()
        mark = QgsFeature(layer.fields())
        mark.setGeometry(QgsGeometry.fromPointXY(self._placed(point, layer)))
        values = {
            "name": name,
            "symbol": kind,
            "note": note,
            "time": QDateTime.currentDateTimeUtc(),
        }
        for field, value in values.items():
            if value and layer.fields().indexFromName(field) >= 0:
                mark.setAttribute(field, value)
        if not layer.isEditable() and not layer.startEditing():
            raise LakefloorError(
                tr("Layer '{}' cannot be edited. Make sure that its file can be written.").format(
                    layer.name()
                )
            )
        layer.beginEditCommand(tr("Mark '{}'").format(name))
        if not layer.addFeature(mark):
            layer.destroyEditCommand()
            raise LakefloorError(
                tr("Layer '{}' takes no further mark. Check its fields.").format(layer.name())
            )
        layer.endEditCommand()
        # Undo and redo of QGIS work on the active layer.
        self.iface.setActiveLayer(layer)
        layer.triggerRepaint()

    def save(self):
        """Save the marks; what cannot be saved stays in the edit session."""
        layer = None
        if self._layer_id is not None:
            layer = project_of(self.lake).mapLayer(self._layer_id)
        self._layer_id = None
        if layer is not None and layer.isEditable() and not layer.commitChanges():
            self.warn(
                tr("The marks are not saved yet ({}). Save the edits of layer '{}'.").format(
                    "; ".join(layer.commitErrors()), layer.name()
                )
            )

    def _layer(self):
        layer = own_layer(
            self.lake,
            "marks",
            self.lake.folder.marks,
            (MARK_FIELDS, QgsWkbTypes.Type.Point, wgs84()),
        )
        self._layer_id = layer.id()
        return layer

    def _placed(self, point, layer):
        """Return a point of the map in the CRS of a layer."""
        crs = self.iface.mapCanvas().mapSettings().destinationCrs()
        project = project_of(self.lake)
        try:
            return QgsCoordinateTransform(crs, layer.crs(), project).transform(point)
        except QgsCsException:
            raise LakefloorError(
                tr("There is no such place on Earth. Check the CRS of the project.")
            ) from None

    def _clicked(self, point, button):
        if button != Qt.MouseButton.LeftButton or self._form is not None:
            return
        point = QgsPointXY(point)  # that of the signal ends with it
        form = self._form = MarkForm(self.iface.mainWindow())
        form.accepted.connect(lambda: self._filled(point, form))
        form.finished.connect(self._form_left)
        form.open()

    def _filled(self, point, form):
        try:
            self.set_mark(point, *form.values())
        except LakefloorError as error:
            self.warn(error)

    def _form_left(self, *_):
        self._form.deleteLater()
        self._form = None


class MarkForm(QDialog):
    """Name, kind and note of a mark."""

    def __init__(self, parent):
        super().__init__(parent)
        self.setWindowTitle(tr("Mark"))
        self.setObjectName("lakefloorMark")
        self.name, self.kind, self.note = QLineEdit(), QComboBox(), QPlainTextEdit()
        self.kind.setEditable(True)
        for kept, shown in mark_kinds().items():
            self.kind.addItem(shown, kept)
        self.note.setFixedHeight(5 * self.note.fontMetrics().lineSpacing())
        self.note.setTabChangesFocus(True)
        standard = QDialogButtonBox.StandardButton
        buttons = QDialogButtonBox(standard.Ok | standard.Cancel)
        self._ok = buttons.button(standard.Ok)
        self._ok.setEnabled(False)
        self.name.textChanged.connect(lambda text: self._ok.setEnabled(bool(text.strip())))
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        layout = QFormLayout(self)
        layout.addRow(tr("&Name"), self.name)
        layout.addRow(tr("&Kind"), self.kind)
        layout.addRow(tr("N&ote"), self.note)
        layout.addRow(buttons)

    def values(self) -> tuple:
        """Return name, kind and note; a kind of the list as it is kept, another as it was typed."""
        shown = self.kind.currentText().strip()
        kinds = {words: kept for kept, words in mark_kinds().items()}
        return (self.name.text().strip(), kinds.get(shown, shown), self.note.toPlainText().strip())
