"""Review of soundings: those that are selected on the map are rejected or accepted."""

from __future__ import annotations

from qgis.core import QgsProcessingFeatureSourceDefinition, QgsSettings
from qgis.PyQt.QtCore import pyqtSignal, pyqtSlot
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
)

from ...algorithms._i18n import in_local_numbers, tr
from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.number_text import counted
from .lake_layers import layers_of
from .statuses import show_statuses
from .tool_action import ToolAction, show_beside

__all__ = ["ReviewAction", "ReviewWindow"]

_WHO = "lakefloor/reviewer"
#: The place of so many selected soundings is looked up; with more all soundings are gone through.
_FEW = 20_000


class ReviewAction(ToolAction):
    """Select soundings with QGIS's own tools; they are rejected or accepted in the lake database.

    The algorithm *Review soundings* does it in the background. The soundings on the map have their
    new status as soon as that is done.
    """

    def __init__(self, iface, lake, runner):
        super().__init__(
            iface,
            lake,
            tr("Review soundings"),
            tr("Select soundings on the map, then reject or accept them with a reason."),
            "review.svg",
        )
        self._runner, self.window, self._layer = runner, None, None

    def begin(self):
        layer = self._soundings()
        self.iface.setActiveLayer(layer)
        if self.window is not None:
            self.window.raise_()
            return
        window = self.window = ReviewWindow(self.iface.mainWindow())
        window.by_rectangle.clicked.connect(lambda: self._select("actionSelectRectangle"))
        window.by_polygon.clicked.connect(lambda: self._select("actionSelectPolygon"))
        window.none.clicked.connect(layer.removeSelection)
        window.decided.connect(self.while_open(self.decide))
        window.undo.clicked.connect(self.while_open(lambda *_: self.undo()))
        window.finished.connect(self._left)
        self._layer = layer
        layer.selectionChanged.connect(self._count)
        layer.willBeDeleted.connect(self._lose)
        self._count()
        self._look_for_undo()
        show_beside(window)

    def leave(self):
        if self.window is not None:
            self.window.close()

    def tear_down(self):
        self.leave()
        super().tear_down()

    def decide(self, decision):
        """Reject or accept the selected soundings, or go back to what cleaning said.

        Parameters
        ----------
        decision : str
            "reject", "accept" or "as cleaned".
        """
        layer = self._layer
        count = 0 if layer is None else layer.selectedFeatureCount()
        if not count:
            self.window.tell(tr("Nothing is selected. Select soundings on the map."))
            return
        box = layer.boundingBoxOfSelected() if count <= _FEW else None
        parameters = {
            "INPUT": QgsProcessingFeatureSourceDefinition(layer.id(), True),
            "DATABASE": str(self.lake.folder.database),
            "DECISION": decision,
            "REASON": self.window.reason(),
            "WHO": self.window.who(),
        }
        self._run("lakefloor:reviewsoundings", parameters, tr("Review soundings"), box)

    def undo(self):
        """Undo the last change of the lake database, which was a review."""
        parameters = {"DATABASE": str(self.lake.folder.database)}
        self._run("lakefloor:undolastchange", parameters, tr("Undo review"), None)

    # ------------------------------------------------------------------------------

    def _soundings(self):
        there = layers_of(self.lake, "soundings")
        if not there or not self.lake.folder.database.exists():
            raise LakefloorError(tr("There are no soundings on the map yet. Map the lake first."))
        return there[0]

    def _select(self, action):
        """Start one of QGIS's own tools of selection on the soundings."""
        if self._layer is not None:
            self.iface.setActiveLayer(self._layer)
            getattr(self.iface, action)().trigger()

    def _run(self, algorithm, parameters, title, box):
        self.window.wait(True)
        self._runner.start(
            algorithm,
            parameters,
            title=title,
            lake=self.lake.folder.path,
            finished=lambda run: self._ended(run, box),
        )

    def _ended(self, run, box):
        if run.state == "done":
            said = _sentence(run)
            show_statuses(self.lake, box, lambda wrong: self._shown(said, wrong))
        elif self.window is not None:
            self.window.wait(False)
            self.window.tell(run.error)

    def _shown(self, said, wrong):
        if self._layer is not None:
            self._layer.removeSelection()
        if self.window is None:
            return
        self.window.wait(False)
        self._look_for_undo()
        self.window.tell(wrong or said)

    # The signal brings the ids of what was selected; a million of them are not to become Python's.
    @pyqtSlot()
    def _count(self):
        count = 0 if self._layer is None else self._layer.selectedFeatureCount()
        self.window.count(_selected(count), count)

    def _look_for_undo(self):
        """Let a review be undone as long as it is the last change of the database."""
        from ...algorithms import _store

        changes = _store.undoable(self.lake.folder.database)
        self.window.undo.setEnabled(bool(changes) and changes[0].action.startswith("reviewed"))

    def _lose(self):
        self._layer = None
        if self.window is not None:
            self.window.close()

    def _left(self, *_):
        if self._layer is not None:
            self._layer.selectionChanged.disconnect(self._count)
            self._layer.willBeDeleted.disconnect(self._lose)
        self.window.deleteLater()
        self.window = self._layer = None


@in_local_numbers
def _selected(count) -> str:
    return counted(count, tr("sounding selected"), tr("soundings selected"))


@in_local_numbers
def _sentence(run) -> str:
    """Return what a run has done to the database, in words."""
    if "DECIDED" not in run.results:
        return tr("The last review is undone. Map the lake again to bring the map up to date.")
    lost = run.results["NOT_FOUND"]
    if lost:
        return tr("Soundings that are not in the lake database: {}. Map the lake again.").format(
            lost
        )
    changed = run.results["CHANGED_SOUNDINGS"]
    if not changed:
        return tr("No sounding has another status now.")
    return tr("{} another status now. Map the lake again to bring the map up to date.").format(
        counted(changed, tr("sounding has"), tr("soundings have"))
    )


class ReviewWindow(QDialog):
    """What is selected, what is decided on it, why and by whom; it stays beside the map."""

    #: A decision was asked for: "reject", "accept" or "as cleaned".
    decided = pyqtSignal(str)

    def __init__(self, parent):
        super().__init__(parent)
        self.setWindowTitle(tr("Review soundings"))
        self.setObjectName("lakefloorReview")
        self.setModal(False)
        self.by_rectangle = QPushButton(tr("By rectangle or click"))
        self.by_polygon, self.none = QPushButton(tr("By polygon")), QPushButton(tr("None"))
        self._counted, self._told = QLabel(), QLabel()
        self._told.setWordWrap(True)
        self._reason, self._who = QComboBox(), QLineEdit(QgsSettings().value(_WHO, "") or "")
        self._reason.setEditable(True)
        self._reason.addItems(
            [tr("fish"), tr("weeds"), tr("double echo"), tr("wrong position"), tr("boat at rest")]
        )
        self._reason.setCurrentText("")
        self.reject_them = QPushButton(tr("Reject"))
        self.accept_them = QPushButton(tr("Accept"))
        self.clear_them = QPushButton(tr("As cleaned"))
        self.clear_them.setToolTip(
            tr("Take decisions back: the status from cleaning applies again.")
        )
        self.undo = QPushButton(tr("Undo"))
        self.undo.setToolTip(
            tr("Undo the last review. Reviews of earlier sessions can be undone too.")
        )
        self._deciding = {
            "reject": self.reject_them,
            "accept": self.accept_them,
            "as cleaned": self.clear_them,
        }
        for decision, button in self._deciding.items():
            button.clicked.connect(lambda *_, word=decision: self.decided.emit(word))
        self._lay_out()

    def reason(self) -> str:
        """Return why, as it was typed."""
        return self._reason.currentText().strip()

    def who(self) -> str:
        """Return who decides, and remember it."""
        QgsSettings().setValue(_WHO, self._who.text().strip())
        return self._who.text().strip()

    def count(self, text, number):
        """Show how many soundings are selected."""
        self._counted.setText(text)
        for button in self._deciding.values():
            button.setEnabled(number > 0)

    def tell(self, text):
        """Show what came of it."""
        self._told.setText(text)

    def wait(self, waiting):
        """Let nothing further be decided while a decision is being written."""
        self.setEnabled(not waiting)
        if waiting:
            self.tell(tr("Writing to the lake database\u2026"))

    def _lay_out(self):
        layout = QVBoxLayout(self)
        layout.addWidget(QLabel(tr("Select soundings on the map:")))
        layout.addLayout(_row(self.by_rectangle, self.by_polygon, self.none))
        layout.addWidget(self._counted)
        form = QFormLayout()
        form.addRow(tr("&Reason"), self._reason)
        form.addRow(tr("&By"), self._who)
        layout.addLayout(form)
        layout.addLayout(_row(*self._deciding.values(), self.undo))
        layout.addWidget(self._told)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.reject)
        layout.addWidget(buttons)
        for button in self.findChildren(QPushButton):
            button.setAutoDefault(False)


def _row(*widgets) -> QHBoxLayout:
    row = QHBoxLayout()
    for widget in widgets:
        row.addWidget(widget)
    return row
