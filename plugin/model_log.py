"""The log of a model as a person reads it: headings, facts, warnings and errors.

QGIS hands its own feedback through all steps of a model, and says for each what it does itself:
parameters and results as Python, times, counts. Here only what the steps say passes, under a
heading for each of them.
"""

import re

from qgis.core import QgsProcessingFeedback
from qgis.PyQt.QtCore import Qt

from ..algorithms._compat import says_all
from ..algorithms._i18n import tr

_HEADING = re.compile(r"^== (.+) ==$")


def as_heading(text: str) -> str:
    """Return a text as the line of plain text that is a heading."""
    return f"== {text} =="


def is_heading(text: str) -> bool:
    """Tell whether a line of a log is a heading."""
    return _HEADING.match(text) is not None


def heading_text(text: str) -> str:
    """Return a heading without its marks; other lines as they are."""
    return _HEADING.sub(r"\1", text)


class ModelLog(QgsProcessingFeedback):
    """A feedback for the steps of a model that hands on what a person wants to read.

    Progress and cancel pass both ways, in whichever thread they come.

    Parameters
    ----------
    shown : QgsProcessingFeedback
        What shows the lines.
    steps : int
        How many steps the model has.
    context : QgsProcessingContext
        Says whether the user wants all that QGIS says too.
    """

    def __init__(self, shown, steps: int, context):
        super().__init__(False)
        self._shown, self._steps, self._all = shown, steps, says_all(context)
        self._begun, self._at_work, self._step = 0, False, ""
        self.warnings, self._failures = [], []
        # A worker has no loop of events in which a queued signal would arrive.
        direct = Qt.ConnectionType.DirectConnection
        self.progressChanged.connect(shown.setProgress, direct)
        shown.canceled.connect(self.cancel, direct)
        self.canceled.connect(shown.cancel, direct)
        if shown.isCanceled():
            self.cancel()

    # -- what steps and the model call -----------------------------------------------

    def begin(self, name: str):
        """Begin a step: a heading with its name."""
        self._begun += 1
        self._at_work, self._step = True, name
        self.heading(tr("{} ({} of {})").format(name, self._begun, self._steps))

    def fail(self, why: str):
        """Note why a step fails, in its own words."""
        self._failures = [why]

    def end(self):
        """End a step: what comes now is QGIS's own."""
        self._at_work = False

    def heading(self, text: str):
        """Write a heading."""
        if self._begun > 1 or not self._at_work:
            self._shown.pushInfo("")
        line = as_heading(text)
        if hasattr(self._shown, "pushFormattedMessage"):
            escaped = text.replace("&", "&amp;").replace("<", "&lt;")
            self._shown.pushFormattedMessage(f"<b>{escaped}</b>", line)
        else:
            self._shown.setProgressText(line)

    def fact(self, text: str):
        """Write a line."""
        self._shown.pushInfo(text)

    def failure(self, error) -> str:
        """Return what went wrong in which step, as one text."""
        reason = next(filter(None, self._failures), str(error))
        return f"{self._step}: {reason}" if self._step else reason

    # -- what QGIS and the steps write ------------------------------------------------

    def _passes(self) -> bool:
        return self._all or (self._at_work and not self.isCanceled())

    def setProgressText(self, text):
        if self._passes():
            self._shown.setProgressText(text)

    def pushInfo(self, info):
        if self._passes():
            self._shown.pushInfo(info)

    def pushCommandInfo(self, info):
        if self._passes():
            self._shown.pushCommandInfo(info)

    def pushConsoleInfo(self, info):
        if self._passes():
            self._shown.pushConsoleInfo(info)

    def pushDebugInfo(self, info):
        if self._all:
            self._shown.pushDebugInfo(info)

    def pushFormattedMessage(self, html, text):
        if self._passes():
            self._shown.pushFormattedMessage(html, text)

    def pushWarning(self, warning):
        if self._at_work:
            self.warnings.append(warning)
        self._shown.pushWarning(warning)

    def reportError(self, error, fatalError=False):
        # When the step is over, QGIS says why it failed; so does the model, with the step's name.
        if self._at_work:
            self._shown.reportError(error, fatalError)
        else:
            self._failures.append(error)
