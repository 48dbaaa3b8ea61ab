"""What is known of one run."""

from __future__ import annotations

from datetime import datetime, timezone

from ...algorithms._io.same_place import same_place

WAITING, RUNNING, DONE, FAILED, CANCELLED = "waiting", "running", "done", "failed", "cancelled"


class Run:
    """One run of an algorithm or model; all of it is read and changed in the main thread alone.

    Attributes
    ----------
    title : str
    algorithm_id : str
    parameters : dict
        As they were given, or filled when the run began.
    fill : callable or None
        Returns the id and the parameters of what is to run, when the run begins.
    lake : str or None
        Folder of the lake that the run is for.
    writes : bool
        Whether it writes to the lake.
    state : str
        "waiting", "running", "done", "failed" or "cancelled".
    progress : float
        0 to 1.
    text : str
        The last line of the log.
    log : list of (str, str)
        Kind ("heading", "fact", "warning" or "error") and text of each line.
    results : dict
        Of the algorithm; of a model, its named outputs as "step:name".
    error : str
        Why it failed, or that it was cancelled; "" otherwise.
    started, ended : datetime or None
        UTC.
    """

    def __init__(self, algorithm_id, parameters, title, lake=None, writes=True, fill=None):
        self.algorithm_id = algorithm_id
        self.fill = fill
        self.parameters = dict(parameters)
        self.title = title or algorithm_id
        self.lake = None if lake is None else str(lake)
        self.writes = writes
        self.state = WAITING
        self.progress = 0.0
        self.text = ""
        self.log = []
        self.results = {}
        self.error = ""
        self.started = self.ended = None

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in (DONE, FAILED, CANCELLED)

    def begin(self):
        """Note that the run begins now."""
        self.state, self.started = RUNNING, datetime.now(timezone.utc)

    def end(self, state, error=""):
        """Note how the run ended, now."""
        self.state, self.error, self.ended = state, error, datetime.now(timezone.utc)
        if state == DONE:
            self.progress = 1.0
        elif state == CANCELLED:
            # Steps that end early say so as errors.
            self.log = [line for line in self.log if line[0] != "error"]
            self.log.append(("warning", error))
        elif not any(kind == "error" and text in error for kind, text in self.log[-3:]):
            # Otherwise the step that failed has said it.
            self.log.append(("error", error))
        if error:
            self.text = error

    def say(self, lines):
        """Add lines to the log."""
        self.log.extend(lines)
        if lines:
            self.text = lines[-1][1]

    def stands_behind(self, other) -> bool:
        """Tell whether this run must wait until an earlier one is over: both write to one lake."""
        return (
            self.writes
            and other.writes
            and self.lake is not None
            and other.lake is not None
            and same_place(self.lake, other.lake)
        )
