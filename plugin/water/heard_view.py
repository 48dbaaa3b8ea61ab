"""What arrives from sources while a person listens to them."""

from __future__ import annotations

from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtWidgets import QHeaderView, QTreeWidget, QTreeWidgetItem

from ...algorithms._i18n import tr
from .sources.hearing import Hearing, contents, missing
from .sources.opening import open_source

#: How often the sentences are shown anew, ms.
_PACE_MS = 500


class HeardView(QTreeWidget):
    """The sources, how they are, and the sentences of each."""

    def __init__(self):
        super().__init__()
        self.setAccessibleName(tr("Sentences that arrive"))
        self.setHeaderLabels([tr("Sentence"), tr("Contents"), tr("Count"), tr("Latest")])
        self.header().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.header().setStretchLastSection(True)
        self.setSelectionMode(QTreeWidget.SelectionMode.NoSelection)
        self._sources, self._hearings, self._say = [], [], None
        self._timer = QTimer(self)
        self._timer.setInterval(_PACE_MS)
        self._timer.timeout.connect(self._show)

    def listen(self, specs, say):
        """Open sources, and ``say`` what is missing."""
        self.stop()
        self.clear()
        self._say = say
        for spec in specs:
            source, hearing = open_source(spec), Hearing()
            source.arrived.connect(hearing.feed)
            self._sources.append(source)
            self._hearings.append(hearing)
            item = QTreeWidgetItem(self)
            item.setFirstColumnSpanned(True)
            item.setExpanded(True)
            source.open()
        self._timer.start()
        self._show()

    def stop(self):
        """Close the sources."""
        self._timer.stop()
        for source in self._sources:
            source.close()
            source.deleteLater()
        self._sources, self._hearings = [], []

    def _show(self):
        for number, (source, hearing) in enumerate(zip(self._sources, self._hearings)):
            item = self.topLevelItem(number)
            item.setText(0, self._told(source, hearing))
            item.setToolTip(0, item.text(0))
            for name in list(hearing.counts)[item.childCount() :]:
                talker = name if name.startswith("P") else f"{name[:2]} {name[2:]}"
                child = QTreeWidgetItem(item, [talker, contents(name) or tr("Not used")])
                child.setTextAlignment(2, Qt.AlignmentFlag.AlignRight)
            for row, name in enumerate(hearing.counts):
                item.child(row).setText(2, str(hearing.counts[name]))
                item.child(row).setText(3, hearing.latest[name])
        self._say(missing(self._hearings) or tr("Depth and position arrive."))

    def _told(self, source, hearing):
        text = source.text
        if hearing.bytes > 500 and not hearing.counts:
            text += " " + tr("{} bytes, but no NMEA 0183 sentence.").format(hearing.bytes)
            if source.spec.kind == "serial":
                text += " " + tr("Choose another baud rate.")
        wrong = sum(hearing.unread.values())
        if wrong:
            text += " " + tr("Not used: {}.").format(wrong)
        return text
