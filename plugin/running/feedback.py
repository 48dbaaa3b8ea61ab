"""What a run says, from whichever thread, kept until the main thread takes it."""

from __future__ import annotations

import re
import threading

from qgis.core import QgsProcessingFeedback

HEADING, FACT, WARNING, ERROR = "heading", "fact", "warning", "error"

#: What QGIS says of each step of a model, in any language: "OK. Execution took 0.3 s (2 outputs)."
_TOOK = re.compile(r"\d s \(\d+ \S+\)\.?$")

#: And before each: "Running Smooth surface [2/8]". Steps of our models have a heading of their own.
_STEP, _OURS = re.compile(r"\[\d+/\d+\]$"), re.compile(r"^== (.+) ==$")


class RunFeedback(QgsProcessingFeedback):
    """Collects lines; the main thread fetches them now and then, so that no line costs a signal.

    What QGIS says for programs (commands, parameters as Python, versions) is left out.
    """

    def __init__(self):
        super().__init__(False)
        self._lock = threading.Lock()
        self._lines = []

    def take(self) -> list:
        """Return the lines since the last call, each (kind, text)."""
        with self._lock:
            lines, self._lines = self._lines, []
        return lines

    def _add(self, kind, text):
        lines = [(kind, line.rstrip()) for line in str(text).splitlines() if line.strip()]
        with self._lock:
            self._lines.extend(lines)

    # -- what QGIS calls -----------------------------------------------------------

    def setProgressText(self, text):
        self._add(HEADING, text)

    def pushInfo(self, info):
        if not _TOOK.search(info):
            self._add(FACT, info)

    def pushFormattedMessage(self, html, text):
        ours = _OURS.match(text.strip())
        if ours:
            self._add_heading(ours[1])
        else:
            self._add(HEADING if html.lstrip().startswith(("<h", "<b>")) else FACT, text)

    def _add_heading(self, text):
        with self._lock:
            if self._lines and self._lines[-1][0] == HEADING and _STEP.search(self._lines[-1][1]):
                self._lines.pop()
        self._add(HEADING, text)

    def pushWarning(self, warning):
        self._add(WARNING, warning)

    def reportError(self, error, fatalError=False):
        self._add(ERROR, error)

    def pushCommandInfo(self, info):
        # QGIS puts a line such as "Input Parameters:" before it.
        with self._lock:
            if self._lines and self._lines[-1][0] == FACT and self._lines[-1][1].endswith(":"):
                self._lines.pop()

    def pushDebugInfo(self, info):
        pass

    def pushConsoleInfo(self, info):
        pass

    def pushVersionInfo(self, provider=None):
        pass
