"""What happens on a lake in five years, one step after the other, and what becomes of its map.

A step that should not have been let in, and made things worse, is taken back before the next, so
that each is judged against a sound database. Where a step is refused, the person follows the way out
that the step knows: the lake level fitted, the right unit, the right clock.
"""

import shutil
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from . import chain, log_files, outings
from .judge import LEVEL_M, WORSE, Judge, Ledger, entered, numbers_in
from .outings import OWN, Plan


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
        "add", "merge", "remove" or "undo".
    copy : tuple, optional
        Soundings and numbers of a merge.
    suffix : str
        Of the files: the format.
    how : dict
        How they are written, for the writer of that format.
    visits : int
        By how many visits the database should grow.
    hole : bool
        Whether this is the first visit to the hole, by which its volume is found.
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


@dataclass(frozen=True)
class Record:
    """How a step went. Lengths are m; what does not apply is NaN.

    Attributes
    ----------
    season, name
        Of the step.
    state : str
        "entered", "refused", "already there", "removed", "undone" or "not possible".
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
        Where the map became worse, its error if what is new were at its true level and nothing
        twice: what the noise of the positions does is in it.
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
    faults: tuple
    volume: tuple = None
    taken_back: bool = False


class World:
    """A lake, its database, and what is known of it."""

    def __init__(self, lake, seed, folder, cell=None, smoothing=None):
        self.lake, self.seed, self.folder = lake, seed, Path(folder)
        self.path = self.folder / f"{lake.name.lower()}.gpkg"
        self.judge, self.ledger = Judge(lake, cell, smoothing), Ledger()
        self.outings, self.written = 0, 0
        self.map, self.held = None, set()

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

    def do(self, step):
        """Take a step; yield its record, and that of the way out where it was needed."""
        backup = self.path.with_suffix(".before")
        if self.path.exists():
            shutil.copy(self.path, backup)
        before, visits = (self.map, self.held), len(self.visits())
        record = self._judged(step, self._taken(step), visits)
        wrong = not step.sound and record.state == "entered" and record.faults
        if wrong:
            shutil.copy(backup, self.path)
            self.map, self.held = before
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
        if step.kind == "remove":
            chain.remove(self.path, step.copy)
            return chain.Outcome()
        done = chain.undo(self.path)
        return chain.Outcome(refusal="" if done else chain.NOT_POSSIBLE)

    def _add(self, step):
        try:
            soundings = self.read(step.logs, step.handling, step.suffix, **step.how)
            soundings = chain.corrected(soundings, self.lake, step.handling)
        except chain.LakefloorError as error:
            return chain.Outcome(refusal=str(error))
        return chain.look_and_add(self.path, soundings, self.lake, step.handling)

    def read(self, logs, handling, suffix="txt", **how):
        """Write logs as files and read them; note in the ledger which pings the soundings are."""
        files = []
        for log in logs:
            self.written += 1
            path = self.folder / f"log{self.written:03d}.{suffix}"
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
        drawn = judge.draw(stored)
        state = _state(step, outcome)
        one, two = np.nan, np.nan
        if self.map is not None and drawn is not None:
            one, two = judge.before_and_after(self.map, drawn, when)
        faults = _faults(step, state, outcome, change)
        worse, perfect = state == "entered" and two > (1.0 + WORSE) * one, np.nan
        if worse:
            perfect = judge.before_and_after(self.map, self._without_faults(stored, change), when)[
                1
            ]
            faults += (f"worse by {100.0 * (two / one - 1.0):.0f}%",)
        if state == "entered" and count - visits != step.visits:
            faults += (f"{count - visits} visits instead of {step.visits}",)
        volume, since = None, when >= self.lake.dredging.day
        if step.hole and state == "entered":
            volume = (*judge.dug_out(self.map, drawn), self.lake.dredging.volume)
            faults += _faults_of_hole(judge, drawn, when, volume)
        self.map = drawn
        self.held = {n for n in self.ledger.numbers(stored) if n is not None}
        nan = np.nan
        return Record(
            step.season,
            step.name,
            state,
            step.sound,
            outcome,
            change,
            count,
            one,
            two,
            judge.rmse(drawn, when) if drawn else nan,
            judge.rmse(drawn, when, judge.hole) if drawn and since else nan,
            judge.within(drawn, when) if drawn else nan,
            judge.within(drawn, when, judge.hole) if drawn and since else nan,
            drawn.supported if drawn else nan,
            perfect,
            faults,
            volume,
        )

    def _without_faults(self, stored, change):
        """Return the map as if what is new had entered at its true level, nothing twice."""
        numbers = self.ledger.numbers(stored)
        known = {}
        first = np.array([known.setdefault(n, k) == k for k, n in enumerate(numbers)], bool)
        fresh = np.array([n is not None and n not in self.held for n in numbers], bool)
        depth = stored.depth - np.where(fresh, np.nan_to_num(change.level), 0.0)
        return self.judge.draw(stored.replace(depth=depth).select(first))


def _faults_of_hole(judge, drawn, when, volume):
    """Say whether hole and volume are right within what is stated: two standard uncertainties."""
    found, sd, true = volume
    faults = []
    if abs(found - true) > 2.0 * sd:
        faults.append(f"volume {found:.0f} +- {sd:.0f} m3, true {true:.0f}")
    within = judge.within(drawn, when, judge.hole)
    if within < 0.9:
        faults.append(f"{100.0 * within:.0f}% of the hole within 2 sd")
    return tuple(faults)


def _state(step, outcome):
    if outcome.refusal == chain.NOT_POSSIBLE:
        return "not possible"
    if outcome.refusal or (outcome.findings and not outcome.entered):
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
    return tuple(faults)
