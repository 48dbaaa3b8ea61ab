"""What the newest run came to, in a few sentences with links to what they speak of."""

from __future__ import annotations

from html import escape

from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import QLabel, QSizePolicy

from ...algorithms._i18n import in_local_numbers, tr
from ...algorithms.core.wording.after_run import said_after_run


class SaidView(QLabel):
    """Sentences; a link asks for the layer of a role, or for a document."""

    #: Role of the layer.
    layer_asked = pyqtSignal(str)
    #: Role of the layer whose weakest place is to be shown.
    weakest_asked = pyqtSignal(str)
    #: Path of the document, relative to the lake's folder.
    document_asked = pyqtSignal(str)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.setWordWrap(True)
        self.setTextFormat(Qt.TextFormat.RichText)
        self.setTextInteractionFlags(Qt.TextInteractionFlag.TextBrowserInteraction)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.setAccessibleName(tr("Results of the last run"))
        self.linkActivated.connect(self._ask)

    @in_local_numbers
    def show_run(self, record, unit):
        """Say what a run came to; ``unit`` is feet or meters. Links lead to layers that it left."""
        if record is None:
            self.setText("")
            return
        said = said_after_run(record.step, record.numbers, "ft" if unit == "feet" else "m")
        lines = []
        for each in said:
            kind, words = ("weakest", tr("Show where")) if each.weak else ("layer", tr("Show"))
            there = each.role in record.outputs
            link = f' <a href="{kind}:{each.role}">{escape(words)}</a>' if there else ""
            lines.append(f"<li>{escape(each.text)}{link}</li>")
        documents = "".join(
            f'<li><a href="document:{escape(path)}">{escape(document_title(name))}</a></li>'
            for name, path in documents_of(record).items()
        )
        self.setText(f'<ul style="margin-left:-24px">{"".join(lines)}{documents}</ul>')

    def _ask(self, link):
        kind, _, what = link.partition(":")
        {"layer": self.layer_asked, "weakest": self.weakest_asked, "document": self.document_asked}[
            kind
        ].emit(what)


def documents_of(record) -> dict:
    """Return the documents of a run that people open: name -> path in the lake's folder."""
    kept = {**record.outputs, **record.documents}
    return {name: path for name, path in kept.items() if document_title(name)}


def document_title(name) -> str:
    """Return what a link to a document says, "" for what is no document."""
    return {
        "map_sheet": tr("Open the map sheet"),
        "lake_report": tr("Open the lake report"),
        "structure_sheets": tr("Open the structure sheets"),
    }.get(name, "")
