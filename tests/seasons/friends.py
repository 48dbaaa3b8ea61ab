"""What friends hand on: soundings at another datum, copies without times, clipped, thinned, coarse.

Every function takes soundings with the numbers of their pings and returns the same of the copy.
"""

import numpy as np
from shapely.geometry import Point
from shapely.prepared import prep

from lakefloor.algorithms.core.soundings import Soundings


def bare_copy(soundings, numbers):
    """Keep place, depth and hardness of good soundings: what a shared layer has, by place."""
    good = np.flatnonzero(soundings.accepted)
    s = soundings.select(good)
    order = np.lexsort((np.round(s.x, 2), np.round(s.y, 2)))
    copy = Soundings.build(
        np.round(s.x, 2), np.round(s.y, 2), np.round(s.depth, 3), hardness=np.round(s.hardness, 3)
    )
    return copy.select(order), numbers[good][order]


def at_datum(soundings, numbers, up):
    """Count depths of a copy from a datum that is higher by ``up``, m."""
    depth = np.round(soundings.depth + up, 3)
    copy = Soundings.build(soundings.x, soundings.y, depth, hardness=soundings.hardness)
    return copy, numbers


def clipped(soundings, numbers, area):
    """Keep what lies in an area."""
    inside = prep(area)
    keep = np.array([inside.contains(Point(*p)) for p in zip(soundings.x, soundings.y)], bool)
    return soundings.select(keep), numbers[keep]


def thinned(soundings, numbers, every):
    """Keep every so many soundings, in the order in which they stand."""
    keep = slice(None, None, every)
    return soundings.select(keep), numbers[keep]


def coarsened(soundings, cell):
    """Put the mean depth of the soundings of each square cell at its middle.

    Returns
    -------
    copy : Soundings
    group : int array
        For each sounding given, the row of the copy that it went into.
    """
    columns = np.column_stack([np.floor(soundings.x / cell), np.floor(soundings.y / cell)])
    cells, group = np.unique(columns, axis=0, return_inverse=True)
    group = group.ravel()
    count = np.bincount(group)
    depth = np.bincount(group, weights=soundings.depth) / count
    x, y = ((cells + 0.5) * cell).T
    return Soundings.build(x, y, np.round(depth, 3)), group
