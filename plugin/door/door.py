"""The front door as a whole: the panel, the lake that is open, and what is done when it is asked."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsApplication, QgsProject
from qgis.PyQt.QtCore import QObject, Qt, QTimer, QUrl
from qgis.PyQt.QtGui import QDesktopServices
from qgis.PyQt.QtWidgets import QFileDialog

from ...algorithms import _settings
from ...algorithms._i18n import tr
from ...algorithms._libraries import import_libraries
from ...algorithms.core.errors import LakefloorError
from ..running import Runner
from . import project as projects
from . import texts
from .add_visits import AddVisits
from .making import LakeMaker
from .panel import LakePanel
from .spreading import Spread
from .step_form import StepForm
from .taking import StepTaker, newest_outputs, runs_of, step_of_run
from .water import Water
from .welcome import remember
from .work import LakeWork


class Door(QObject):
    """Joins the panel with the open lake and the runs; lives as long as the plugin."""

    def __init__(self, iface):
        super().__init__(iface.mainWindow())
        # Before a thread does.
        import_libraries("pyproj")
        self.iface = iface
        self.runner, self.work = Runner(self), LakeWork(self)
        self.taker, self.spread = StepTaker(self.runner, self), Spread(self)
        self.maker = LakeMaker(self.runner, self.taker, self)
        self.panel = LakePanel(iface.mainWindow())
        self.water = Water(iface, self.work, self.taker, self.panel, self)
        iface.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, self.panel)
        #: Whether the project of the open lake was closed while something ran for it.
        self._left = False
        self._form = None
        self._put_in_tools()
        self._connect()
        self.panel.show_lake(self.work)
        self.runner.warm()

    def _put_in_tools(self):
        """Put the readout of the map and the tools on the map into the panel."""
        from ..tools import Readout, tools_for

        self.tools = tools_for(self.iface, self.work, self.runner)
        self.readout = Readout(self.iface, self.work)
        self.panel.page.put_in(self.readout, self.tools)

    def _connect(self):
        work, page, welcome = self.work, self.panel.page, self.panel.welcome
        work.opened.connect(self._show_lake)
        work.looked.connect(self._show_seen)
        work.changing.connect(self._show_changing)
        self.runner.changed.connect(self._show_run)
        for source in (work, self.taker, self.maker, self.water):
            source.told.connect(self.tell)
        self.water.form_made.connect(self._show_form)
        self.water.changed.connect(self._show_water)
        self.taker.came_out.connect(self._show_result)
        self.maker.made.connect(self.open)
        self.maker.refused.connect(self.ask_new_lake)
        self.maker.brought.connect(self._show_brought)
        welcome.example_asked.connect(self.open_example)
        welcome.new_asked.connect(self.ask_new_lake)
        welcome.open_asked.connect(self.ask_lake)
        welcome.lake_asked.connect(self.open)
        page.menu_asked.connect(self._do)
        page.take_over_asked.connect(work.take_over)
        page.steps.asked.connect(self.take_step)
        self.panel.run.canceled.connect(self.runner.cancel)
        page.said.layer_asked.connect(self._show_layer)
        page.said.weakest_asked.connect(self._show_weakest)
        page.said.document_asked.connect(self._open_file)
        self._connect_visits(page.visits)
        project = QgsProject.instance()
        self._leave_unguarded = projects.guard(project)
        project.readProject.connect(self._follow_project)
        project.cleared.connect(self.spread.forget)
        project.cleared.connect(self._leave_project)

    def _connect_visits(self, visits):
        visits.turned.connect(lambda name, on: self._change("switch_visits", [name], on))
        visits.renamed.connect(lambda old, new: self._change("rename_visit", old, new))
        visits.removed.connect(lambda name: self._change("remove", [name]))
        visits.undone.connect(lambda: self._change("undo"))

    def _change(self, name, *given):
        """Change the lake database beside the window, by a function of its room."""

        def work(path):
            from ...algorithms import _store

            return getattr(_store, name)(path, *given)

        self.work.change(work, self._show_statuses)

    def _show_statuses(self):
        """Let the soundings on the map show what the lake database says now."""
        from ..tools import show_statuses

        show_statuses(self.work, done=lambda wrong: wrong and self.tell(wrong, True))

    def stop(self):
        """Cancel what runs, give the lake back and take the panel away."""
        project = QgsProject.instance()
        project.readProject.disconnect(self._follow_project)
        project.cleared.disconnect(self.spread.forget)
        project.cleared.disconnect(self._leave_project)
        self.spread.forget()
        self._leave_unguarded()
        self.water.stop()
        self.runner.stop()
        self.work.stop()
        if self._form is not None:
            self._form.close()
        for part in (self.readout, *self.tools):
            part.tear_down()
        self.iface.removeDockWidget(self.panel)
        self.panel.deleteLater()
        self.deleteLater()

    def tell(self, text, warning=False):
        """Say something above the map."""
        title = self.work.facts.name if self.work.facts is not None else tr("Lake")
        bar = self.iface.messageBar()
        (bar.pushWarning if warning else bar.pushInfo)(title, text)

    # -- which lake -----------------------------------------------------------

    def open(self, folder):
        """Open the lake in a folder, and show it on the map."""
        if self.water.holds_another(folder) or not projects.make_room(self.iface, folder):
            return
        if self.work.open(folder):
            self._left = False
            remember(self.work.folder.path)
            self._bring(lambda: projects.bring_in(self.iface, self.work.folder))
            # Opening its project may have closed it.
            if self.work.folder is None:
                self.work.open(folder)

    def open_example(self):
        """Open the example lake; the first time it is copied and mapped."""
        self.maker.make_example()

    def ask_new_lake(self, asked=None, wrong=""):
        """Ask for a new lake, and make it; after what went wrong, with what was filled in before."""
        from .new_lake import NewLakeDialog

        dialog = NewLakeDialog(self.iface.mainWindow())
        if asked is not None:
            dialog.fill(asked)
            dialog.wrong.say(wrong)
        dialog.accepted.connect(lambda: self.maker.make(dialog.asked()))
        self._show_form(dialog)

    def ask_lake(self):
        """Ask for the folder of a lake, and open it."""
        start = str(_settings.lakes_folder())
        chosen = QFileDialog.getExistingDirectory(self.panel, tr("Folder of the lake"), start)
        if chosen:
            self.open(chosen)

    def close_lake(self):
        """Close the lake; its layers stay in the project."""
        if not self.water.holds_another(None):
            self.work.close()

    def _follow_project(self, *_):
        project = QgsProject.instance()
        lakes = projects.lakes_in(project)
        lake = lakes[0] if lakes else None
        self._left = self._left and lake != self.work.folder
        if lake is None:
            return
        if lake != self.work.folder:
            if self.water.holds_another(lake.path):
                return
            self.work.open(lake.path)
            remember(lake.path)
        for each in lakes:
            self._bring(lambda each=each: projects.catch_up(project, each))
        # QGIS 3.22 crashed when it saved a project from which layers were removed while it was read.
        QTimer.singleShot(0, self._show_water_again)

    def _show_water_again(self):
        project = QgsProject.instance()
        if self.work.folder in projects.lakes_in(project):
            self.water.show_again(project)

    def _bring(self, bring):
        """Bring layers into the project, and tell what could not be done."""
        try:
            for problem in bring():
                self.tell(problem, True)
        except (LakefloorError, OSError) as error:
            self.tell(str(error), True)

    def _leave_project(self):
        """Close a lake whose project was closed; what runs for it comes to its end first."""
        self.water.put_away()
        if self.work.folder is not None:
            self._left = self._is_running()
            if not self._left:
                self.work.close()

    def _close_left(self):
        if self._left and not self._is_running():
            self._left = False
            self.work.close()

    def _is_running(self):
        runs = runs_of(self.work.folder, self.runner.runs)
        return self.water.is_recording or any(not run.is_over for run in runs)

    # -- steps ----------------------------------------------------------------

    def take_step(self, key, option=""):
        """Take a step of the open lake, or ask for what it needs first."""
        lake = self.work.folder
        if option in ("sheet", "report"):
            self._open_document({"sheet": "map_sheet", "report": "lake_report"}[option])
        elif option in ("file", "gauge"):
            self._ask_file(lake, option)
        elif key == "shoreline":
            self._draw_shoreline()
        elif key in ("visits", "outing") or option == "form":
            self._ask(key, lake)
        else:
            self.taker.take(key, lake)

    def _ask(self, key, lake):
        try:
            name, known = self.taker.known(key, lake)
        except LakefloorError as error:
            self.tell(str(error), True)
            return
        algorithm = QgsApplication.processingRegistry().createAlgorithmById(name)
        canvas, window = self.iface.mapCanvas(), self.iface.mainWindow()
        if key == "visits":
            form = AddVisits(algorithm, known, canvas, window)
            form.filled.connect(lambda options: self._add_visits(lake, form, options))
        else:
            title, run = texts.step_title(key), texts.step_action(key).rstrip("…")
            form = StepForm(algorithm, known, title, run, _ASKED[key], canvas=canvas, parent=window)
            form.filled.connect(lambda options: self.taker.take(key, lake, options))
        self._show_form(form)

    def _ask_file(self, lake, option):
        title = tr("Gauge readings") if option == "gauge" else tr("Shoreline")
        chosen, _ = QFileDialog.getOpenFileName(self.panel, title, str(lake.path))
        if chosen:
            self.maker.bring_in(lake, [chosen])

    def _draw_shoreline(self):
        from ..tools.shoreline import ShorelineAction

        next(tool for tool in self.tools if isinstance(tool, ShorelineAction)).trigger()

    def _show_brought(self, lake):
        if lake == self.work.folder:
            self._bring(lambda: projects.bring_in(self.iface, lake))
            self.work.look()

    def _add_visits(self, lake, form, options):
        logs = form.logs.paths() if form.keep.isChecked() else []
        keep = (lambda: self.maker.bring_in(lake, logs)) if logs else None
        self.taker.take("visits", lake, options, keep)

    def _show_form(self, form):
        form.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        form.finished.connect(self._forget_form)
        self._form = form
        form.show()

    def _forget_form(self, *_):
        self._form = None

    # -- what is shown --------------------------------------------------------

    def _show_lake(self):
        self.panel.show_lake(self.work)
        self._show_seen()

    def _show_seen(self):
        if self.work.folder is None:
            return
        runs = runs_of(self.work.folder, self.runner.runs)
        running = {step_of_run(run): run.progress for run in runs if run.state == "running"}
        self.panel.page.show_seen(self.work, runs, running)
        self.panel.page.show_water(self.water.is_recording, not self.work.read_only)

    def _show_water(self):
        self._show_seen()
        QTimer.singleShot(0, self._close_left)

    def _show_changing(self, is_changing):
        self._show_seen()
        if is_changing:
            self.panel.page.visits.wait()

    def _show_run(self, run):
        self.panel.run.show_runs(self.runner.runs)
        if run in runs_of(self.work.folder, self.runner.runs):
            self._show_seen()
            if run.is_over:
                self.work.look()
                # What comes after a run is started when it has ended.
                QTimer.singleShot(0, self._close_left)

    def _show_result(self, lake, record):
        if self.work.folder == lake and not self._left:
            self.spread.do(
                projects.show_result(self.iface, lake, record),
                lambda shown: self._shown(lake, shown),
                self._warn,
            )
        self.work.look()

    def _shown(self, lake, shown):
        for problem in shown.problems:
            self.tell(problem, True)
        parts = projects.save(QgsProject.instance(), lake)
        self.spread.do(parts, failed=self._warn, after=projects.SETTLED_MS)

    def _warn(self, text):
        self.tell(text, True)

    def _show_layer(self, role):
        layer = self._layer_of(role)
        if layer is not None:
            projects.show_layer(self.iface, layer)

    def _show_weakest(self, role):
        """Zoom to the weakest place of a layer, which is looked for beside the window."""
        layer = self._layer_of(role)
        if layer is None:
            return
        projects.tick(self.iface, layer)
        name, find = layer.id(), projects.weakest_of(layer)

        def show(box):
            there = QgsProject.instance().mapLayer(name)
            if there is not None:
                projects.zoom_to(self.iface, there, box)

        self.work.aside.do(find, show, lambda text: self.tell(text, True))

    def _layer_of(self, role):
        layer = projects.layer_of(QgsProject.instance(), self.work.facts.id, role)
        if layer is None:
            self.tell(
                tr("This layer is no longer in the project. Run its step again to add it."), True
            )
        return layer

    # -- files ----------------------------------------------------------------

    def _do(self, key):
        {
            "new": self.ask_new_lake,
            "open": self.ask_lake,
            "example": self.open_example,
            "folder": lambda: self._open_file(""),
            "backup": self._back_up,
            "close": self.close_lake,
        }[key]()

    def _back_up(self):
        import processing

        processing.execAlgorithmDialog("lakefloor:backuplake", {"LAKE": str(self.work.folder.path)})

    def _open_document(self, name):
        path = newest_outputs(self.work.folder).get(name)
        if path is None:
            self.tell(tr("There is no such document yet. Map the lake first."), True)
        else:
            self._open_file(path)

    def _open_file(self, path):
        whole = Path(self.work.folder.path) / path
        QDesktopServices.openUrl(QUrl.fromLocalFile(str(whole)))


#: What the form of a step shows although the lake knows a value.
_ASKED = {
    "map": ("UNIT", "INTERVAL", "TITLE", "PAGE_SIZE"),
    "structure": ("UNIT", "INTERVAL", "TITLE", "PAGE_SIZE"),
    "outing": ("UNIT", "INTERVAL"),
}
