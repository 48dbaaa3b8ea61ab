"""The lake that is open in the window: who may write to it, what is seen of it, what runs for it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from qgis.core import QgsProject
from qgis.PyQt.QtCore import QFileSystemWatcher, QObject, QTimer, pyqtSignal

from ...algorithms._i18n import tr
from ...algorithms._lake.facts import read_facts
from ...algorithms._lake.folder import LakeFolder
from ...algorithms._lake.lock import REFRESH_S, refresh_lock, release_lock, take_lock
from ...algorithms.core.errors import LakefloorError
from .aside import Aside
from .seen import look

#: How long files must be still before they are looked at, ms.
_STILL = 400


class LakeWork(QObject):
    """The open lake, or none.

    Attributes
    ----------
    folder : LakeFolder or None
    facts : LakeFacts or None
    holder : LakeLock or None
        Who else holds the lake; it is read-only then.
    aside : Aside
        Does short work beside the window.
    barred : str
        Why it cannot be written to, other than for its holder; "" otherwise.
    seen : Seen or None
        None until the files were looked at.
    """

    #: Another lake, or its lock or facts have changed.
    opened = pyqtSignal()
    #: Files were looked at again.
    looked = pyqtSignal()
    #: Whether the lake database is being changed.
    changing = pyqtSignal(bool)
    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.folder = self.facts = self.holder = self.seen = None
        self.barred = ""
        self.aside, self._looks, self._changes = Aside(self), False, 0
        self._watcher = QFileSystemWatcher(self)
        self._still = QTimer(self)
        self._still.setSingleShot(True)
        self._still.setInterval(_STILL)
        self._still.timeout.connect(self.look)
        self._watcher.directoryChanged.connect(lambda _: self._still.start())
        self._watcher.fileChanged.connect(lambda _: self._still.start())
        self._alive = QTimer(self)
        self._alive.setInterval(int(1000 * REFRESH_S))
        self._alive.timeout.connect(self._say_alive)

    @property
    def project(self) -> QgsProject:
        """The project that the lake is shown in."""
        return QgsProject.instance()

    @property
    def read_only(self) -> bool:
        """Whether nothing may be written to the lake."""
        return self.folder is None or self.holder is not None or bool(self.barred)

    # -- open and close -------------------------------------------------------

    def open(self, folder, by_force=False) -> bool:
        """Open the lake in a folder, for writing if nobody else holds it; return whether it is."""
        lake = LakeFolder(Path(folder))
        try:
            facts = read_facts(lake.path)
        except LakefloorError as error:
            self.told.emit(str(error), True)
            return False
        if self.folder is not None and self.folder != lake:
            self.close()
        self.folder, self.facts, self.seen = lake, facts, None
        self._take_lock(by_force)
        self._watch()
        self.opened.emit()
        self.look()
        return True

    def take_over(self):
        """Take the lock from who holds it."""
        if self.folder is not None:
            self._take_lock(by_force=True)
            self.opened.emit()
            self.look()

    def close(self):
        """Give the lake back."""
        if self.folder is None:
            return
        self._alive.stop()
        self._still.stop()
        self._unwatch()
        with suppress(OSError):
            release_lock(self.folder)
        self.folder = self.facts = self.holder = self.seen = None
        self.barred = ""
        self.opened.emit()

    def stop(self):
        """Close, and wait for the last look."""
        self.close()
        self.aside.stop()

    def _take_lock(self, by_force):
        try:
            self.holder, self.barred = take_lock(self.folder, by_force=by_force), ""
        except LakefloorError as error:
            self.holder, self.barred = None, str(error)
        if not self.read_only:
            self._alive.start()

    def _say_alive(self):
        try:
            self.holder = refresh_lock(self.folder)
        except LakefloorError as error:
            self.barred = str(error)
        if self.read_only:
            self._alive.stop()
            self.told.emit(
                tr("Another window has taken over lake '{}'. It is read-only here now.").format(
                    self.facts.name
                ),
                True,
            )
            self.opened.emit()

    # -- look at the files ----------------------------------------------------

    def look(self):
        """Look at the lake's files again."""
        if self.folder is None or self._looks:
            return
        self._looks, folder = True, self.folder

        def take(seen):
            self._looks = False
            self._take(folder, seen)

        def fail(text):
            self._looks = False
            if folder == self.folder:
                self.told.emit(text, True)

        self.aside.do(lambda: look(folder), take, fail)

    def change(self, work, then=None):
        """Change the lake database beside the window, then look again.

        ``work`` is called in a thread with the path of the database, ``then`` in the window.
        """
        if self.read_only:
            return
        folder = self.folder

        def end():
            self._changes -= 1
            self.changing.emit(self.is_changing)
            self.look()

        def done(_):
            if then is not None and folder == self.folder:
                then()
            end()

        def fail(text):
            self.told.emit(text, True)
            end()

        self._changes += 1
        self.aside.do(lambda: work(folder.database), done, fail)
        self.changing.emit(True)

    @property
    def is_changing(self) -> bool:
        """Whether the lake database is being changed."""
        return self._changes > 0

    def _take(self, folder, seen):
        if folder != self.folder:
            self.look()
            return
        self.seen, self.facts = seen, seen.facts
        self._watch()
        self.looked.emit()

    def _watch(self):
        lake = self.folder
        paths = (lake.path, lake.database, lake.shoreline, lake.gauge, lake.marks)
        wanted = {str(path) for path in paths if path.exists()}
        there = {*self._watcher.files(), *self._watcher.directories()}
        if wanted - there:
            self._watcher.addPaths(sorted(wanted - there))

    def _unwatch(self):
        there = [*self._watcher.files(), *self._watcher.directories()]
        if there:
            self._watcher.removePaths(there)
