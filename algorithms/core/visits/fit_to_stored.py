"""Visits whose lake level nobody read are fitted to the datum of a lake's store."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..correcting.datums import datum_values, datum_words, datums_of
from ..correcting.lake_level import visits_in_time
from ..correction_keys import BY_FIRST_VISIT, LEVEL, UNKNOWN, VISIT_OFFSET_ERROR
from ..errors import LakefloorError, excerpt
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import (
    Soundings,
    concatenate,
    distinct,
    each_visit,
    of_visits,
    parse_corrections,
    with_corrections,
)
from .joining import Joint, join_levels
from .merging import known_soundings
from .unknown_level import (
    FEWEST_MEETINGS,
    Fitted,
    Offset,
    notes_on_large,
    on_own_waters,
    refuse_weak,
    without_level,
)
from .visit_offsets import take_off

#: Taken out of the corrections of soundings that enter among others without a datum.
_NO_DATUM: dict = dict.fromkeys(("datum", "datum_elev_m", "level_m"))

#: No more than this share of the places where tracks meet are usually far off.
_USUAL_BLUNDERS = 0.1


def fit_to_stored(
    incoming: Soundings,
    stored: Soundings | None = None,
    *,
    datum: tuple | None = None,
    replaces: int | None = None,
    fit: bool = False,
    code: int | str | None = None,
    progress: Progress = silent,
) -> Fitted:
    """Bring visits without a known lake level to the datum of a lake's store.

    Parameters
    ----------
    incoming : Soundings
        What is to be added: reduced to a datum or not, visits with and without a known level.
    stored : Soundings, optional
        What the store holds around them, maybe nothing, in the same CRS; their datum is held.
        None for a new store, in which the visits with a known level are held, else the first one
        in time.
    datum : tuple, optional
        Datum of the store, name and elevation in m; None for soundings that are not reduced.
    replaces : int, optional
        Number of visits in the store, if those that come again are exchanged: they do not count
        then, and where they are all that there is, the store is as good as new.
    fit : bool
        Also fit visits with a known level, which may be wrong or of another gauge.
    code : int or str, optional
        Coordinate system of the positions, for the days of the lake.
    progress : callable

    Returns
    -------
    Fitted

    Raises
    ------
    LakefloorError
        If the places where tracks meet do not suffice, as for :func:`.unknown_level.water_of_the_day`.

    Notes
    -----
    Visits that carry one datum without elevation are at one level already and get one offset.
    A visit of which a part is in the store gets the offset of that part. A visit whose datum is
    the level of a first visit, since none was asked for, is moved to the store's by the levels,
    unless it is to be fitted. With ``fit`` each visit with a known level gets its own offset. In a
    new store there is nothing to fit to.
    """
    incoming = on_own_waters(incoming, code)
    if stored is None:
        return _first_in_store(incoming, progress, fit)
    known = known_soundings(incoming, stored)
    if replaces is not None:
        again = distinct(stored.visit[known.visit[known.there]])[0]
        if len(again) == replaces:
            return _first_in_store(incoming, progress, fit)
        stored = stored.select(~np.isin(stored.visit.astype(str), again))
        known = known_soundings(incoming, stored)
    incoming, moved = (incoming, "") if fit else _moved(incoming, datum)
    names, unit = without_level(incoming, datum)
    unread = len(names)
    if fit:
        names, unit = _with_level(incoming, names, unit)
    if not names:
        return Fitted(incoming, datum, moved)
    progress(0.1)
    offsets: dict[int, Offset] = {}
    waiting = []
    for k, name in enumerate(names):
        part = (unit == k) & known.there
        if part.any():
            offset = float(np.median(incoming.depth[part] - known.depth[part]))
            offsets[k] = Offset(name, offset, _stored_error(stored, known.visit[part]), 0)
        else:
            waiting.append(k)
    notes = tuple(_notes_on_parts(names[unread:], unit - unread, known)) if fit else ()
    if waiting:
        joint = _joined(incoming, stored, unit, names, waiting, span(progress, 0.1, 0.9))
        for k, offset, error, count, out in zip(
            waiting, joint.offset, joint.std_error, joint.observations, joint.left_out
        ):
            offsets[k] = Offset(names[k], float(offset), float(error), int(count), float(out))
        met = [k for k in waiting if incoming.accepted[unit == k].any()]
        for of_known in (False, True):
            refuse_weak(
                [offsets[k] for k in met if (k >= unread) == of_known],
                " of the lake database",
                of_known,
            )
        notes += (*notes_on_large([offsets[k] for k in met]), *_notes_on_change(joint.network))
    rows = tuple(offsets[k] for k in range(len(names)))
    done = _shifted(incoming, unit, rows, datum, unread)
    progress(1.0)
    read = [names[k] for k in waiting if k >= unread]
    route = " ".join(part for part in (moved, *_routes(names[:unread], read)) if part)
    return Fitted(done, datum, route, rows, notes)


def _notes_on_change(network):
    """Return what to say where many places are left out of the fit, as over a dredged hole."""
    out = network.blunder
    if out.size and out.mean() > _USUAL_BLUNDERS:
        typical = written(float(np.median(np.abs(network.residual[out]))), ".2f")
        yield (
            f"At {out.sum()} of {out.size} places where tracks meet, depths differ by about {typical} m "
            "from the fit. They are left out of it. Check whether the bottom has changed there."
        )


def _notes_on_parts(names, unit, known):
    """Return what to say of visits to be fitted that the lake's store holds, whole or in part."""
    for k, name in enumerate(names):
        there = known.there[unit == k]
        if known.copied[unit == k].any():
            # What a copy brings again keeps the level of its log.
            continue
        if there.all():
            yield (
                f"Visit '{excerpt(name)}' is in the lake database and keeps its level there. To fit "
                "it to the other visits, choose 'replace'."
            )
        elif there.any():
            yield (
                f"A part of visit '{excerpt(name)}' is in the lake database, and the rest takes the "
                "level of that part. To fit the whole visit, choose 'replace'."
            )


def _routes(unread, read):
    """Return why depths are those of the fit, for units without a level and those with one."""
    if unread:
        yield (
            f"No lake level is known. The depths of {of_visits(unread)} are fitted to the lake "
            "database where tracks cross."
        )
    if read:
        yield (
            f"The depths of {of_visits(read)} are fitted to the lake database where tracks cross, "
            "whatever the lake level that was given."
        )


def _with_level(incoming, names, unit):
    """Return names and unit numbers with visits of known level added, each for itself."""
    names, unit = list(names), unit.copy()
    for name, rows in each_visit(incoming):
        rows = rows[unit[rows] < 0]
        datums, group = datums_of(incoming.select(rows))
        for datum in dict.fromkeys(datums):
            # A visit at two datums has an offset at each.
            mine = np.array([other == datum for other in datums], bool)[group]
            unit[rows[mine]] = len(names)
            names.append(name if name not in names else f"{name} ({datum[0]})")
    return names, unit


def needs_fit(incoming: Soundings, datum: tuple | None, fit: bool = False) -> bool:
    """Tell whether soundings need those of a store at ``datum`` to come to its level."""
    return fit or bool(without_level(_moved(on_own_waters(incoming), datum)[0], datum)[0])


def _first_in_store(incoming, progress, fit) -> Fitted:
    """Make the datum of a new store: that of a known level, else the water of the first day."""
    done = _first_datum(incoming, progress)
    if not fit:
        return done
    return replace(
        done,
        notes=(
            *done.notes,
            "The lake database has no other visit to fit to, so known lake levels stay as they are.",
        ),
    )


def _first_datum(incoming, progress) -> Fitted:
    datums, group = datums_of(incoming)
    sure = np.array([d is not None and d[1] is not None for d in datums], bool)[group]
    if sure.all():
        return Fitted(incoming, None, "")
    if sure.any():
        held = sure
        found = {d for d in datums if d is not None and d[1] is not None}
        if len(found) > 1:
            words = " and ".join(sorted(datum_words(d) for d in found))
            raise LakefloorError(
                f"A lake database holds one datum, but these soundings have {words}. Reduce them "
                "to one."
            )
        (datum,) = found
    else:
        _, rows = visits_in_time(incoming)[0]
        datum = datums[group[rows[0]]]
        held = np.array([d == datum for d in datums], bool)[group]
    start = incoming.select(held)
    if held.all():
        return Fitted(
            start,
            datum,
            f"No lake level is known. The lake database counts depths from the {datum[0]}.",
        )
    rest = fit_to_stored(incoming.select(~held), start, datum=datum, progress=progress)
    order = np.argsort(np.concatenate([np.flatnonzero(held), np.flatnonzero(~held)]))
    return replace(rest, soundings=concatenate([start, rest.soundings]).select(order))


def _moved(incoming, datum):
    """Move visits whose datum nobody asked for to the store's, by their levels."""
    if datum is None or datum[1] is None:
        return incoming, ""
    texts, group = distinct(incoming.corrections)
    shift = np.full(len(texts), np.nan)
    for k, text in enumerate(texts):
        pairs = parse_corrections(text)
        if BY_FIRST_VISIT in pairs and "datum_elev_m" in pairs:
            shift[k] = datum[1] - float(pairs["datum_elev_m"])
    rows = np.isfinite(shift)[group]
    if not rows.any():
        return incoming, ""
    corrections = incoming.corrections.copy()
    corrections[rows] = with_corrections(
        corrections[rows], **datum_values(datum), **{BY_FIRST_VISIT: None}
    )
    depth = incoming.depth + np.where(rows, np.nan_to_num(shift)[group], 0.0)
    return incoming.replace(depth=depth, corrections=corrections), (
        "No gauge reading at the lake datum was given, so the depths of "
        f"{of_visits(incoming.visit[rows])} are reduced to the datum of the lake database, "
        f"{datum_words(datum)}."
    )


def _stored_error(stored, rows) -> float:
    """Return the standard error with which the visits of these soundings were fitted, m."""
    found = {text: parse_corrections(text) for text in set(stored.corrections[rows])}
    return max((float(pairs.get(VISIT_OFFSET_ERROR, 0.0)) for pairs in found.values()), default=0.0)


def _joined(incoming, stored, unit, names, waiting, progress) -> Joint:
    label = np.array([names[k] for k in unit], dtype=object)
    rows = np.isin(unit, waiting)
    part = incoming.replace(visit=label).select(rows)
    joint = join_levels(stored, part, unit="visit", least=FEWEST_MEETINGS, progress=progress)
    order = [list(joint.visit).index(names[k]) for k in waiting]
    network = replace(
        joint.network,
        offset=joint.network.offset[[0, *(i + 1 for i in order)]],
        std_error=joint.network.std_error[[0, *(i + 1 for i in order)]],
    )
    return replace(
        joint,
        visit=joint.visit[order],
        network=network,
        observations=joint.observations[order],
        left_out=joint.left_out[order],
    )


def _shifted(incoming, unit, offsets, datum, unread) -> Soundings:
    """Take the offsets off the units; those before ``unread`` are marked as of unknown level."""
    offset = np.array([row.offset for row in offsets])
    error = np.array([row.std_error for row in offsets])
    # A visit all of whose soundings are rejected meets nothing: its depths count for nothing.
    offset, error = np.nan_to_num(offset), np.nan_to_num(error)
    # Of visits that are at one level already, each keeps the error of its own level.
    alone = np.array(
        [len(distinct(incoming.visit[unit == k])[0]) == 1 for k in range(len(offsets))]
    )
    fitted = np.flatnonzero(unit >= 0)
    which = unit[fitted]
    done = take_off(incoming.select(fitted), offset[which], error[which], datum, anew=alone[which])
    corrections = with_corrections(
        done.corrections,
        **(_NO_DATUM if datum is None else {}),
        **{LEVEL: np.where(which < unread, UNKNOWN, _own_level(done))},
    )
    columns = {"depth": done.depth, "uncert": done.uncert, "corrections": corrections}
    for name, part in columns.items():
        columns[name] = getattr(incoming, name).copy()
        columns[name][fitted] = part
    return incoming.replace(**columns)


def _own_level(soundings):
    """Return what ``corrections`` say of an unknown level, None where they say nothing."""
    texts, group = distinct(soundings.corrections)
    said = [parse_corrections(text).get(LEVEL) for text in texts]
    return np.array(said, dtype=object)[group]
