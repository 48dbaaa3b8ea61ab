"""Reasons for which a sounding is rejected, as its status says, and what they have in common."""

from __future__ import annotations

from collections import Counter

import numpy as np

from ..soundings import ACCEPTED

NO_POSITION = "no position"
NO_BOTTOM = "no bottom"
OUTSIDE_LIMITS = "outside depth limits"
REPEATED = "repeated row"
POSITION_JUMP = "position jump"
POSITION_FROZEN = "position frozen"
TOO_FAST = "too fast"
TOO_SLOW = "too slow"
DEPTH_HELD = "depth held"
DOUBLE_ECHO = "double echo"
SPIKE = "spike along track"
BURST = "burst along track"
NEIGHBORS = "against neighbours"
AMID_FALSE = "among false depths"
ISOLATED = "isolated"

#: Every reason that `clean` gives, in the order of its gates.
REASONS = (
    NO_POSITION, NO_BOTTOM, OUTSIDE_LIMITS, REPEATED, POSITION_JUMP, POSITION_FROZEN,
    TOO_FAST, TOO_SLOW, ISOLATED, DEPTH_HELD, DOUBLE_ECHO, SPIKE, BURST, NEIGHBORS,
    AMID_FALSE,
)  # fmt: skip

#: Reasons that leave no trustworthy position.
OFF_TRACK = (NO_POSITION, REPEATED, POSITION_JUMP)
#: Reasons after which the depth has to prove itself anew.
LOST_BOTTOM = (
    NO_BOTTOM, OUTSIDE_LIMITS, DEPTH_HELD, DOUBLE_ECHO, SPIKE, BURST, NEIGHBORS, AMID_FALSE
)  # fmt: skip
#: Reasons between which the bottom may have been taken up anew, and wrongly.
GONE_BOTTOM = (NO_BOTTOM, OUTSIDE_LIMITS)
#: Reasons that a depth proved false by its neighbors, and so are those among many of them. A
#: double echo is none of these: it ends where it ends.
FALSE_BOTTOM = (SPIKE, BURST, NEIGHBORS, AMID_FALSE)


def count(status: np.ndarray) -> dict:
    """Return ``total``, ``accepted`` and the number of soundings of each reason, in order."""
    found = Counter(status)
    counts = {"total": len(status), ACCEPTED: found.pop(ACCEPTED, 0)}
    counts.update({reason: found.pop(reason, 0) for reason in REASONS})
    return {**counts, **found}
