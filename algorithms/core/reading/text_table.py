"""Tables of delimited text: their separator, header and columns, found or as the user says.

Lines of a log are taken one by one, since loggers write stray quotation marks and stop in the
middle of a line; what is exchanged with other programs may have line ends within quotation marks.

References
----------
IETF RFC 4180, Common Format and MIME Type for Comma-Separated Values (CSV) Files.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import islice

import numpy as np

from ..errors import LakefloorError, excerpt, excerpts
from ..number_text import counted
from ..progress import Progress, silent, span, watched
from .column_roles import ROLES, roles_of_header, stated_unit
from .parsed_log import UNFINISHED, UnreadTally
from .table_cells import LONGEST_CELL, cell_number, is_value

#: So many lines may stand above the header of a table that another program exported.
MOST_LINES_ABOVE = 20

#: Rows that are looked at to find out how a table is written.
SAMPLE = 200

_COMMA_NUMBER = re.compile(r"^[+-]?\d+,\d+$")
#: One that cannot be a number with a comma between its thousands.
_SURE_COMMA_NUMBER = re.compile(r"^[+-]?\d+,(\d{1,2}|\d{4,})$")

_SEPARATOR_NAMES = {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "spaces"}


@dataclass(frozen=True)
class TextTable:
    """The cells of a table below its header.

    Attributes
    ----------
    cells : list of list of str
        Rows of equal length.
    lines : array of int, shape (n,)
        Line of each row in the file, from 1.
    names : list of str
        Of the columns; empty where there is no header.
    separator : str
    encoding : str
    skipped : int
        Lines before the table.
    decimal_comma : bool
        Whether decimals are written with a comma.
    """

    cells: list
    lines: np.ndarray
    names: list
    separator: str
    encoding: str
    skipped: int
    decimal_comma: bool


def decode(data: bytes) -> tuple[str, str]:
    """Return the text of a file and the name of its encoding."""
    for mark, encoding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            return data.decode(encoding, "replace"), encoding
    try:
        return data.decode("utf-8-sig"), "UTF-8"
    except UnicodeDecodeError:
        return data.decode("latin-1"), "Latin-1"


def read_text_table(
    data: bytes, given: Mapping, tally: UnreadTally, progress: Progress = silent
) -> TextTable:
    """Return the table in the bytes of a log, and count its lines that are no row of it.

    Parameters
    ----------
    data : bytes
    given : dict
        Columns by role, see :func:`.column_roles.check_columns`; with columns given by number,
        rows may be shorter or longer than the header, or than most.
    tally : UnreadTally
    progress : callable

    Raises
    ------
    LakefloorError
        If there is no line of data, or the lines have no separator.
    """
    text, encoding = decode(data)
    raw_lines = re.split(r"\r\n|\r|\n", text)
    numbered, comments = _data_and_comments(raw_lines, span(progress, 0.0, 0.3))
    separator, width, comma = _separator([line for _, line in numbered[:SAMPLE]])
    rows = [(i, _cells(line, separator)) for i, line in watched(numbered, span(progress, 0.3, 0.7))]
    said = [_cells(comment, separator) for comment in comments]
    names, rows, skipped = _header(rows, said, width, comma)
    wanted = [int(c) for role, c in given.items() if role in ROLES and str(c).isdigit()]
    needed = max(wanted, default=width)
    longest = max(width, needed, len(names))
    names += [""] * (longest - len(names)) if names else []
    last = numbered[-1][0] if len(raw_lines) == numbered[-1][0] else None
    kept = []
    for number, cells in watched(rows, span(progress, 0.7, 1.0)):
        if len(cells) >= needed and (wanted or len(cells) == width):
            kept.append((number, (cells + [""] * (longest - len(cells)))[:longest]))
            continue
        reason = f"{counted(len(cells), 'column')} instead of {needed}"
        if len(cells) < width and number == last:
            reason = UNFINISHED
        tally.add(number, reason, separator.join(cells))
    if not kept:
        raise LakefloorError(f"The file has no line of data. Export it again.{_first_lines(rows)}")
    return TextTable(
        [cells for _, cells in kept],
        np.array([n for n, _ in kept]),
        names,
        separator,
        encoding,
        skipped,
        comma,
    )


def _data_and_comments(raw_lines, progress):
    """Return the lines of data with their numbers, from 1, and the texts of the comments."""
    numbered, comments = [], []
    for i, line in enumerate(watched(raw_lines, progress), 1):
        if line.lstrip().startswith(("#", "//")):
            comments.append(line.lstrip("#/ \t"))
        elif line.strip():
            numbered.append((i, line))
    if not numbered:
        raise LakefloorError("The file has no line of data. Choose a log with soundings.")
    return numbered, comments


def _header(rows, comments, width, comma):
    """Return the names of the columns, the rows below them, and how many lines stand before."""
    skipped = 0
    while skipped < len(rows) - 1 and len(rows[skipped][1]) != width:
        skipped += 1
    before, rows = rows[:skipped], rows[skipped:]
    names = []
    if _is_header(rows[0][1], rows[1:], comma):
        names, rows = rows[0][1], rows[1:]
    elif before and len(before[-1][1]) == width - 1 and not any(r[1][-1].strip() for r in rows):
        # Each row ends with a separator, the header does not.
        names, skipped = [*before[-1][1], ""], skipped - 1
    else:
        said = [cells for cells in comments if len(cells) == width]
        if said and _is_header(said[-1], rows, comma):
            names = said[-1]
    return [name.strip() for name in names], rows, skipped


def read_quoted_rows(text: str, progress: Progress = silent) -> list[list[str]]:
    """Return the rows of a table that another program exported, line ends within quotation marks.

    Its separator is the comma, semicolon or tab that stands most often in one of the first lines.

    Raises
    ------
    LakefloorError
        If the table is damaged.

    Examples
    --------
    >>> read_quoted_rows('name;note\\nReed;"weeds\\nto 3 m"\\n')
    [['name', 'note'], ['Reed', 'weeds\\nto 3 m']]
    """
    lines = text.splitlines()
    head = list(islice((line for line in lines if line.strip()), MOST_LINES_ABOVE))
    separator = max(",;\t", key=lambda s: max((line.count(s) for line in head), default=0))
    try:
        rows = csv.reader(io.StringIO(text.replace("\0", "")), delimiter=separator)
        return list(watched(rows, progress, len(lines)))
    except csv.Error as error:
        raise LakefloorError(
            f"The table is damaged ({excerpt(error)}). Export it again."
        ) from error


def _cells(line, separator):
    if separator == " ":
        return line.split()
    if '"' in line:
        try:
            return next(csv.reader([line], delimiter=separator))
        except csv.Error:  # a NUL, or one field as long as a file: not the table it seems
            pass
    return line.split(separator)


def _separator(lines):
    """Return separator, number of columns and whether decimals are written with a comma."""
    best = None
    for separator in ("\t", ";", ",", " "):
        widths = Counter(len(_cells(line, separator)) for line in lines)
        width, count = max(widths.items(), key=lambda item: (item[1], item[0]))
        if width < 2:
            continue
        score = count / len(lines) + (width >= 3)
        if best is None or score > best[0] + 0.1:
            best = (score, separator, width)
    if best is None:
        raise LakefloorError(
            "This is not a table: no comma, semicolon, tab or space separates columns. Export the "
            "log as NMEA 0183, GPX or text with columns."
            + _first_lines([(0, [line]) for line in lines])
        )
    _, separator, width = best
    cells = [c.strip() for line in lines for c in _cells(line, separator) if len(c) <= LONGEST_CELL]
    commas = sum(bool(_COMMA_NUMBER.match(c)) for c in cells)
    points = sum(bool(re.match(r"^[+-]?\d+\.\d+$", c)) for c in cells)
    return separator, width, separator != "," and commas > points


def _is_header(cells, rows, comma):
    return not any(is_value(cell, comma) for cell in cells) and (
        not rows or any(is_value(cell, comma) for _, row in rows[:5] for cell in row)
    )


def _first_lines(rows):
    shown = [excerpt(" | ".join(cells), 120) for _, cells in rows[:3]]
    return " First lines: " + " // ".join(shown)


def _column_label(table, column):
    return f"'{excerpt(table.names[column], 40)}'" if table.names else f"column {column + 1}"


def table_note(table: TextTable, roles: Mapping) -> str:
    """Say in a sentence or two how a table is written, and what its columns hold."""
    columns = ", ".join(f"{role} = {_column_label(table, c)}" for role, c in roles.items())
    decimals = ", with decimal commas" if table.decimal_comma else ""
    before = counted(table.skipped, "line") if table.skipped else ""
    return (
        f"{table.encoding} text, separated by {_SEPARATOR_NAMES[table.separator]}{decimals}"
        f"{f', after {before} of other text' if before else ''}. Columns: {columns}."
    )


def assign_roles(table: TextTable, given: Mapping) -> dict[str, int]:
    """Return the column, from 0, of each role that is given or found.

    Raises
    ------
    LakefloorError
        If a column that is given is not there, or those of position or depth are not found.
    """
    roles = {}
    for role in ROLES:
        if role in given:
            roles[role] = _find_column(table, role, given[role])
    guessed = roles_of_header(table.names) if table.names else _guess_by_content(table)
    for role, column in guessed.items():
        if role not in roles and column not in roles.values():
            roles[role] = column
    if "lon" in given or "lat" in given:
        roles = {r: c for r, c in roles.items() if r not in ("x", "y")}
    elif "x" in given or "y" in given:
        roles = {r: c for r, c in roles.items() if r not in ("lon", "lat")}
    missing = []
    if not ({"lon", "lat"} <= set(roles) or {"x", "y"} <= set(roles)):
        missing.append("position")
    if "depth" not in roles:
        missing.append("depth")
    if missing:
        names = f" Columns: {excerpts(table.names)}." if table.names else ""
        raise LakefloorError(
            f"It is not clear which columns hold {' and '.join(missing)}.{names}"
            f"{_first_lines([(0, cells) for cells in table.cells])}. Give them in 'Columns of "
            "text files' of Read logs by name or number, for example: lon=2, lat=1, depth=3, "
            "depth_unit=ft."
        )
    if {"lon", "lat"} <= set(roles):
        roles = {r: c for r, c in roles.items() if r not in ("x", "y")}
    return {role: roles[role] for role in ROLES if role in roles}


def _find_column(table, role, wanted):
    wanted = str(wanted).strip()
    folded = [name.lower() for name in table.names]
    if wanted.lower() in folded:
        return folded.index(wanted.lower())
    width = len(table.cells[0])
    if wanted.isdecimal() and len(wanted) < 6 and 1 <= int(wanted) <= width:
        return int(wanted) - 1
    known = excerpts(table.names) if table.names else f"numbers 1 to {width} (no header)"
    raise LakefloorError(
        f"The file has no column '{excerpt(wanted)}' for {role}. Use one of: {known}."
    )


def _guess_by_content(table):
    """Guess without a header only what is plain: hemisphere letters, flags, one number left."""
    sample = table.cells[:SAMPLE]
    roles, numeric, letters = {}, [], []
    for column in range(len(sample[0])):
        cells = [row[column][:LONGEST_CELL].strip() for row in sample]
        if all(re.search(r"\d.*[NSns]$|^[NSns].*\d", c) for c in cells):
            roles.setdefault("lat", column)
        elif all(re.search(r"\d.*[EWew]$|^[EWew].*\d", c) for c in cells):
            roles.setdefault("lon", column)
        elif all(re.match(r"^(\d{4}-\d{2}-\d{2}[T ])?\d{1,2}:\d{2}", c) for c in cells):
            roles.setdefault("time", column)
        elif all(c in ("A", "V") for c in cells):
            letters.append(column)
        elif all(is_value(c, table.decimal_comma) or not c for c in cells):
            numeric.append(column)
    if len(numeric) == 1 and {"lon", "lat"} <= set(roles):
        depth = roles["depth"] = numeric[0]
        for column in letters:
            roles.setdefault("depth_flag" if column > depth else "position_flag", column)
    return roles


class TableColumns:
    """The columns of a table by role; a role that is absent reads as NaN or empty."""

    def __init__(
        self, table: TextTable, roles: Mapping, given: Mapping, progress: Progress
    ) -> None:
        self.table, self.roles, self.given, self.progress = table, roles, given, progress

    def __contains__(self, role: str) -> bool:
        return role in self.roles

    def __len__(self) -> int:
        return len(self.table.cells)

    def name(self, role: str) -> str:
        """Return the name of a column, "" where it has none."""
        if role not in self.roles or not self.table.names:
            return ""
        return self.table.names[self.roles[role]]

    def label(self, role: str) -> str:
        """Return the name or number of a column for a message."""
        return _column_label(self.table, self.roles[role])

    def row(self, i: int) -> str:
        """Return a row as it was written."""
        return self.table.separator.join(self.table.cells[i])

    def text(self, role: str) -> list[str]:
        """Return the cells of a column."""
        if role not in self.roles:
            return [""] * len(self)
        column = self.roles[role]
        return [row[column] for row in self.table.cells]

    def number(self, role: str) -> np.ndarray:
        """Return the numbers of a column, shape (n,), NaN where there is none."""
        if role not in self.roles:
            return np.full(len(self), np.nan)
        texts = self.text(role)
        if self.table.decimal_comma:
            texts = [t.replace(",", ".") for t in watched(texts, self.progress)]
        # An array of texts has room for the longest of them in every row.
        texts = [t if len(t) <= LONGEST_CELL else "" for t in watched(texts, self.progress)]
        try:
            values = np.array(texts, dtype=float)
        except ValueError:
            # Some loggers write one column with a comma, the others with a point.
            if self.table.separator != ",":
                texts = [
                    t.replace(",", ".") if _SURE_COMMA_NUMBER.match(t.strip()) else t
                    for t in watched(texts, self.progress)
                ]
            values = np.array([cell_number(t) for t in watched(texts, self.progress)], dtype=float)
        return np.where(np.isfinite(values), values, np.nan)

    def among(self, role: str, words: Collection[str]) -> np.ndarray:
        """Return a mask of the cells that are one of the words, in small letters."""
        if role not in self.roles:
            return np.zeros(len(self), dtype=bool)
        texts = watched(self.text(role), self.progress)
        return np.array([t.strip().lower() in words for t in texts], dtype=bool)

    def unit(self, role: str, words: Mapping[str, str]) -> str | None:
        """Return the unit given, or the one that the column's name states, or None."""
        if f"{role}_unit" in self.given:
            return self.given[f"{role}_unit"]
        return stated_unit(self.name(role), words)
