"""Read soundings from delimited text, guessing its columns or taking them as given."""

import csv
import re
from collections import Counter
from dataclasses import dataclass

import numpy as np

from .. import crs, units
from ..errors import LakefloorError, excerpt, excerpts
from ..formulas import from_text
from ..number_text import counted, written
from ..progress import rising, silent, span, watched
from ..soundings import ACCEPTED, Soundings
from ..times import (
    calendar_ms,
    epoch_ms,
    full_year,
    local_offset_h,
    midnights,
    missing_times,
    parse_texts,
    stated_to_utc,
)
from .parsed_log import (
    DEPTH_UNIT_ASSUMED,
    NO_DEPTH,
    NO_FIX,
    NO_POSITION,
    UNFINISHED,
    UNIT_ASSUMED,
    Assumed,
    Parsed,
    Tally,
    reasons_with_counts,
    relative_hardness,
    temperature_unit_assumed,
    temperature_unit_of,
)

FLAGGED = "flagged by the logger"

#: What a column can hold.
ROLES = (
    "lon", "lat", "x", "y", "depth", "time", "date", "epoch", "year", "month", "day", "hour",
    "minute", "second", "hardness", "water_temp", "speed", "course", "visit", "depth_flag",
    "position_flag",
)

#: What may be given beside the columns.
OPTIONS = ("depth_unit", "water_temp_unit", "speed_unit", "date_order", "depth_sign")

SPEED_UNITS = {"m/s": 1.0, "kn": units.KNOT, "mph": units.MPH, "km/h": units.KMH}

_SAMPLE = 200

_ROLE_WORDS = {
    "lon": {"lon", "long", "longitude", "lng"},
    "lat": {"lat", "latitude"},
    "x": {"x", "easting", "east"},
    "y": {"y", "northing", "north"},
    "depth": {"depth", "sounding", "dpt", "dbt"},
    "epoch": {"epoch", "unix"},
    "time": {"time", "datetime", "timestamp", "utc"},
    "date": {"date"},
    "year": {"year", "yyyy"},
    "month": {"month"},
    "day": {"day"},
    "hour": {"hour", "hr"},
    "minute": {"minute", "min"},
    "second": {"second", "sec"},
    "hardness": {"hardness"},
    "water_temp": {"temp", "temperature", "watertemp", "wtemp"},
    "speed": {"speed", "sog"},
    "course": {"course", "cog"},
    "visit": {"visit", "outing", "survey"},
}
_FLAG_WORDS = {"flag", "quality", "valid", "validity"}
#: A flag that is not set: of a column "valid" that is a bad depth, of one "flag" maybe a good one.
_UNSET = {"0", "n", "no", "false", "f"}
_VOID = {"v", "void", "invalid", "bad", "rejected"} | _UNSET
LENGTH_WORDS = {
    "m": "m", "meter": "m", "meters": "m", "metre": "m", "metres": "m",
    "ft": "ft", "feet": "ft", "foot": "ft", "cm": "cm", "in": "in", "inch": "in", "inches": "in",
    "fathom": "fathom", "fathoms": "fathom", "fm": "fathom", "ftm": "fathom",
}
SPEED_WORDS = {
    "mph": "mph", "kn": "kn", "kt": "kn", "kts": "kn", "knot": "kn", "knots": "kn",
    "kmh": "km/h", "kph": "km/h", "ms": "m/s", "mps": "m/s",
}
TEMP_WORDS = {
    "c": "C", "degc": "C", "celsius": "C", "f": "F", "degf": "F", "fahrenheit": "F",
}
_ALIASES = {
    "flag": "depth_flag", "temp": "water_temp", "temperature": "water_temp", "easting": "x",
    "northing": "y", "longitude": "lon", "latitude": "lat", "datetime": "time",
    "temp_unit": "water_temp_unit",
}

#: No number, angle or flag is written with more characters: patterns look at no longer cell.
LONGEST_CELL = 64

_NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
_COMMA_NUMBER = re.compile(r"^[+-]?\d+,\d+$")
#: One that cannot be a number with a comma between its thousands.
_SURE_COMMA_NUMBER = re.compile(r"^[+-]?\d+,(\d{1,2}|\d{4,})$")
_ANGLE = re.compile(
    r"^(?P<before>[NSEWnsew])?\s*(?P<sign>[+-])?(?P<deg>\d{1,3}(?:\.\d+)?)\s*(?:[°ºd:\s]|deg)?\s*"
    r"(?:(?P<min>\d{1,2}(?:\.\d+)?)\s*(?:['’′:m\s]|$)?\s*)?"
    r"(?:(?P<sec>\d{1,2}(?:\.\d+)?)\s*(?:[\"”″s]|''|$)?\s*)?(?P<after>[NSEWnsew])?$"
)


@dataclass(frozen=True)
class _Table:
    cells: list
    lines: np.ndarray
    names: list
    separator: str
    encoding: str
    skipped: int
    decimal_comma: bool


def parse_columns(text: str) -> dict:
    """Return the mapping written as ``lon=3, lat=4, depth=depth_m, depth_unit=ft``.

    Raises
    ------
    LakefloorError
        If a part is not ``role=column``, or the role is not known.
    """
    columns = {}
    for part in filter(None, (p.strip() for p in re.split(r"[,;\n]", text or ""))):
        key, equals, value = (p.strip() for p in part.partition("="))
        if not equals or not value:
            raise LakefloorError(
                f"'{excerpt(part)}' does not name a column. Write role=column, for example: lon=3, "
                "lat=4, depth=depth_m."
            )
        columns[key] = value
    return check_columns(columns)


def check_columns(columns) -> dict:
    """Return a column mapping, a dict or None, with its roles spelled in full.

    Raises
    ------
    LakefloorError
        If a role or the value of an option is not known.
    """
    checked = {}
    for key, value in (columns or {}).items():
        role = key.strip().lower()
        role = _ALIASES.get(role, role)
        if role not in ROLES + OPTIONS:
            raise LakefloorError(
                f"'{excerpt(key)}' is not a column role. Use one of: {', '.join(ROLES + OPTIONS)}."
            )
        checked[role] = value
    for option, known in (
        ("depth_unit", units.LENGTH), ("speed_unit", SPEED_UNITS), ("water_temp_unit", "CF"),
        ("depth_sign", ("down", "up")), ("date_order", ("ymd", "mdy", "dmy")),
    ):
        if option in checked and checked[option] not in known:
            raise LakefloorError(
                f"{option}={excerpt(checked[option])} is not known. Use one of: {', '.join(known)}."
            )
    return checked


def parse_angle(text: str, axis: str = "") -> float:
    """Return signed decimal degrees of a longitude or latitude in text; NaN if malformed.

    Decimal degrees, degrees and decimal minutes, and degrees, minutes and
    seconds are read, with a sign or a hemisphere letter before or after.

    Parameters
    ----------
    text : str
        Such as ``17° 08.0907' N`` or ``-91.64266``.
    axis : {"lon", "lat", ""}
        Refuses the letters and the range of the other axis.
    """
    if len(text) > LONGEST_CELL:
        return np.nan
    text = text.strip()
    if _NUMBER.match(text):
        value, letter = float(text), ""
    else:
        found = _ANGLE.match(text)
        if not found or (found["before"] and found["after"]):
            return np.nan
        letter = (found["before"] or found["after"] or "").upper()
        minutes, seconds = float(found["min"] or 0.0), float(found["sec"] or 0.0)
        if minutes >= 60.0 or seconds >= 60.0 or (letter and found["sign"]):
            return np.nan
        value = float(found["deg"]) + minutes / 60.0 + seconds / 3600.0
        if letter in ("S", "W") or found["sign"] == "-":
            value = -value
    wrong = {"lon": "NS", "lat": "EW"}.get(axis, "")
    limit = 90.0 if axis == "lat" or (letter and letter in "NS") else 180.0
    return np.nan if (letter and letter in wrong) or abs(value) > limit else value


def decode(data: bytes):
    """Return the text of a file and the name of its encoding."""
    for mark, encoding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            return data.decode(encoding, "replace"), encoding
    try:
        return data.decode("utf-8-sig"), "UTF-8"
    except UnicodeDecodeError:
        return data.decode("latin-1"), "Latin-1"


def parse_delimited(
    data: bytes, *, columns=None, depth_unit=None, time_zone="UTC", source_epsg=None,
    name_date=None, progress=silent,
) -> Parsed:
    """Return the soundings of one delimited text file.

    Parameters
    ----------
    data : bytes
        UTF-8, UTF-16 with a byte order mark, else Latin-1; CR, LF or CRLF.
    columns : dict, optional
        Column name or 1-based number by role (:data:`ROLES`), and
        :data:`OPTIONS`. What is given replaces the guess.
    depth_unit : str, optional
        Unit of depths where neither ``columns`` nor the column's name tells it;
        metres if None.
    time_zone : str or tzinfo
        Of times that do not state one; see :func:`.times.zone_of`.
    source_epsg : int or str, optional
        Coordinate system of x and y columns.
    name_date : datetime64[D], optional
        Date in the file's name, for files with a time of day alone.
    progress : callable

    Returns
    -------
    Parsed
        One sounding a row that has a position and a depth. Rows whose depth
        the logger flagged as void are kept, with the status :data:`FLAGGED`.

    Raises
    ------
    LakefloorError
        If the columns of position or depth are not found, or nothing is readable.
    """
    tally, notes = Tally(), []
    progress = rising(progress)
    given = check_columns(columns)
    table = _split(data, given, tally, span(progress, 0.0, 0.4))
    roles = _assign(table, given)
    notes.append(_described(table, roles))
    columns_of = _Columns(table, roles, given, progress=lambda _: progress(0.4))
    lon, lat = _read_positions(columns_of, source_epsg, notes)
    factor, assumed = _depth_factor(columns_of, depth_unit, notes)
    depth = columns_of.number("depth") * factor
    if given.get("depth_sign") == "up":
        depth = -depth
    time, offset_h = _read_times(
        columns_of, time_zone, name_date, notes, span(progress, 0.5, 0.9))
    hardness, more = relative_hardness(columns_of.number("hardness"))
    notes += more
    known = {
        "hardness": hardness,
        "course": columns_of.number("course"),
        "speed": columns_of.number("speed") * _speed_factor(columns_of, notes),
        "water_temp": _read_temperature(columns_of, notes),
        "visit": _visit_names(columns_of),
    }
    keep = np.isfinite(lon) & np.isfinite(depth)
    void_position = columns_of.void("position_flag")
    nowhere = (lon == 0.0) & (lat == 0.0)
    keep &= ~void_position & ~nowhere
    for i in np.flatnonzero(~keep):
        if void_position[i]:
            reason = "position flagged void by the logger"
        elif nowhere[i]:
            reason = NO_FIX
        elif not np.isfinite(lon[i]):
            reason = NO_POSITION
        else:
            reason = NO_DEPTH
        tally.add(table.lines[i], reason, columns_of.row(i))
    if not keep.any():
        raise LakefloorError(
            f"No row has both a position and a depth ({reasons_with_counts(tally.counts)}). Check "
            "the columns."
        )
    soundings = Soundings.build(
        lon, lat, depth, time=time,
        status=np.where(_flagged(columns_of, notes), FLAGGED, ACCEPTED).astype(object),
        corrections=f"from={_measured_from(columns_of.name('depth'))}"
        + (f";{UNIT_ASSUMED}" if assumed else ""),
        **known,
    )
    progress(1.0)
    return Parsed(
        soundings.select(keep), "delimited text", tuple(notes), tally, table.lines[keep],
        offset_h[keep],
    )


_SEPARATOR_NAMES = {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "spaces"}


def _described(table, roles) -> str:
    """Say in a sentence or two how a table is written, and what its columns hold."""
    columns = ", ".join(f"{role} = {_column_label(table, c)}" for role, c in roles.items())
    decimals = ", with decimal commas" if table.decimal_comma else ""
    before = counted(table.skipped, "line") if table.skipped else ""
    return (
        f"{table.encoding} text, separated by {_SEPARATOR_NAMES[table.separator]}{decimals}"
        f"{f', after {before} of other text' if before else ''}. Columns: {columns}."
    )


def _split(data, given, tally, progress) -> _Table:
    text, encoding = decode(data)
    raw_lines = re.split(r"\r\n|\r|\n", text)
    numbered, comments = [], []
    for i, line in enumerate(watched(raw_lines, span(progress, 0.0, 0.3)), 1):
        if line.lstrip().startswith(("#", "//")):
            comments.append(line.lstrip("#/ \t"))
        elif line.strip():
            numbered.append((i, line))
    if not numbered:
        raise LakefloorError("The file has no line of data. Choose a log with soundings.")
    separator, width, comma = _separator([line for _, line in numbered[:_SAMPLE]])
    rows = [
        (i, _cells(line, separator)) for i, line in watched(numbered, span(progress, 0.3, 0.7))
    ]
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
        said = [cells for cells in (_cells(c, separator) for c in comments) if len(cells) == width]
        if said and _is_header(said[-1], rows, comma):
            names = said[-1]
    names = [name.strip() for name in names]
    wanted = [int(c) for r, c in given.items() if r in ROLES and str(c).isdigit()]
    needed = max(wanted, default=width)
    # With columns given by number, rows may be shorter or longer than the header, or than most.
    longest = max(width, needed, len(names))
    names += [""] * (longest - len(names)) if names else []
    last = numbered[-1][0] if len(raw_lines) == numbered[-1][0] else None
    kept = []
    for number, cells in watched(rows, span(progress, 0.7, 1.0)):
        if len(cells) >= needed and (wanted or len(cells) == width):
            kept.append((number, (cells + [""] * (longest - len(cells)))[:longest]))
        elif len(cells) < width and number == last:
            tally.add(number, UNFINISHED, separator.join(cells))
        else:
            tally.add(
                number, f"{counted(len(cells), 'column')} instead of {needed}",
                separator.join(cells),
            )
    if not kept:
        raise LakefloorError(f"The file has no line of data. Export it again.{_first_lines(rows)}")
    return _Table(
        [cells for _, cells in kept], np.array([n for n, _ in kept]), names, separator, encoding,
        skipped, comma,
    )


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
    cells = [
        c.strip() for line in lines for c in _cells(line, separator) if len(c) <= LONGEST_CELL
    ]
    commas = sum(bool(_COMMA_NUMBER.match(c)) for c in cells)
    points = sum(bool(re.match(r"^[+-]?\d+\.\d+$", c)) for c in cells)
    return separator, width, separator != "," and commas > points


def _is_value(cell, comma):
    if len(cell) > LONGEST_CELL:
        return False
    cell = cell.strip()
    return bool(
        _NUMBER.match(cell.replace(",", ".") if comma else cell)
        or (re.match(r"^\W*\d", cell) and re.search(r"\d[:/°-]", cell))
    )


def _is_header(cells, rows, comma):
    return not any(_is_value(cell, comma) for cell in cells) and (
        not rows or any(_is_value(cell, comma) for _, row in rows[:5] for cell in row)
    )


def _first_lines(rows):
    shown = [excerpt(" | ".join(cells), 120) for _, cells in rows[:3]]
    return " First lines: " + " // ".join(shown)


def _words(name):
    """Return the lower-case words of a column name, also of camelCase and units in brackets."""
    name = name[:LONGEST_CELL].replace("m/s", "ms").replace("km/h", "kmh").replace("m_s", "ms")
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return re.findall(r"[a-z]+", name.lower())


def _column_label(table, column):
    return f"'{excerpt(table.names[column], 40)}'" if table.names else f"column {column + 1}"


def _assign(table, given) -> dict:
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


def roles_of_header(names) -> dict:
    """Return which column, from 0, holds which of :data:`ROLES`, as the columns' names tell."""
    roles = {}
    words = [_words(name) for name in names]
    for column, w in enumerate(words):
        if _FLAG_WORDS & set(w):
            position = {"pos", "position", "fix", "gps"} & set(w)
            roles.setdefault("position_flag" if position else "depth_flag", column)
    free = [c for c in range(len(words)) if c not in roles.values()]
    for role, known in _ROLE_WORDS.items():
        fits = [
            c for c in free
            if known & set(words[c]) and not ({"sound", "air", "uncert"} & set(words[c]))
        ]
        if role == "depth":
            # Of "depth_m" and "raw_depth_m" the plainer name.
            fits.sort(key=lambda c: ("raw" in words[c], len(words[c]), c))
        elif role == "time":
            fits.sort(key=lambda c: ("utc" not in words[c], c))
        if fits:
            roles[role] = fits[0]
            free.remove(fits[0])
    if not {"year", "month", "day"} <= set(roles):
        for part in ("year", "month", "day"):
            roles.pop(part, None)
        if not {"hour", "minute"} <= set(roles):
            for part in ("hour", "minute", "second"):
                roles.pop(part, None)
    return roles


def _guess_by_content(table):
    """Guess without a header only what is plain: hemisphere letters, flags, one number left."""
    sample = table.cells[:_SAMPLE]
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
        elif all(_is_value(c, table.decimal_comma) or not c for c in cells):
            numeric.append(column)
    if len(numeric) == 1 and {"lon", "lat"} <= set(roles):
        depth = roles["depth"] = numeric[0]
        for column in letters:
            roles.setdefault("depth_flag" if column > depth else "position_flag", column)
    return roles


def _float(text) -> float:
    try:
        return float(text) if _NUMBER.match(text.strip()) else np.nan
    except ValueError:  # a control character, which is blank for the one and not for the other
        return np.nan


def stated_unit(name, words):
    """Return the unit that a column's name tells, one of the values of ``words``, or None."""
    found = [words[w] for w in _words(name)[1:] if w in words]
    return found[-1] if found else None


class _Columns:
    """The columns of a table by role; a role that is absent reads as NaN or empty."""

    def __init__(self, table, roles, given, progress):
        self.table, self.roles, self.given, self.progress = table, roles, given, progress

    def __contains__(self, role):
        return role in self.roles

    def __len__(self):
        return len(self.table.cells)

    def name(self, role):
        if role not in self.roles or not self.table.names:
            return ""
        return self.table.names[self.roles[role]]

    def label(self, role):
        return _column_label(self.table, self.roles[role])

    def row(self, i):
        return self.table.separator.join(self.table.cells[i])

    def text(self, role):
        if role not in self.roles:
            return [""] * len(self)
        column = self.roles[role]
        return [row[column] for row in self.table.cells]

    def number(self, role):
        texts = self.text(role)
        if self.table.decimal_comma:
            texts = [t.replace(",", ".") for t in watched(texts, self.progress)]
        # An array of texts has room for the longest of them in every row.
        texts = [t if len(t) <= LONGEST_CELL else "" for t in watched(texts, self.progress)]
        try:
            values = np.array(texts, dtype=float)
        except ValueError:
            # Some loggers write one column with a comma, the others with a point.
            mixed = self.table.separator != ","
            values = np.array([
                _float(t.replace(",", ".") if mixed and _SURE_COMMA_NUMBER.match(t.strip()) else t)
                for t in watched(texts, self.progress)
            ], dtype=float)
        return np.where(np.isfinite(values), values, np.nan)

    def among(self, role, words):
        if role not in self.roles:
            return np.zeros(len(self), dtype=bool)
        texts = watched(self.text(role), self.progress)
        return np.array([t.strip().lower() in words for t in texts], dtype=bool)

    def void(self, role):
        return self.among(role, _VOID)

    def unit(self, role, words):
        """Return the unit given, or the one that the column's name tells, or None."""
        if f"{role}_unit" in self.given:
            return self.given[f"{role}_unit"]
        return stated_unit(self.name(role), words)


def _visit_names(columns):
    """Return names of visits, an object array of text, shape (n,)."""
    if "visit" not in columns:
        return np.full(len(columns), "", dtype=object)
    texts = watched(columns.text("visit"), columns.progress)
    return np.array([from_text(t.strip()[:LONGEST_CELL]) for t in texts], dtype=object)


def _read_positions(columns, source_epsg, notes):
    if "lon" in columns:
        out = []
        for role in ("lon", "lat"):
            value = columns.number(role)
            if np.isnan(value).any():
                texts = columns.text(role)
                if columns.table.decimal_comma:
                    texts = [t.replace(",", ".") for t in texts]
                value = np.array([parse_angle(t, role) for t in watched(texts, columns.progress)])
            limit = 180.0 if role == "lon" else 90.0
            if (np.abs(value) > limit).mean() > 0.5:
                example = value[np.abs(value) > limit][0]
                raise LakefloorError(
                    f"The {role} column has values such as {written(example, 'g')}, which are not "
                    "degrees. Swap the columns, or give them as x= and y= with their coordinate "
                    "reference system."
                )
            out.append(np.where(np.abs(value) <= limit, value, np.nan))
        lon, lat = out
        missing = np.isnan(lon) | np.isnan(lat)
        return np.where(missing, np.nan, lon), np.where(missing, np.nan, lat)
    x, y = columns.number("x"), columns.number("y")
    if source_epsg is None:
        with np.errstate(invalid="ignore"):
            degrees = np.isnan(x) | np.isnan(y) | ((np.abs(x) <= 180.0) & (np.abs(y) <= 90.0))
        if not degrees.all():
            raise LakefloorError(
                "The x and y columns are not in degrees; the first position is "
                f"{written(x[~degrees][0], '.10g')}, {written(y[~degrees][0], '.10g')}. Choose "
                "their coordinate reference system."
            )
        notes.append("The x and y columns are read as WGS 84 longitude and latitude.")
        return x, y
    lon, lat = crs.transform(x, y, source_epsg, 4326)
    named = f"EPSG:{source_epsg}" if str(source_epsg).isdigit() else source_epsg
    notes.append(f"The x and y columns are read as {named}.")
    return lon, lat


def _depth_factor(columns, depth_unit, notes):
    stated = columns.unit("depth", LENGTH_WORDS)
    unit = stated or depth_unit or "m"
    factor = units.unit_factor(unit)
    assumed = stated is None and depth_unit is None
    if assumed:
        notes.append(DEPTH_UNIT_ASSUMED)
    else:
        notes.append(f"Depths are in {units.LENGTH_NAMES[unit]}.")
    return factor, assumed


def _speed_factor(columns, notes):
    if "speed" not in columns:
        return 1.0
    unit = columns.unit("speed", SPEED_WORDS)
    if unit is None:
        notes.append(Assumed("The speed unit is not stated, so m/s is assumed."))
    return SPEED_UNITS[unit or "m/s"]


def _read_temperature(columns, notes):
    value = columns.number("water_temp")
    if "water_temp" not in columns or not np.isfinite(value).any():
        return value
    unit = columns.unit("water_temp", TEMP_WORDS)
    if unit is None:
        unit = temperature_unit_of(value)
        notes.append(temperature_unit_assumed(unit))
    return units.fahrenheit_to_celsius(value) if unit == "F" else value


def _flagged(columns, notes):
    """Return a mask of the depths that the logger flagged as void."""
    void = columns.void("depth_flag")
    told = "depth_flag" in columns.given or {"valid", "validity"} & set(
        _words(columns.name("depth_flag"))
    )
    unset = columns.among("depth_flag", _UNSET)
    if not told and np.mean(unset) > 0.5:
        # No survey has more bad depths than good ones.
        notes.append(
            f"Most rows have no flag in {columns.label('depth_flag')}, so an unset flag is read "
            "as a "
            "good depth. To read it as a bad one, give depth_flag= with this column."
        )
        void &= ~unset
    return void


def _measured_from(name):
    words = set(_words(name))
    return next((w for w in ("transducer", "surface", "keel") if w in words), "unknown")


def _read_times(columns, time_zone, name_date, notes, progress):
    """Return times in UTC and the offsets from it that they state, h, both of shape (n,)."""
    number = columns.number("time")
    offset_h = unstated = np.full(len(columns), np.nan)
    if "epoch" in columns:
        time = epoch_ms(columns.number("epoch"))
    elif "year" in columns:
        time = _to_utc(_from_parts(columns), None, _zone(columns, time_zone), notes)
    elif "date" not in columns and "time" not in columns:
        notes.append("There is no time column, so the soundings have no times.")
        return np.full(len(columns), np.datetime64("NaT", "ms")), unstated
    elif "date" not in columns and (number > 1e8).any() and not _compact(columns.text("time")):
        notes.append("Times are read as seconds since 1970 (Unix time, UTC).")
        time = epoch_ms(number)
    else:
        local, offset_min = _from_texts(columns, name_date, notes, progress)
        if offset_min is None:
            return local, unstated
        offset_h = local_offset_h(offset_min)
        time = _to_utc(local, offset_min, _zone(columns, time_zone), notes)
    notes += missing_times(time)
    return time, offset_h


def _from_parts(columns):
    """Return local times from columns of year, month, day and, where there are, the clock."""
    part = {r: columns.number(r) for r in ("year", "month", "day", "hour", "minute", "second")}
    clock = ("hour", "minute", "second")
    seconds = sum(
        np.where(np.isnan(part[r]) & (r not in columns), 0.0, part[r]) * factor
        for r, factor in zip(clock, (3600.0, 60.0, 1.0))
    )
    bad = (part["hour"] > 23) | (part["minute"] > 59) | (part["second"] >= 61)
    year = full_year(part["year"])
    return calendar_ms(year, part["month"], part["day"], np.where(bad, np.nan, seconds))


def _from_texts(columns, name_date, notes, progress):
    """Return local times and their stated offsets; None in place of these where no date is."""
    order = columns.given.get("date_order")
    date, seconds, offset_min = parse_texts(
        columns.text("time" if "time" in columns else "date"), order, span(progress, 0.0, 0.5)
    )
    if "date" in columns and "time" in columns:
        date, _, _ = parse_texts(columns.text("date"), order, span(progress, 0.5, 1.0))
    if np.isnat(date).all():
        if name_date is None:
            notes.append(
                "Neither the times nor the file name state a date, so the soundings have no times.")
            return np.full(len(columns), np.datetime64("NaT", "ms")), None
        notes.append(f"The times state no date, so {name_date} from the file name is used.")
        date = name_date + midnights(seconds).astype("timedelta64[D]")
    ms = np.round(np.nan_to_num(seconds) * 1000.0).astype("int64").astype("timedelta64[ms]")
    local = date.astype("datetime64[ms]") + ms
    if "time" in columns:
        local[np.isnan(seconds)] = np.datetime64("NaT")
    return local, offset_min


def _zone(columns, time_zone):
    """Return UTC where a column's name says so, else the time zone given."""
    named = {w for r in ("time", "hour", "date") for w in _words(columns.name(r))}
    return "UTC" if named & {"utc", "gmt"} else time_zone


def _compact(texts):
    """Tell whether digits are a written date and time such as 20180313165838."""
    return all(re.match(r"^\s*(19|20)\d{6}(\d{6})?(\.\d+)?\s*$", t[:LONGEST_CELL])
               for t in texts[:_SAMPLE])


def _to_utc(local, offset_min, time_zone, notes):
    if offset_min is None:
        offset_min = np.full(len(local), np.nan)
    utc, more = stated_to_utc(local, offset_min, time_zone)
    notes += more
    return utc
