"""Work beside a thread that must not be held up: calls one after the other, and one again and again."""

from __future__ import annotations

import queue
import threading
import time


class Beside(threading.Thread):
    """Does calls in the order in which they were asked for, in a thread of its own.

    Parameters
    ----------
    name : str
    every_s : float
        How often ``again`` is called, s; a call that takes longer delays it.
    again : callable
    fail : callable
        Is given what a call has raised; the next is done all the same.

    Attributes
    ----------
    asked : int
        Calls that wait.
    alive_at : float
        When it last began a call or looked for one, monotonic, s.
    """

    def __init__(self, name, every_s, again, fail):
        super().__init__(name=name, daemon=True)
        self._calls, self._every, self._again, self._fail = (
            queue.SimpleQueue(),
            every_s,
            again,
            fail,
        )
        self.alive_at = time.monotonic()

    @property
    def asked(self) -> int:
        return self._calls.qsize()

    def ask(self, call, *args):
        """Have a call done."""
        self._calls.put((call, args))

    def finish(self, longest_s) -> bool:
        """End it after what was asked for; return whether it has ended within a time, s."""
        self._calls.put(None)
        self.join(longest_s)
        return not self.is_alive()

    def run(self):
        """Do what is asked for."""
        due = time.monotonic() + self._every
        while True:
            self.alive_at = time.monotonic()
            if self.alive_at >= due:
                self._do(self._again)
                due = time.monotonic() + self._every
                continue
            try:
                wanted = self._calls.get(timeout=due - self.alive_at)
            except queue.Empty:
                continue
            if wanted is None:
                return
            self._do(wanted[0], *wanted[1])

    def _do(self, call, *args):
        try:
            call(*args)
        except Exception as error:  # what goes wrong once must not end a recording
            self._fail(error)
