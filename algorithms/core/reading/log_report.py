"""What became of the logs that were read: soundings, and a report in words."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from ..number_text import counted, written
from ..soundings import Soundings, each_visit
from .parsed_log import Assumed

#: Kind of a file that could not be used.
NOT_READ = "not read"


@dataclass(frozen=True)
class FileReport:
    """What became of one file.

    Attributes
    ----------
    name : str
    kind : str
        ``NMEA 0183``, ``GPX``, ``delimited text`` or :data:`NOT_READ`.
    soundings : int
    notes : tuple of str
        What was guessed, chosen or corrected; for a file not read, why.
    unread : dict
        Count of what was not read, by reason.
    """

    name: str
    kind: str
    soundings: int
    notes: tuple
    unread: dict


@dataclass(frozen=True)
class UnreadLine:
    """An example of what was not read; ``line`` 0 is the whole file."""

    file: str
    line: int
    reason: str
    text: str


@dataclass(frozen=True)
class LogReading:
    """The outcome of :func:`read_logs`.

    Attributes
    ----------
    soundings : Soundings
        In the CRS of ``epsg``.
    epsg : int or str
        Projected coordinate system in meters.
    files : tuple of FileReport
        In the order given.
    unread : tuple of UnreadLine
        The first examples of each reason in each file.
    dates : str
        By which clock the dates of the visits are counted, in words.
    warnings : tuple of str
        What cannot be right in the logs, though it was kept.
    """

    soundings: Soundings
    epsg: int | str
    files: tuple[FileReport, ...]
    unread: tuple[UnreadLine, ...]
    dates: str = ""
    warnings: tuple = ()

    @property
    def unread_counts(self) -> dict:
        """Exact counts over all files, by reason, the most frequent first."""
        total = Counter()
        for report in self.files:
            total.update(report.unread)
        return dict(total.most_common())

    @property
    def unread_count(self) -> int:
        """Number of lines that were not read, and of files that could not be used."""
        unusable = sum(report.kind == NOT_READ for report in self.files)
        return sum(self.unread_counts.values()) + unusable

    @property
    def visits(self) -> list:
        """Names of the visits, in order."""
        return list(dict.fromkeys(self.soundings.visit))

    @property
    def assumed(self) -> dict:
        """What was assumed because the logs do not state it, with the names of the files."""
        found = {}
        for report in self.files:
            for note in report.notes:
                if isinstance(note, Assumed):
                    found.setdefault(str(note), []).append(Path(report.name).name)
        return found

    def describe(self) -> list:
        """Return the report as lines of text."""
        out = []
        for report in self.files:
            out.append(f"{report.name}: {report.kind}, {counted(report.soundings, 'sounding')}")
            out += [f"- {note}" for note in report.notes]
            out += [
                f"- Not read, {reason}: {written(number, ',')}"
                for reason, number in report.unread.items()
            ]
        out += [self.dates] if self.dates else []
        rows_of = dict(each_visit(self.soundings))
        for name in self.visits:
            rows = rows_of[str(name)]
            lanes = len(set(self.soundings.lane[rows]) - {0})
            out.append(f"Visit {name}: {counted(rows.size, 'sounding')}, {counted(lanes, 'lane')}")
        out += self.assumptions()
        return out

    def assumptions(self) -> list:
        """Return a sentence for each thing that had to be assumed."""
        return [
            f"{note} {'File' if len(names) == 1 else 'Files'}: {', '.join(names[:5])}"
            f"{f' and {len(names) - 5} more' if len(names) > 5 else ''}."
            for note, names in self.assumed.items()
        ]
