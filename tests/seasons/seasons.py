"""What happens on a lake in five years, one step after the other, and what becomes of its map.

A step that should not have been let in, and made things worse, is taken back before the next, so
that each is judged against a sound database. Where a step is refused, the person follows the way out
that the step knows: the lake level fitted, the right unit, the right clock.
"""

import shutil
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from lakefloor.algorithms.core.visits.log_book import FITTED, GAUGE_READINGS, ONE_LEVEL

from . import chain, log_files, outings
from .judge import LEVEL_M, WORSE, Judge, Ledger, entered, numbers_in
from .outings import OWN, Plan

#: The hole may be wrong by this many times the error of the map of the visit to it alone.
MOST_OF_HOLE = 1.3


@dataclass(frozen=True)
class Step:
    """One thing that a person does.

    Attributes
    ----------
    season : int
    name : str
    when : datetime64
    logs : tuple of Log
        Written as files and read again; for a merge none.
    handling : Handling
    sound : bool
        Whether it may enter as it is.
    cure : Step, optional
        What the person does when it is refused.
    kind : str
        "add", "merge", "merge database", "remove" or "undo".
    copy : tuple or Path, optional
        Soundings and numbers of a merge; the other database; names of visits to remove.
    suffix : str
        Of the files: the format.
    how : dict
        How they are written, for the writer of that format.
    visits : int
        By how many visits the database should grow.
    hole : bool
        Whether this is the first visit to the hole, by which its volume is found.
    gain : float, optional
        Of the hardness of the logs against all before, which must be found.
    all_the_same : bool
        Enter in spite of what the first look finds.
    """

    season: int
    name: str
    when: np.datetime64
    logs: tuple = ()
    handling: chain.Handling = field(default_factory=chain.Handling)
    sound: bool = True
    cure: object = None
    kind: str = "add"
    copy: tuple = None
    suffix: str = "txt"
    how: dict = field(default_factory=dict)
    visits: int = 1
    hole: bool = False
    gain: float = None
    all_the_same: bool = False


@dataclass(frozen=True)
class Record:
    """How a step went. Lengths are m; what does not apply is NaN.

    Attributes
    ----------
    season, name
        Of the step.
    state : str
        "entered", "refused", "already there", "removed" or "undone".
    sound : bool
        Of the step.
    outcome : Outcome
        Of the chain.
    change : Entered or None
    visits : int
        In the database.
    before, after : float
        Errors of the maps before and after, on the cells that both reach.
    rmse, hole, within, hole_within : float
        Error of the map and of the hole, shares of their cells within two standard uncertainties.
    supported : float
        Share of the 1 ft contours.
    perfect : float
        Where the map became worse, its error if what is new had entered without fault: what is
        left is noise, of positions above all. An addition does harm only beyond this.
    alone : float
        Error of the hole in a map of the visit to it alone.
    faults : tuple of str
        What is against the promises.
    volume : tuple of float, optional
        Of the hole: found, its uncertainty, true, m3.
    taken_back : bool
        Whether the step was undone after it was judged.
    """

    season: int
    name: str
    state: str
    sound: bool
    outcome: object
    change: object
    visits: int
    before: float
    after: float
    rmse: float
    hole: float
    within: float
    hole_within: float
    supported: float
    perfect: float
    alone: float
    faults: tuple
    volume: tuple = None
    taken_back: bool = False


class World:
    """A lake, its database, and what is known of it."""

    def __init__(self, lake, seed, folder, cell=None, smoothing=None):
        self.lake, self.seed, self.folder = lake, seed, Path(folder)
        self.path = self.folder / f"{lake.name.lower()}.gpkg"
        self.judge, self.ledger = Judge(lake, cell, smoothing), Ledger()
        self.outings, self.files = 0, []
        self.map, self.held = None, set()
        self.rows, self.rows_before = None, None
        self.years, self.years_wrong = {}, None

    def day(self, year, week):
        """Return ten in the morning of a day, so many weeks after high water, UTC."""
        west, south, _, _ = self.lake.shore.bounds
        lon, _ = self.lake.to_degrees(west, south)
        days = round(365.0 * self.lake.high_water) + 7 * week
        minutes = round(600.0 - 4.0 * lon)
        start = np.datetime64(f"{year}-01-01T00:00", "ms")
        return start + np.timedelta64(days, "D") + np.timedelta64(minutes, "m")

    def outing(self, start, heading, gear=OWN, spacing=1.0, weeds=None, lake=None, **plan):
        """Return the log of a new outing; ``spacing`` is in those of the lake."""
        self.outings += 1
        lake = lake or self.lake
        plan = Plan(np.datetime64(start, "ms"), heading, spacing * lake.spacing, **plan)
        return outings.outing(lake, plan, gear, self.seed, self.outings, weeds)

    def gauge(self, *logs, wrong=0.0, step=0.0):
        """Return readings an hour before and after logs, too high by ``wrong``, in steps."""
        hour = np.timedelta64(1, "h")
        times = [logs[0].when[0] - hour, logs[-1].when[-1] + hour]
        times, level = outings.readings(self.lake, times, step)
        return times, level + wrong

    def stored(self):
        """Return all soundings of the database."""
        return chain.stored(self.path)

    def visits(self):
        """Return the names of the visits in the database."""
        return chain.visits(self.path) if self.path.exists() else []

    def note_year(self, year):
        """Keep what the database holds at the end of a year, for :meth:`look_back`."""
        self.years[year] = _timed(self.stored())

    def look_back(self):
        """Note the years of which the lake as of their last day is not what it was then.

        Soundings without a time are of no year, so only the others are compared.
        """
        self.years_wrong = [
            year
            for year, rows in self.years.items()
            if _timed(chain.as_of(self.path, f"{year}-12-31")) != rows
        ]

    def do(self, step):
        """Take a step; yield its record, and that of the way out where it was needed."""
        backup = self.path.with_suffix(".before")
        if self.path.exists():
            shutil.copy(self.path, backup)
        before, visits = (self.map, self.held, self.rows, self.rows_before), len(self.visits())
        record = self._judged(step, self._taken(step), visits)
        wrong = not step.sound and record.state == "entered" and record.faults
        if wrong:
            shutil.copy(backup, self.path)
            self.map, self.held, self.rows, self.rows_before = before
        yield replace(record, taken_back=bool(wrong))
        if step.cure is not None and (wrong or record.state == "refused"):
            yield from self.do(step.cure)

    def _taken(self, step):
        """Do what a step says; return its outcome."""
        if step.kind == "add":
            return self._add(step)
        if step.kind == "merge":
            soundings, _ = step.copy
            return chain.merge_in(
                self.path, soundings, copy_name=f"copy {step.when.astype('M8[D]')}"
            )
        if step.kind == "merge database":
            return chain.merge_database(self.path, step.copy)
        if step.kind == "remove":
            chain.remove(self.path, step.copy)
        else:
            chain.undo(self.path)
        return chain.Outcome()

    def _add(self, step):
        try:
            soundings = self.read(step.logs, step.handling, step.suffix, **step.how)
            soundings = chain.corrected(soundings, self.lake, step.handling)
        except chain.LakefloorError as error:
            return chain.Outcome(refusal=str(error))
        files = self.files[-len(step.logs) :]
        return chain.look_and_add(
            self.path, soundings, self.lake, step.handling, files, step.all_the_same
        )

    def read(self, logs, handling, suffix="txt", **how):
        """Write logs as files and read them; note in the ledger which pings the soundings are."""
        files = []
        for log in logs:
            path = self.folder / f"log{len(self.files) + 1:03d}.{suffix}"
            self.files.append(path.name)
            files.append(log_files.write(log, path, **how))
        soundings, start = chain.read(files, self.lake, handling), 0
        for log in logs:
            part = soundings.select(slice(start, start + len(log)))
            rows = numbers_in(part, log)
            self.ledger.enter(part, log.number[rows], log.truth[rows], log.when[rows])
            start += len(log)
        return soundings

    def _judged(self, step, outcome, visits):
        """Compare the database and its map with the truth after a step."""
        judge, when = self.judge, step.when
        count, stored = len(self.visits()), self.stored()
        change = entered(self.ledger, self.lake, stored, self.held)
        state, rows = _state(step, outcome), rows_of(stored)
        before = self.map
        drawn = before if rows == self.rows else judge.draw(stored)
        one, two = np.nan, np.nan
        if before is not None and drawn is not None:
            one, two = judge.before_and_after(before, drawn, when)
        faults = _faults(step, state, outcome, change)
        if state == "entered" and count - visits != step.visits:
            faults += (f"{count - visits} visits instead of {step.visits}",)
        if state == "entered" and step.kind == "add":
            faults += self._faults_of_log_book(step, outcome)
        if state == "undone" and rows != self.rows_before:
            faults += ("not as it was before",)
        perfect = alone = np.nan
        if state == "entered" and two > (1.0 + WORSE) * one:
            without = judge.draw(self._without_faults(stored, change, when))
            perfect = judge.before_and_after(before, without, when)[1]
            if two > (1.0 + WORSE) * max(one, perfect):
                faults += (f"worse by {100.0 * (two / one - 1.0):.0f}%",)
        volume, since = None, when >= self.lake.dredging.day
        if step.hole and state == "entered":
            volume = (*judge.dug_out(before, drawn), self.lake.dredging.volume)
            of_it = judge.draw(stored.select(np.isin(stored.visit.astype(str), outcome.visits)))
            alone = judge.rmse(of_it, when, judge.hole)
            faults += _faults_of_hole(judge, drawn, when, volume, alone)
        self.map, self.rows, self.rows_before = drawn, rows, self.rows
        self.held = {n for n in self.ledger.numbers(stored) if n is not None}
        seen = drawn is not None
        hole = seen and since
        return Record(
            season=step.season,
            name=step.name,
            state=state,
            sound=step.sound,
            outcome=outcome,
            change=change,
            visits=count,
            before=one,
            after=two,
            rmse=judge.rmse(drawn, when) if seen else np.nan,
            hole=judge.rmse(drawn, when, judge.hole) if hole else np.nan,
            within=judge.within(drawn, when) if seen else np.nan,
            hole_within=judge.within(drawn, when, judge.hole) if hole else np.nan,
            supported=drawn.supported if seen else np.nan,
            perfect=perfect,
            alone=alone,
            faults=faults,
            volume=volume,
        )

    def _faults_of_log_book(self, step, outcome):
        """Say what the log-book has wrong of the visits that an addition made or went on with."""
        book, files = chain.log_book(self.path), self.files[-len(step.logs) :]
        faults = []
        for name in outcome.visits:
            facts = book[name]
            wrong = [
                word
                for word, right in (
                    ("files", set(files) <= set(facts.files)),
                    ("draft", facts.draft_m == step.handling.draft),
                    ("level", facts.level_from in _ways(step.handling)),
                    ("offset", name not in outcome.offsets or facts.offset_m is not None),
                    ("owner", facts.owner == step.handling.owner),
                )
                if not right
            ]
            if wrong:
                faults.append(f"log-book of {name}: {', '.join(wrong)} ({facts})")
        return tuple(faults)

    def _without_faults(self, stored, change, when):
        """Return the soundings as if what is new had entered without fault, and nothing twice.

        It is then of the bottom of the day, at its true level, and without blunders; the noise of
        its depths and all errors of its positions stay.
        """
        numbers = self.ledger.numbers(stored)
        known = {}
        first = np.array([known.setdefault(n, k) == k for k, n in enumerate(numbers)], bool)
        fresh = np.array([n is not None and n not in self.held for n in numbers], bool)
        new = numbers[fresh]
        x, y, truth = stored.x[fresh], stored.y[fresh], self.ledger.truth(new)
        error = stored.depth[fresh] - truth - np.nan_to_num(change.level)
        usual = 1.4826 * np.median(np.abs(error[stored.accepted[fresh]]))
        error = np.where(np.abs(error) > 4.0 * usual, 0.0, error)
        depth, then = stored.depth.copy(), self.ledger.when(new)
        since = self.lake.depth(x, y, when) - self.lake.depth(x, y, then)
        depth[fresh] = truth + np.nan_to_num(since) + error
        return stored.replace(depth=depth).select(first)


def rows_of(soundings):
    """Return what is stored, in one order, to compare it."""
    s = soundings
    depth = np.round(s.depth, 6)
    return sorted(
        zip(s.x.tolist(), s.y.tolist(), s.raw_depth.tolist(), depth.tolist(), s.status, s.visit)
    )


def _timed(soundings):
    return rows_of(soundings.select(~np.isnat(soundings.time)))


def _ways(handling):
    """Return the words of a log-book on how the level was got that fit."""
    if handling.gauge is None or handling.level == chain.FIT:
        return (FITTED,)
    # Readings that were all alike are as good as one.
    return (GAUGE_READINGS, ONE_LEVEL) if isinstance(handling.gauge, tuple) else (ONE_LEVEL,)


def _faults_of_hole(judge, drawn, when, volume, alone):
    """Say whether hole and volume are right within what is stated: two standard uncertainties."""
    found, sd, true = volume
    faults = []
    if abs(found - true) > 2.0 * sd:
        faults.append(f"volume {found:.0f} +- {sd:.0f} m3, true {true:.0f}")
    error = judge.rmse(drawn, when, judge.hole)
    if error > MOST_OF_HOLE * alone:
        faults.append(f"hole {error:.2f} m, by the new visit alone {alone:.2f} m")
    within = judge.within(drawn, when, judge.hole)
    if within < 0.9:
        faults.append(f"{100.0 * within:.0f}% of the hole within 2 sd")
    return tuple(faults)


def _state(step, outcome):
    if outcome.refused:
        return "refused"
    if step.kind in ("remove", "undo"):
        return {"remove": "removed", "undo": "undone"}[step.kind]
    return "entered" if outcome.entered else "already there"


def _faults(step, state, outcome, change):
    """Say in a few words what a step did against the promises, but for the map."""
    faults = []
    if state == "refused" and step.sound:
        faults.append("false refusal")
    if change.duplicates:
        faults.append(f"{change.duplicates} duplicates")
    if state == "entered":
        stated = max((error for _, error in outcome.offsets.values()), default=0.0)
        if abs(change.level) > max(LEVEL_M, 2.0 * stated):
            faults.append(f"level {change.level:+.2f} m")
        if change.dates_wrong:
            faults.append("dates wrong")
        if change.off_lake:
            faults.append(f"{change.off_lake} off the lake")
        faults += _faults_of_gain(step.gain, outcome.gains)
    return tuple(faults)


def _faults_of_gain(true, gains):
    """Say whether a known gain of hardness was found within three standard errors."""
    if true is None:
        return []
    found, sd = next(iter(gains.values()), (np.nan, np.nan))
    # Saturated and rounded echoes make it a little wrong beyond chance.
    return [] if abs(found - true) <= 3.0 * sd + 0.05 else [f"gain {found:.2f}, true {true:.2f}"]
