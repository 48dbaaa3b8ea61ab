"""A depth profile along a line drawn on the map."""

from __future__ import annotations

import re
from pathlib import Path

from qgis.core import QgsFeature, QgsProcessingUtils, QgsVectorLayer
from qgis.gui import QgsMessageBar
from qgis.PyQt.QtWidgets import QDialog, QDialogButtonBox, QFileDialog, QTextBrowser, QVBoxLayout

from ...algorithms._i18n import tr
from ...algorithms._io.whole_files import write_text_whole
from ...algorithms._styling.look import INK, WHITE
from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.units import LENGTH_NAMES
from .lake_layers import layers_of
from .line_tool import LineTool
from .readout import depth_unit
from .tool_action import ToolAction

__all__ = ["ProfileAction", "ProfileWindow"]


class ProfileAction(ToolAction):
    """Draw a line; the algorithm *Depth profile along a line* runs, and its report is shown."""

    WRITES = False

    def __init__(self, iface, lake, runner):
        super().__init__(
            iface,
            lake,
            tr("Depth profile"),
            tr("Draw a line on the map to see the depth along it. Right click ends the line."),
            "profile.svg",
        )
        self._runner, self._window, self._run = runner, None, None
        self._tool = LineTool(iface.mapCanvas())
        self._tool.drawn.connect(self.show_profile)

    def begin(self):
        self._surface()
        self.take(self._tool)
        self.tell(tr("Click along the line. Right click ends it, Esc cancels it."))

    def tear_down(self):
        if self._window is not None:
            self._window.close()
        self._tool.tear_down()
        super().tear_down()

    def show_profile(self, line):
        """Run the algorithm along a line in the CRS of the map, and show what it finds."""
        try:
            parameters = self._parameters(line)
        except LakefloorError as error:
            self.warn(error)
            return
        if self._run is not None:
            self._runner.cancel(self._run)
        self._run = self._runner.start(
            "lakefloor:depthprofile",
            parameters,
            title=tr("Depth profile"),
            lake=self.lake.folder.path,
            writes=False,
            finished=self._ended,
        )

    def _surface(self):
        surfaces = layers_of(self.lake, "surface")
        if not surfaces:
            raise LakefloorError(tr("There is no depth surface yet. Map the lake first."))
        return surfaces[0]

    def _parameters(self, line) -> dict:
        crs = self.iface.mapCanvas().mapSettings().destinationCrs()
        drawn = QgsVectorLayer("LineString", tr("Drawn line"), "memory")
        drawn.setCrs(crs)
        feature = QgsFeature()
        feature.setGeometry(line)
        drawn.dataProvider().addFeature(feature)
        bottom_type = layers_of(self.lake, "bottom_type")
        return {
            "INPUT": self._surface(),
            "LINES": drawn,
            "BOTTOM_TYPE": bottom_type[0] if bottom_type else None,
            "UNIT": LENGTH_NAMES[depth_unit(self.lake)],
            "OUTPUT": "memory:",
            "REPORT": QgsProcessingUtils.generateTempFilename("depth_profile.html"),
        }

    def _ended(self, run):
        if run is not self._run:
            return  # another line was drawn meanwhile
        self._run = None
        if run.state != "done":
            self._tool.clear()
            self.warn(run.error)
            return
        if self._window is None:
            self._window = ProfileWindow(self.iface.mainWindow())
            self._window.finished.connect(self._tool.clear)
        self._window.show_report(run.results["REPORT"])


class ProfileWindow(QDialog):
    """Shows the report of a profile: plot, figures and table."""

    def __init__(self, parent):
        super().__init__(parent)
        self.setWindowTitle(tr("Depth profile"))
        self.setObjectName("lakefloorProfile")
        self.resize(1120, 760)
        self._path = None
        self.page = QTextBrowser()
        # The report is made for paper, whatever the theme of the window.
        self.page.setStyleSheet(f"background: {WHITE}; color: {INK};")
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        save = buttons.addButton(tr("Save report\u2026"), QDialogButtonBox.ButtonRole.ActionRole)
        save.clicked.connect(self._save)
        buttons.rejected.connect(self.reject)
        self.bar = QgsMessageBar()
        layout = QVBoxLayout(self)
        layout.addWidget(self.bar)
        layout.addWidget(self.page)
        layout.addWidget(buttons)

    def show_report(self, path):
        """Show a report and bring the window to the front."""
        self._path = str(path)
        page = Path(path).read_text(encoding="utf-8")
        # Qt knows little of the styles of a page, and sets it far apart with them.
        page = re.sub("<style>.*?</style>", "", page, flags=re.DOTALL)
        self.page.setHtml(re.sub("(<img [^>]*>)", r"<p>\1</p>", page))
        self.show()
        self.raise_()

    def _save(self):
        path, _ = QFileDialog.getSaveFileName(
            self, tr("Save report"), tr("depth profile") + ".html", tr("HTML (*.html)")
        )
        if path:
            self.save_to(path)

    def save_to(self, path):
        """Copy the report, or say in the window why it cannot be done."""
        try:
            write_text_whole(Path(path), Path(self._path).read_text(encoding="utf-8"))
        except OSError as error:
            self.bar.pushWarning(
                "",
                tr(
                    "Cannot write '{}' ({}). Close other programs that have it open, or choose "
                    "another place."
                ).format(path, error.strerror),
            )
