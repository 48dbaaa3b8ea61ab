"""Depths as they are drawn on the water: corrected at once; jumps wait for the next ping."""

from __future__ import annotations

import numpy as np

from .. import crs
from ..cleaning.reasons import NO_BOTTOM, SPIKE
from ..correcting.corrections import transducer_depth
from ..soundings import ACCEPTED, Soundings, distinct, parse_corrections

#: A depth that leaves the last one by more than this, m, and by this share of it, waits for the
#: next to confirm it.
_JUMP_M, _JUMP_SHARE = 1.0, 0.25
#: A jump over a way that makes it a slope of less than this is no jump.
_STEEPEST = 1.0


class LiveDepths:
    """Corrects soundings while they come.

    Parameters
    ----------
    epsg : int or str or None
        Where they are projected to; the UTM zone of the first if None.
    draft_m : float
        Depth of the transducer below the waterline, m; for depths that do not count from the
        surface, nor have the transducer's depth in them already.
    sound_ratio : float
        Actual over assumed sound speed.

    Notes
    -----
    At home a spike is told by what lies on both sides of it. Here a sounding cannot wait for long:
    one that jumps is held until the next, which confirms it or shows it to be a spike.
    """

    def __init__(self, epsg=None, draft_m: float = 0.0, sound_ratio: float = 1.0):
        self.epsg, self._draft, self._ratio = epsg, draft_m, sound_ratio
        self._last, self._held = None, None
        self.spikes = 0

    def take(self, soundings: Soundings) -> Soundings:
        """Return soundings with corrected depths and projected places, with those held back before.

        ``status`` is :data:`.ACCEPTED`, or why one is not drawn.
        """
        if not len(soundings):
            return soundings
        if self.epsg is None:
            self.epsg = crs.utm_epsg(soundings.x, soundings.y)
        x, y = crs.project(soundings.x, soundings.y, self.epsg)
        texts, group = distinct(soundings.corrections)
        references = [transducer_depth(parse_corrections(text), self._draft) for text in texts]
        inside, below = np.array(references)[group].T
        depth = self._ratio * (soundings.depth - inside) + below
        return soundings.replace(x=x, y=y, depth=depth, status=self._status(x, y, depth))

    def _status(self, x, y, depth):
        status = np.full(len(depth), ACCEPTED, dtype=object)
        for i, place in enumerate(zip(x.tolist(), y.tolist(), depth.tolist())):
            if not place[2] > self._draft:
                status[i] = NO_BOTTOM
                continue
            known = [one for one in (self._last, self._held) if one is not None]
            if not known or not all(_jumps(one, place) for one in known):
                self._last, self._held = place, None
            else:
                status[i], self._held = SPIKE, place
                self.spikes += 1
        return status


def _jumps(one, other) -> bool:
    fall = abs(other[2] - one[2])
    way = np.hypot(other[0] - one[0], other[1] - one[1])
    return fall > max(_JUMP_M, _JUMP_SHARE * one[2]) and fall > _STEEPEST * way
