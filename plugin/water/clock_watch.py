"""What the clocks of a computer do that is no flow of time: sleep, being set, and being wrong."""

from __future__ import annotations

import time

import numpy as np

from ...algorithms._i18n import tr

#: Less than this is no event, s: computers set their clocks by little all the time.
JUMP_S = 2.0
#: A computer's clock is wrong where it is so far from the time of the fixes, s; receivers tell the
#: time up to a second late.
WRONG_S = 3.0
#: A wrong clock is said again where it is wrong by so much more or less, as a share: a log that is
#: played faster than it was recorded would be said at each look.
_CHANGED = 0.01
_DAY_S = 86_400


def clocks() -> tuple:
    """Return the time since the computer was switched on, and UTC; s.

    Where the system tells it, the first goes on while the computer sleeps.
    """
    on = getattr(time, "CLOCK_BOOTTIME", None)
    return (time.monotonic() if on is None else time.clock_gettime(on)), time.time()


class ClockWatch:
    """Looks at clocks again and again.

    Parameters
    ----------
    every_s : float
        How often :meth:`look` is called, s.
    """

    def __init__(self, every_s: float):
        self._every, self._last, self._gap = every_s, None, None

    def look(self, on, utc) -> list:
        """Return what happened since the last look: (kind, sentence) of each; see :func:`clocks`."""
        last, self._last = self._last, (on, utc)
        if last is None:
            return []
        passed, shown = on - last[0], utc - last[1]
        events = []
        if passed - self._every > JUMP_S:
            text = tr("The computer slept, or was too busy, for {:.0f} s. Nothing was recorded.")
            events.append(("asleep", text.format(passed - self._every)))
        jump = shown - passed
        if jump > JUMP_S:
            # A system whose other clock stands in the sleep looks like this too.
            text = tr("The computer's clock was set forward by {:.0f} s, or the computer slept.")
            events.append(("clock", text.format(jump)))
        elif jump < -JUMP_S:
            events.append(
                ("clock", tr("The computer's clock was set back by {:.0f} s.").format(-jump))
            )
        return events

    def compare(self, now, monotonic_us, utc_us) -> list:
        """Return whether the computer's clock is wrong beside the newest fix of a :class:`.Now`."""
        if now.fix_us is None or np.isnat(now.gps_time):
            return []
        told = now.gps_time.astype("datetime64[ms]").astype(np.int64) / 1e3
        gap = (utc_us - (monotonic_us - now.fix_us)) / 1e6 - told
        before = 0.0 if self._gap is None else self._gap
        agrees = abs(gap) <= WRONG_S
        if abs(gap - before) <= (WRONG_S if agrees else max(WRONG_S, _CHANGED * abs(before))):
            return []
        self._gap = gap
        if agrees:
            return [("clock", tr("The computer's clock agrees with GPS time again."))]
        text = (
            tr("The computer's clock is {} ahead of GPS time. GPS time counts.")
            if gap > 0
            else tr("The computer's clock is {} behind GPS time. GPS time counts.")
        )
        return [("clock", text.format(_length(abs(gap))))]


def _length(seconds) -> str:
    if seconds < 2 * _DAY_S:
        return tr("{:,.0f} s").format(seconds)
    return tr("{:,.0f} days").format(seconds / _DAY_S)
