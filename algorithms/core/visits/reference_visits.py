"""The visits that keep their depths when others are adjusted, and the datum that they carry."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..correcting.datums import datum_words, datums_of
from ..correcting.lake_level import visits_in_time
from ..errors import LakefloorError
from ..soundings import Soundings, each_visit, of_visits, visit_list


def reference_visits(soundings: Soundings, names: Sequence[str], wanted: Sequence[str]) -> set[str]:
    """Return the visits whose datum holds.

    Parameters
    ----------
    soundings : Soundings
    names : sequence of str
        Visits that there are.
    wanted : sequence of str
        Those that were asked for. If empty, those that are reduced to a datum of known level; if
        there are none, those at the water of one day, or the first of them in time, if any.

    Raises
    ------
    LakefloorError
        If a visit that was asked for is not there.
    """
    wanted = [str(name).strip() for name in wanted if str(name).strip()]
    missing = [name for name in wanted if name not in names]
    if missing:
        raise LakefloorError(
            f"The soundings have no reference {of_visits(missing)}. Choose from "
            f"{visit_list(names)}."
        )
    if wanted:
        return set(wanted)
    reduced = {name: d for name, d in _datums(soundings).items() if None not in d}
    known = {name for name, d in reduced.items() if all(level is not None for _, level in d)}
    # The water of a day on which nobody read a level holds only where there is nothing better.
    if known or len(set().union(*reduced.values())) <= 1:
        return known or set(reduced)
    return {next(name for name, _ in visits_in_time(soundings) if name in reduced)}


def _datums(soundings):
    """Return the set of datums (name, elevation; or None) that each visit's soundings carry."""
    datums, group = datums_of(soundings)
    return {
        name: {datums[k] for k in np.unique(group[rows])} for name, rows in each_visit(soundings)
    }


def datum_of_visits(soundings: Soundings, visits: set[str]) -> tuple | None:
    """Return the datum, name and elevation in m, that visits carry; None if they carry none.

    Raises
    ------
    LakefloorError
        If they are at different datums.
    """
    datums = _datums(soundings)
    found = set().union(*(datums[name] for name in visits))
    if len(found) > 1:
        each = "; ".join(
            f"'{name}' " + " and ".join(map(datum_words, sorted(datums[name], key=str)))
            for name in sorted(visits)
        )
        raise LakefloorError(
            f"The reference visits are not at one datum: {each}. Reduce them to one lake datum, or "
            "choose reference visits at one datum."
        )
    return next(iter(found), None)
