"""The five years that every lake goes through: what is done, in order."""

from dataclasses import replace

import numpy as np
from shapely.geometry import Point, box

from . import chain, friends, outings
from .chain import FIT, Handling
from .lakes import LAKES
from .outings import Gear
from .seasons import Step

#: A friend counts depths from this datum, which is so much higher, m.
OTHER_DATUM, HIGHER = "full pool", 0.6
FRIEND = "Ben"

BORROWED = Gear(draft=0.45, bias=0.2)
FRIENDS = Gear(draft=0.2, gain=0.8, offset=0.05, gps=2.5)


def five_years(w):
    """Yield the steps of five seasons in a world, each when the one before has been done."""
    for year, season in enumerate((_first, _second, _third, _fourth), 2021):
        yield from season(w)
        w.note_year(year)
    yield from _fifth(w)
    w.look_back()
    yield from _mistakes(w)


def addition(w, season, name, logs, *, handling=None, **traits):
    """Return the step that adds logs with good gauge readings and the right draft."""
    handling = handling or Handling(w.gauge(*logs), logs[0].gear.draft)
    return Step(season, name, logs[-1].when[-1], tuple(logs), handling, **traits)


def _fitted(step, name="its level fitted"):
    """Return the way out of a wrong level."""
    return replace(
        step, name=f"{step.name}: {name}", handling=replace(step.handling, level=FIT), sound=True
    )


def _wrong_level(w, season, name, log, handling):
    step = addition(w, season, name, [log], handling=handling, sound=False)
    return replace(step, cure=_fitted(step))


def _first(w):
    year = 2021
    one = w.outing(w.day(year, 0), 10)
    yield addition(w, 1, "first visit", [one])
    w.first, w.first_name = one, w.visits()[0]
    two = w.outing(w.day(year, 1), 100)
    yield addition(w, 1, "lanes across, an NMEA log", [two], suffix="nmea")
    yield addition(w, 1, "first log again", [one], visits=0)
    whole = w.outing(w.day(year, 2), 55)
    w.halved = whole
    for half, more, which in zip(whole.halves(), (1, 0), ("first", "second")):
        handling = Handling(w.gauge(whole), whole.gear.draft)
        yield addition(w, 1, f"{which} half of a log", [half], handling=handling, visits=more)


def _second(w):
    year = 2022
    log = w.outing(w.day(year, 0), 140)
    yield addition(w, 2, "no gauge", [log], handling=Handling())
    log = w.outing(w.day(year, 1), 30, BORROWED)
    handling = Handling(w.gauge(log), BORROWED.draft)
    yield _wrong_level(w, 2, "another boat, sounder 0.2 m off", log, handling)
    log = w.outing(w.day(year, 2), 75)
    yield _wrong_level(w, 2, "gauge 0.4 m wrong", log, Handling(w.gauge(log, wrong=0.4)))
    log = w.outing(w.day(year, 3), 165)
    away = np.timedelta64(167, "D")
    far = outings.readings(w.lake, [log.when[0] - away, log.when[0] + away])
    apart = addition(
        w, 2, "gauge readings 11 months apart", [log], handling=Handling(far), sound=False
    )
    without = replace(apart, name=f"{apart.name}: left out", handling=Handling(), sound=True)
    yield replace(apart, cure=without)
    log = w.outing(w.day(year, 4), 120, Gear(gain=0.7, offset=0.1))
    yield addition(w, 2, "another hardness gain, GPX", [log], suffix="gpx", gain=0.7)


def _third(w):
    year = 2023
    log = w.outing(w.day(year, 0), 0, shift=0.2)
    feet = addition(
        w, 3, "feet as meters", [log.in_feet()], sound=False, how={"depth_name": "depth"}
    )
    right = replace(
        feet, name="feet as meters: read in feet", sound=True, handling=replace(feet.handling, unit="ft")
    )  # fmt: skip
    yield replace(feet, cure=right)
    east, north = w.lake.origin
    names = list(LAKES)
    other = LAKES[names[(names.index(w.lake.name.lower()) + 1) % len(names)]]()
    other = replace(other, epsg=w.lake.epsg, origin=(east + 4200.0, north + 2900.0))
    log = w.outing(w.day(year, 1), 20, lake=other)
    yield addition(w, 3, "another lake's log", [log], sound=False)
    log = w.outing(w.day(year, 2), 90, shift=0.3)
    level = Handling(w.lake.gauge_at_datum + log.level)
    late = addition(
        w, 3, "dates 1,024 weeks back", [log.rolled_back()], handling=level, sound=False
    )
    late = replace(late, when=log.when[-1])
    right = replace(
        late,
        name="dates 1,024 weeks back: a roll-over added",
        sound=True,
        handling=replace(level, weeks=1),
    )
    yield replace(late, cure=right)
    log = w.outing(w.day(year, 3), 45, shift=0.7)
    handling = Handling(w.lake.gauge_at_datum + log.level)
    yield addition(w, 3, "no times", [log.without_times()], handling=handling)
    log = w.outing(w.day(year, 5), 110, weeds=(0.8, 4.0))
    yield addition(w, 3, "weeds", [log], sound=False)
    log = w.outing(w.day(year, 6), 150, FRIENDS)
    yield _merge(w, 3, "friend's copy at another datum", *friends_copy(w, [log]), when=log.when[-1])


def _fourth(w):
    year, dug = 2024, w.lake.dredging
    whole = w.outing(w.day(year, 0), 20, shift=0.1)
    x, y = w.lake.origin[0] + dug.u, w.lake.origin[1] + dug.v
    patch = Point(x, y).buffer(dug.radius + 15.0)
    later = whole.when[-1] + np.timedelta64(20, "m")
    dense = w.outing(later, 20, spacing=0.4, part=patch, crosses=3)
    handling = Handling(w.gauge(whole, dense), newer_wins=True)
    yield addition(w, 4, "dredged hole, newer wins", [whole, dense], handling=handling, hole=True)
    w.dug = whole
    old = w.outing(np.datetime64("2022-07-03T15:00", "ms"), 70, FRIENDS)
    copy, numbers = friends_copy(w, [old])
    copy, numbers = friends.thinned(copy, numbers, 3)
    yield _merge(w, 4, "friend's copy from before the hole", copy, numbers, sound=False, when=later)
    log = w.outing(w.day(year, 2), 130, shift=0.9)
    yield _merge(
        w, 4, "copy of a log of mine comes first", *friends_copy(w, [log]), when=log.when[-1]
    )
    yield addition(w, 4, "then that log itself", [log], visits=0)
    log = w.outing(w.day(year, 3), 60, shift=0.4)
    yield addition(w, 4, "mud settles", [log])


def _fifth(w):
    year = 2025
    when = w.day(year, 0)
    yield _merge(w, 5, "copy of a log that I have", *friends_copy(w, [w.dug]), when=when)
    log = w.outing(when, 100, FRIENDS, shift=0.15)
    copy, numbers = friends_copy(w, [log])
    west, south, east, north = w.lake.shore.bounds
    cut, rows = friends.clipped(copy, numbers, box(west, south, 0.5 * (west + east), north))
    yield _merge(w, 5, "clipped copy", cut, rows, when=log.when[-1])
    log = w.outing(w.day(year, 1), 10, FRIENDS, shift=0.65)
    copy, numbers = friends_copy(w, [log])
    coarse, rows = _coarse(w, copy, numbers, 10.0, log.when[-1])
    yield _merge(w, 5, "coarsened copy, 10 m", coarse, rows, when=log.when[-1])
    log = w.outing(w.day(year, 2), 80, shift=0.85)
    yield addition(
        w, 5, "gauge in steps of 0.1 ft", [log], handling=Handling(w.gauge(log, step=0.03048))
    )
    theirs = w.outing(log.when[-1] + np.timedelta64(2, "D"), 125, FRIENDS, shift=0.25)
    other = friends_database(w, [log, theirs])
    traits = {"kind": "merge database", "copy": other}
    yield Step(5, "friend's database, one log of mine in it", theirs.when[-1], **traits)
    log = w.outing(w.day(year, 3), 5, shift=0.35)
    yield addition(w, 5, "mud settles further", [log])


def _mistakes(w):
    last = w.day(2025, 3)
    yield Step(5, "first visit removed", last, kind="remove", copy=(w.first_name,))
    handling = Handling(w.gauge(w.first), newer_wins=True)
    back = addition(w, 5, "first visit put back, newer wins", [w.first], handling=handling)
    yield replace(back, when=last)
    wrong = w.outing(w.day(2025, 4), 35, shift=0.55)
    visits = len(w.visits())
    yield addition(w, 5, "one more visit", [wrong])
    if len(w.visits()) > visits:
        yield Step(5, "the last one undone", wrong.when[-1], kind="undo")


def _merge(w, season, name, copy, numbers, *, when, **traits):
    """Return the step that merges a copy, whose pings the ledger comes to know by its places."""
    w.ledger.enter(copy, numbers, w.ledger.truth(numbers), w.ledger.when(numbers))
    return Step(season, name, when, kind="merge", copy=(copy, numbers), **traits)


def friends_database(w, logs):
    """Return a friend's database of logs, at another datum."""
    path = w.folder / "friend.gpkg"
    path.unlink(missing_ok=True)
    for log in logs:
        handling = Handling(
            w.gauge(log), log.gear.draft, datum=OTHER_DATUM, datum_up=HIGHER, owner=FRIEND
        )
        soundings = chain.corrected(w.read([log], handling), w.lake, handling)
        outcome = chain.look_and_add(path, soundings, w.lake, handling, all_the_same=True)
        if outcome.refusal:
            raise ValueError(outcome.refusal)
    return path


def friends_copy(w, logs):
    """Return what a friend's database of logs hands on: a copy without times."""
    soundings = chain.stored(friends_database(w, logs))
    return friends.bare_copy(soundings, w.ledger.numbers(soundings))


def _coarse(w, copy, numbers, cell, when):
    """Return a copy of the means of cells; they are new soundings of their own truth."""
    coarse, group = friends.coarsened(copy, cell)
    made = w.ledger.new_numbers(len(coarse))
    count = np.bincount(group)
    truth = np.bincount(group, weights=w.ledger.truth(numbers)) / count
    w.ledger.enter(coarse, made, truth, np.full(len(coarse), when))
    return coarse, made
