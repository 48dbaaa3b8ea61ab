"""What the door knows of outings on the water; what records them is loaded with the first."""

from __future__ import annotations

from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._i18n import tr
from ...algorithms._io.same_place import same_place
from ..water.mark_key import MarkKey


class Water(QObject):
    """Leads from the panel to an outing and back."""

    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)
    #: A form is to be shown.
    form_made = pyqtSignal(object)
    #: Recording has begun or ended.
    changed = pyqtSignal()

    def __init__(self, iface, work, taker, panel, parent=None):
        super().__init__(parent)
        self._iface, self._work, self._taker, self._panel = iface, work, taker, panel
        self._key, self._outing = MarkKey(iface.mainWindow()), None
        panel.page.water_asked.connect(self.go)
        panel.page.open_outing_asked.connect(self._settle)

    @property
    def outing(self):
        """The :class:`.Outing`, made now if it is not there."""
        if self._outing is None:
            from ..water.outing import Outing

            outing = self._outing = Outing(self._iface, self._work, self._taker, self._key, self)
            outing.told.connect(self.told)
            outing.form_made.connect(self.form_made)
            outing.changed.connect(self._follow)
            outing.page.lake_asked.connect(self._panel.show_steps)
        return self._outing

    @property
    def is_recording(self) -> bool:
        """Whether an outing is recorded."""
        return self._outing is not None and self._outing.session.is_recording

    def go(self):
        """Show the outing that is recorded, or ask for what one needs."""
        if self.is_recording:
            self._panel.show_water(self.outing.page)
        else:
            self.outing.ask_start()

    def holds_another(self, folder) -> bool:
        """Say, and return, whether an outing of another lake is recorded than that in a folder."""
        if not self.is_recording:
            return False
        lake = self.outing.lake
        if folder is not None and same_place(lake.path, folder):
            return False
        self.told.emit(
            tr(
                "An outing of '{}' is being recorded, so this lake stays open. End the outing first."
            ).format(self.outing.session.facts.name),
            True,
        )
        return True

    def put_away(self):
        """Let go of a project that was closed; an outing goes on."""
        if self.is_recording:
            self.outing.put_away()

    def bring_back(self):
        """Show the map on the water again in a project that was opened while it is recorded."""
        if self.is_recording:
            self.outing.bring_back()

    def stop(self):
        """Leave an outing open, so that it can go on next time, and take the key away."""
        if self._outing is not None:
            self._outing.stop()
        self._key.tear_down()

    def _settle(self, recording, goes_on):
        if goes_on:
            self.outing.resume(recording)
        else:
            self.outing.end_open(recording)

    def _follow(self):
        if self.is_recording:
            self._panel.show_water(self.outing.page)
        elif self._work.folder is not None:
            self._panel.show_steps()
            self._work.look()
        self.changed.emit()
