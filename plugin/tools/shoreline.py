"""Drawing the shoreline, step by step, with the soundings beneath."""

from __future__ import annotations

from qgis.core import (
    QgsApplication,
    QgsCoordinateTransform,
    QgsCsException,
    QgsEditFormConfig,
    QgsFeature,
    QgsMapLayerProxyModel,
    QgsProcessingFeedback,
    QgsSnappingConfig,
    QgsWkbTypes,
)
from qgis.gui import QgsMapLayerComboBox
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
)

from ...algorithms._i18n import in_local_numbers, tr
from ...algorithms._io.layer_crs import metric_crs
from ...algorithms._project.showing import show_file
from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.number_text import counted
from ...algorithms.core.wording.amounts import AREA_UNITS
from .lake_layers import layers_of, project_of
from .own_layers import own_layer
from .readout import depth_unit
from .tool_action import ToolAction, show_beside

__all__ = ["ShorelineAction", "ShorelineGuide"]

_FIELDS = (("name", "text"),)
_POLYGON = QgsWkbTypes.Type.MultiPolygon


class ShorelineAction(ToolAction):
    """Open the guide: draw the shoreline with QGIS's own digitizing, or take a polygon, and check it."""

    def __init__(self, iface, lake):
        super().__init__(
            iface,
            lake,
            tr("Draw the shoreline"),
            tr("Draw the shore of the lake over the soundings, or take it from another layer."),
            "shoreline.svg",
        )
        self.guide, self._task, self._snapping = None, None, None

    def begin(self):
        if self.guide is not None:
            self.guide.raise_()
            return
        soundings = self._soundings()
        layer = self._layer(soundings)
        self._show_beneath(layer, soundings)
        self._edit(layer)
        self._without_snapping()
        guide = self.guide = ShorelineGuide(self.iface.mainWindow(), layer, soundings is not None)
        for button, action in (
            (guide.draw, "actionAddFeature"),
            (guide.island, "actionAddRing"),
            (guide.vertices, "actionVertexTool"),
        ):
            button.clicked.connect(self.while_open(lambda *_, name=action: self._digitize(name)))
        guide.taken.connect(self.while_open(self.take_from))
        guide.check.clicked.connect(self.while_open(lambda *_: self.look()))
        guide.chosen.connect(self.while_open(self.zoom_to))
        guide.save.clicked.connect(self.while_open(lambda *_: self.save()))
        guide.finished.connect(self._left)
        show_beside(guide)

    def leave(self):
        if self.guide is not None:
            self.guide.close()

    def tear_down(self):
        self.leave()
        super().tear_down()

    # -- what the guide asks for ---------------------------------------------------

    def take_from(self, other):
        """Take the selected polygons of another layer, or its only one, as the shoreline."""
        try:
            count = self._take(other, self._edit(self._layer()))
        except LakefloorError as error:
            self.warn(error)
            return
        self.tell(tr("{} taken over.").format(counted(count, tr("polygon"), tr("polygons"))))
        self.look()

    def look(self):
        """Check the shoreline, and list what is wrong."""
        from .shoreline_checks import OutsideTask, shape_findings

        layer, soundings = self._layer(), self._soundings()
        found = shape_findings(layer)
        self.guide.tell(_summary(layer, depth_unit(self.lake)))
        self.guide.show_findings(found)
        if self._task is not None:
            self._task.cancel()
            self._task = None
        if soundings is None or found:
            return
        self.guide.wait(True)
        self._task = OutsideTask(layer, soundings, depth_unit(self.lake), self._looked)
        QgsApplication.taskManager().addTask(self._task)

    def zoom_to(self, finding):
        """Show the place of a finding."""
        canvas, project = self.iface.mapCanvas(), project_of(self.lake)
        to_map = QgsCoordinateTransform(
            finding.crs, canvas.mapSettings().destinationCrs(), project.transformContext()
        )
        canvas.setExtent(to_map.transformBoundingBox(finding.box))
        canvas.refresh()

    def save(self):
        """Save the shoreline."""
        layer = self._layer()
        if layer.isEditable() and not layer.commitChanges(False):
            self.warn(
                tr(
                    "The shoreline is not saved ({}). Make sure that its file can be written."
                ).format("; ".join(layer.commitErrors()))
            )
            return
        self.tell(tr("The shoreline is saved."))

    # ------------------------------------------------------------------------------

    def _soundings(self):
        """Return the soundings to draw over: of the map, or of the database before there is one."""
        there = layers_of(self.lake, "soundings")
        if there:
            return there[0]
        database = self.lake.folder.database
        if not database.exists():
            return None
        project = project_of(self.lake)
        layer = show_file(project, self.lake.folder, "soundings", database)
        layer.setReadOnly(True)
        return layer

    def _show_beneath(self, layer, soundings):
        """Show the soundings, all of them where no shoreline is drawn yet."""
        if soundings is None:
            return
        node = project_of(self.lake).layerTreeRoot().findLayer(soundings.id())
        if node is not None:
            node.setItemVisibilityCheckedParentRecursive(True)
        canvas = self.iface.mapCanvas()
        extent = canvas.mapSettings().layerExtentToOutputExtent(soundings, soundings.extent())
        if layer.featureCount() == 0 and not extent.isEmpty():
            extent.scale(1.3)
            canvas.setExtent(extent)
            canvas.refresh()

    def _layer(self, soundings=None):
        canvas = self.iface.mapCanvas()
        crs, extent = canvas.mapSettings().destinationCrs(), canvas.extent()
        if soundings is not None:
            crs, extent = soundings.crs(), soundings.extent()
        if not (layers_of(self.lake, "shoreline") or self.lake.folder.shoreline.exists()):
            crs = metric_crs(crs, extent, tr("Map"), QgsProcessingFeedback())
        return own_layer(
            self.lake, "shoreline", self.lake.folder.shoreline, (_FIELDS, _POLYGON, crs)
        )

    def _edit(self, layer):
        if not layer.isEditable() and not layer.startEditing():
            raise LakefloorError(
                tr("Layer '{}' cannot be edited. Make sure that its file can be written.").format(
                    layer.name()
                )
            )
        form = layer.editFormConfig()
        form.setSuppress(QgsEditFormConfig.FeatureFormSuppress.SuppressOn)
        layer.setEditFormConfig(form)
        self.iface.setActiveLayer(layer)
        return layer

    def _digitize(self, action):
        """Start one of QGIS's own tools on the shoreline."""
        try:
            self._edit(self._layer())
        except LakefloorError as error:
            self.warn(error)
            return
        getattr(self.iface, action)().trigger()

    def _take(self, other, layer) -> int:
        features = list(other.getSelectedFeatures())
        if not features and other.featureCount() == 1:
            features = list(other.getFeatures())
        if not features:
            raise LakefloorError(
                tr("Nothing is selected in layer '{}'. Select the polygon of the lake.").format(
                    other.name()
                )
            )
        to_layer = QgsCoordinateTransform(other.crs(), layer.crs(), project_of(self.lake))
        layer.beginEditCommand(tr("Polygons of '{}'").format(other.name()))
        try:
            for feature in features:
                self._add(feature.geometry(), to_layer, layer)
        except (LakefloorError, QgsCsException) as error:
            layer.destroyEditCommand()
            raise LakefloorError(
                tr("The polygons of layer '{}' cannot be taken over: {}").format(
                    other.name(), error
                )
            ) from None
        layer.endEditCommand()
        layer.triggerRepaint()
        return len(features)

    def _add(self, geometry, to_layer, layer):
        geometry.transform(to_layer)
        for part in geometry.coerceToType(layer.wkbType()):
            feature = QgsFeature(layer.fields())
            feature.setGeometry(part)
            if not layer.addFeature(feature):
                raise LakefloorError(tr("the layer takes no further polygon."))

    def _looked(self, found):
        self._task = None
        if self.guide is not None:
            self.guide.wait(False)
            self.guide.show_findings(found)

    def _without_snapping(self):
        """Let the shore be drawn freely; what was set before comes back with the end."""
        project = project_of(self.lake)
        self._snapping = QgsSnappingConfig(project.snappingConfig())
        free = QgsSnappingConfig(self._snapping)
        free.setEnabled(False)
        project.setSnappingConfig(free)

    def _left(self, *_):
        if self._task is not None:
            self._task.cancel()
            self._task = None
        project_of(self.lake).setSnappingConfig(self._snapping)
        for layer in layers_of(self.lake, "shoreline"):
            if layer.isModified():
                self.warn(
                    tr("Layer '{}' has edits that are not saved. Save or discard them.").format(
                        layer.name()
                    )
                )
            elif layer.isEditable():
                layer.commitChanges()
        self.guide.deleteLater()
        self.guide = None


@in_local_numbers
def _summary(layer, unit) -> str:
    """Return how large the lake is as it is drawn, in words."""
    if not layer.featureCount():
        return ""
    from .shoreline_checks import area_of

    area, parts, islands = area_of(layer)
    size, name = AREA_UNITS[unit]
    return tr("{}, {}, {:,.1f} {}").format(
        counted(parts, tr("polygon"), tr("polygons")),
        counted(islands, tr("island"), tr("islands")),
        area / size,
        name,
    )


class ShorelineGuide(QDialog):
    """The steps and checks of a shoreline; it stays beside the map while that is drawn on."""

    #: Polygons of this layer are to be taken.
    taken = pyqtSignal(object)
    #: A finding was chosen from the list.
    chosen = pyqtSignal(object)

    def __init__(self, parent, layer, has_soundings):
        super().__init__(parent)
        self.setWindowTitle(tr("Draw the shoreline"))
        self.setObjectName("lakefloorShoreline")
        self.setModal(False)
        self.draw = QPushButton(tr("Draw a polygon"))
        self.island = QPushButton(tr("Cut out an island"))
        self.vertices = QPushButton(tr("Move vertices"))
        self.check, self.save = QPushButton(tr("Check")), QPushButton(tr("Save"))
        self._others = QgsMapLayerComboBox()
        self._others.setFilters(QgsMapLayerProxyModel.Filter.PolygonLayer)
        self._others.setExceptedLayerList([layer])
        self._use = QPushButton(tr("Use its selected polygon"))
        self._use.clicked.connect(lambda: self.taken.emit(self._others.currentLayer()))
        self._others.layerChanged.connect(lambda other: self._use.setEnabled(other is not None))
        self._use.setEnabled(self._others.currentLayer() is not None)
        self._state, self._findings = QLabel(), QListWidget()
        self._findings.itemClicked.connect(self._choose)
        self._findings.itemActivated.connect(self._choose)
        self._lay_out(has_soundings)

    def tell(self, text):
        """Show what is drawn so far."""
        self._state.setText(text)

    def wait(self, waiting):
        """Show that the soundings are being looked at."""
        self.check.setEnabled(not waiting)
        self.check.setText(tr("Checking\u2026") if waiting else tr("Check"))

    def show_findings(self, findings):
        """Show findings; those with a place can be chosen."""
        self._findings.clear()
        for finding in findings:
            item = QListWidgetItem(finding.text, self._findings)
            item.setData(Qt.ItemDataRole.UserRole, finding)
            if finding.box is not None:
                item.setToolTip(tr("Click to see the place."))
        if not findings:
            QListWidgetItem(tr("Nothing is wrong with the shoreline."), self._findings)

    def _choose(self, item):
        finding = item.data(Qt.ItemDataRole.UserRole)
        if finding is not None and finding.box is not None:
            self.chosen.emit(finding)

    def _lay_out(self, has_soundings):
        beneath = (
            tr("Draw along the shore, outside all soundings. Right click ends the polygon.")
            if has_soundings
            else tr(
                "There are no soundings yet. Read the logs first if the shore is not clear "
                "from the map. Right click ends the polygon."
            )
        )
        layout = QVBoxLayout(self)
        layout.addWidget(_box(tr("1. Draw"), beneath, self.draw, self.island, self.vertices))
        layout.addWidget(
            _box(
                tr("Or take it from another layer"),
                tr("Load open data yourself, select the polygon of the lake, choose its layer."),
                self._others,
                self._use,
            )
        )
        layout.addWidget(
            _box(
                tr("2. Check"),
                tr("Looks for edges that cross, overlaps, and soundings outside."),
                self.check,
            )
        )
        layout.addWidget(self._state)
        layout.addWidget(self._findings, 1)
        layout.addWidget(_box(tr("3. Save"), "", self.save))
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.reject)
        layout.addWidget(buttons)
        for button in self.findChildren(QPushButton):
            button.setAutoDefault(False)


def _box(title, text, *widgets) -> QGroupBox:
    """Return a step: its title, what to do, and what to do it with."""
    box = QGroupBox(title)
    layout = QVBoxLayout(box)
    if text:
        words = QLabel(text)
        words.setWordWrap(True)
        layout.addWidget(words)
    row = QHBoxLayout()
    for widget in widgets:
        row.addWidget(widget)
    layout.addLayout(row)
    return box
