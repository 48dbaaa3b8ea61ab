"""What a person set aside in a store holds for what enters later, as its history tells."""

from __future__ import annotations

import json

import numpy as np

from .._i18n import tr
from ..core.geopackage import positions
from ..core.soundings import ACCEPTED
from ..core.visits.by_hand import (
    ACCEPT,
    BOTTOM_CHANGED,
    HELD_BACK,
    HOLD_BACK,
    MARK_CHANGED,
    REJECT,
    REMOVE,
    RENAMED,
    SET_ASIDE,
    VisitPart,
    carried_over,
    marked,
)
from ..core.visits.copied import SAME
from ..core.visits.decisions import NO_REASON, REJECT_PINGS, CertainPings, status_decided
from ..core.visits.store_content import Logged, find_known
from ..core.visits.store_visits import SUPERSEDED, SWITCHED_OFF
from .layout import IS_SUPERSEDED, layout_of
from .linking import move_decisions, pings_decided
from .rows import as_times, decoding
from .visits import logged


def _told(db, actions) -> list:
    """Return what a person did, and was not undone: action, visit, its words and part, in order."""
    marks = ", ".join("?" * (len(actions) + 1))
    rows = db.execute(
        f"SELECT fid, action, visit, parameters FROM history WHERE action IN ({marks}) "
        "ORDER BY fid",
        ("undone", *actions),
    ).fetchall()
    with decoding():
        rows = [(fid, action, visit, json.loads(text or "{}")) for fid, action, visit, text in rows]
        undone = {words["row"] for _, action, _, words in rows if action == "undone"}
        return [
            (action, visit, words)
            for fid, action, visit, words in rows
            if action != "undone" and fid not in undone
        ]


def _removed_parts(db, name=None) -> list:
    """Return the parts of a visit that a person removed since it was entered.

    Without a name, those of all visits, each only while the removed soundings were logged.
    """
    found = {}
    for action, visit, words in _told(db, ("added", RENAMED, REMOVE)):
        if action == "added":
            found[visit] = []
            continue
        if action == RENAMED:
            found[words["to"]] = found.pop(visit, [])
            continue
        with decoding():
            part = VisitPart.of(words["part"])
            if name is None:
                part = part.between(words["logged_from"], words["logged_to"])
            found.setdefault(visit, []).append(part)
    if name is not None:
        return found.get(name, [])
    return [part for parts in found.values() for part in parts]


def without_removed(db, name, part, done):
    """Return soundings without those that a person removed from a visit before.

    ``name`` is that of the visit that they go on with. Without one they are another's, which may
    be a copy of what was removed here, told by its times.
    """
    gone = _held_by(_removed_parts(db, name), part)
    if gone.any():
        name = name or part.visit[0]
        done.notes.append(
            tr(
                "Soundings of visit '{}' that were removed by hand stay out: {}. To bring them "
                "back, choose 'replace'."
            ).format(name, int(gone.sum()))
        )
    return part.select(~gone) if gone.any() else part


def say_removed(db, name, part, done):
    """Note how many soundings of a new reading a person had removed from the old one."""
    back = int(_held_by(_removed_parts(db, name), part).sum())
    if back:
        done.notes.append(
            tr(
                "Soundings that had been removed from visit '{}' by hand enter again with the new "
                "reading: {}. To remove them again, run 'Set soundings aside'."
            ).format(name, back)
        )


def _held_by(parts, soundings):
    held = np.zeros(len(soundings), bool)
    for part in parts:
        held |= part.holds(soundings.x, soundings.y, soundings.time)
    return held


def with_changes(db, part, done):
    """Return soundings that enter, those set aside that are older than a change of the bottom."""
    status = marked(part, marks_of(db), np.ones(len(part), bool))
    changed = status != part.status
    if not changed.any():
        return part
    done.notes.append(
        tr(
            "Of the soundings that enter, {} are older than a change of the bottom that was "
            "marked by hand, and have the status 'bottom changed'."
        ).format(int(changed.sum()))
    )
    return part.replace(status=status)


def marks_of(db) -> list:
    """Return what a person said of changes of the bottom, and was not undone, for :func:`marked`.

    An action on all visits counts once, though the history has a row for each visit; one on some
    visits concerns no others.
    """
    found, before = [], None
    for action, _, words in _told(db, (MARK_CHANGED, ACCEPT)):
        if words.get("visits") is not None:
            continue
        if (action, words) != before:
            with decoding():
                found.append((action, VisitPart.of(words["part"]), words["words"]))
        before = (action, words)
    return found


def marks_beneath(db) -> list:
    """Return what keeps superseded soundings from being mapped where they are not superseded.

    On an earlier day, or without some visits, these are accepted again but for what a person
    decided on them, or that their visit is switched off. As :func:`marks_of`.
    """
    if layout_of(db) < 4:
        return []
    not_mapped = f"({IS_SUPERSEDED} OR substr(status, 1, {len(BOTTOM_CHANGED)}) = ?)"
    rows = db.execute(
        "SELECT d.reason, ?, s.geom, s.time FROM decisions d JOIN soundings s "
        f"ON s.fid = d.sounding WHERE d.decision = ? AND {not_mapped} UNION ALL "
        "SELECT ?, ?, s.geom, s.time FROM soundings s WHERE s.visit_id IN "
        f"(SELECT fid FROM visits WHERE off_since IS NOT NULL) AND {not_mapped}",
        (REJECT, REJECT_PINGS, BOTTOM_CHANGED, SWITCHED_OFF[len(HELD_BACK) :], HOLD_BACK)
        + (BOTTOM_CHANGED,),
    ).fetchall()
    found = {}
    for reason, action, *ping in rows:
        found.setdefault((action, reason or NO_REASON), []).append(ping)
    with decoding():
        return [
            (action, _certain(*zip(*pings)), reason)
            for (action, reason), pings in sorted(found.items())
        ]


def _certain(geometry, time):
    return CertainPings(as_times(time), *positions(geometry))


def as_by_hand(db, visits, part, done, progress):
    """Return a new reading of visits with what a person said of the old one.

    Soundings on which was decided get that status, and those set aside stay so.
    """
    switched = part.status == SWITCHED_OFF
    part = part.replace(status=np.where(switched, ACCEPTED, part.status).astype(object))
    begins = " OR ".join(f"substr(s.status, 1, {len(text)}) = '{text}'" for text in SET_ASIDE)
    query = (
        f"SELECT 1 FROM soundings s WHERE s.visit_id = ? AND ({begins} OR s.fid IN "
        "(SELECT sounding FROM decisions)) LIMIT 1"
    )
    old = [visit for visit in visits if db.execute(query, (visit.number,)).fetchone()]
    if not old:
        return as_decided(db, part, done)
    known = find_known(part, logged(db, part, old, progress, by_row=True)).visit
    part = as_decided(db, part, done, known)
    status = {}
    for visit in old:
        query = f"SELECT fid, status FROM soundings s WHERE visit_id = ? AND ({begins})"
        status.update(db.execute(query, (visit.number,)))
    before = np.array([status.get(fid, "") for fid in known.tolist()], object)
    kept = carried_over(part, before)
    count = int((kept.status != part.status).sum())
    if count:
        done.notes.append(
            tr("Soundings that were set aside by hand stay so in the new reading: {}.").format(
                count
            )
        )
    return kept


def as_decided(db, part, done, before=None):
    """Return soundings that enter, with the statuses that a person decided on.

    Parameters
    ----------
    part : Soundings
    done : Added
        Gets a note.
    before : int array, shape (n,), optional
        Rows of the store that they replace, -1 for none.

    Notes
    -----
    A decision on a ping that the store has not at present, since its visit was removed, holds too:
    the ping is known by when, where and how deep it was logged.
    """
    found, rows = _pings_in(db, part, before)
    if not len(found):
        return part
    cleaned = part.status[rows]
    said = [
        old if new.startswith((SUPERSEDED, *SET_ASIDE)) else new
        for old, new in zip(found.said, cleaned)
    ]
    status = part.status.copy()
    status[rows] = [
        status_decided(decision, now, first, reason)
        for decision, now, first, reason in zip(found.decision, cleaned, said, found.reason)
    ]
    move_decisions(db, found, part, rows, said)
    count = int((status != part.status).sum())
    if count:
        done.notes.append(
            tr(
                "Soundings that were rejected or accepted one by one have that status again: {}."
            ).format(count)
        )
    return part.replace(status=status)


def _pings_in(db, part, before):
    """Return the decisions on soundings that enter, and the row of each among these."""
    ours, rows = pings_decided(db, "0"), np.empty(0, np.int64)
    if before is not None:
        at = np.flatnonzero(before >= 0)
        ours = pings_decided(db, "sounding IS NOT NULL")
        at = at[np.argsort(before[at], kind="stable")]
        place = np.searchsorted(before[at], ours.sounding)
        there = place < len(at)
        there[there] = before[at[place[there]]] == ours.sounding[there]
        ours, rows = ours.pick(there), at[place[there]]
    lost = pings_decided(db, "sounding IS NULL")
    if not len(lost):
        return ours, rows
    ping, free = lost.ping, np.setdiff1d(np.arange(len(part)), rows)
    number = np.arange(len(lost))
    held = Logged(
        number,
        ping.x,
        ping.y,
        ping.time,
        ping.raw_depth,
        ping.depth,
        np.zeros(len(lost), int),
        np.ones(len(lost), bool),
    )
    known = find_known(part.select(free), [held])
    there = known.there & (known.kind == SAME)
    lost = lost.pick(known.visit[there])
    return ours.joined(lost), np.concatenate([rows, free[there]])
