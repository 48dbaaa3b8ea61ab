"""From the logs of a boat to soundings: files and folders of any of the kinds read."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import timezone, tzinfo
from pathlib import Path

import numpy as np

from .. import crs, units
from ..days import (
    local_offsets_h,
    outing_days,
    outings,
    stated_offsets_h,
    with_offsets,
    zone_offsets_h,
)
from ..errors import Cancelled, LakefloorError, excerpt
from ..lanes import lanes_of
from ..number_text import counted, written
from ..progress import Progress, silent, span
from ..soundings import Soundings, concatenate, distinct, parse_corrections, with_corrections
from ..times import date_in_name, zone_of
from .column_roles import check_columns
from .gps_weeks import with_rollovers
from .gpx_log import parse_gpx_log
from .impossible import impossible_soundings
from .log_kinds import HEAD, kind_of_head
from .log_report import NOT_READ, FileReport, LogReading, UnreadLine
from .nmea_log import parse_nmea_log
from .nmea_sentences import is_nmea
from .parsed_log import reasons_with_counts
from .recorded_log import is_beside_a_log, parse_recording, recording_of
from .text_log import TextLogOptions, parse_text_log

#: Files that a message lists.
_LISTED = 20


def read_logs(
    paths: str | Path | Iterable[str | Path],
    *,
    depth_unit: str | None = None,
    depth_from: str | None = None,
    time_zone: str | tzinfo = "UTC",
    columns: Mapping | None = None,
    source_epsg: int | str | None = None,
    target_epsg: int | str | None = None,
    max_fix_gap_s: float = 10.0,
    visit: str | None = None,
    week_rollovers: int = 0,
    progress: Progress = silent,
) -> LogReading:
    """Read sounder logs: NMEA 0183, GPX and delimited text, recognized by content.

    Parameters
    ----------
    paths : path or sequence of paths
        Files, or folders that are searched with their subfolders, in order of
        name; files whose name begins with a dot are left out. A recording is read whole,
        also where only one of its files is given.
    depth_unit : {"m", "ft", "us-ft", "fathom", "cm", "in"}, optional
        Unit of depths in text and GPX files that do not state it; meters if None.
    depth_from : {"transducer", "surface"}, optional
        Where depths count from in logs that do not say so.
    time_zone : str or tzinfo
        Of times that do not state it: ``UTC``, ``UTC-05:00`` or an IANA name. Unless it is UTC
        it is also the lake's own, by which its dates are counted.
    columns : dict, optional
        Columns of delimited text; see :func:`.column_roles.check_columns`.
    source_epsg : int or str, optional
        Coordinate system of x and y columns of delimited text.
    target_epsg : int or str, optional
        Projected coordinate system in meters; the UTM zone of the median
        position if None.
    max_fix_gap_s : float
        Longest gap between fixes across which a position is interpolated, s.
    visit : str, optional
        Name of the visit; ``"date"`` names visits by the lake's date at their
        first sounding, a break of more than :data:`.days.VISIT_BREAK_H` hours
        starting another; ``"file"`` names them by file. None takes the visit
        column of a text file, and else the date (the file where there is no
        time).
    week_rollovers : int
        Spans of 1,024 GPS weeks to add to all times, for a receiver that counts the weeks wrong.

    Returns
    -------
    LogReading

    Raises
    ------
    LakefloorError
        If an option is not usable or no file is; the message lists each file.

    Notes
    -----
    Files are put in order of their first time. A file given twice, by content,
    is read once. What goes wrong in one file never stops the others.

    The lake's date is that of the zone which the log states or ``time_zone`` gives, and else
    that of local mean solar time; see :func:`.days.local_offsets_h`.
    """
    _check(depth_unit, depth_from, max_fix_gap_s, time_zone, target_epsg)
    text_options = TextLogOptions(check_columns(columns), depth_unit, time_zone, source_epsg)
    files = _list_files(paths)
    results = _parse_all(files, text_options, max_fix_gap_s, span(progress, 0.0, 0.9))
    results = [_moved(parsed, week_rollovers) for parsed in results]
    results, warnings = _without_impossible(results)
    reports, unread = _reported(files, results)
    read = [
        (path, _zoned(parsed, time_zone))
        for path, parsed in zip(files, results)
        if not isinstance(parsed, str)
    ]
    if not read:
        raise LakefloorError(
            f"No log could be read. Correct what is listed here:\n{_list_of(reports)}"
        )
    read.sort(key=_first_time)
    soundings = concatenate(s for _, s in read)
    if depth_from:
        soundings = _counted_from(soundings, depth_from)
    stems = np.concatenate([np.full(len(s), p.stem, dtype=object) for p, s in read])
    epsg = target_epsg or crs.utm_epsg(soundings.x, soundings.y)
    x, y = crs.project(soundings.x, soundings.y, epsg)
    names = _visits(soundings, stems, visit)
    progress(0.95)
    dates = _dates(soundings)
    soundings = soundings.replace(x=x, y=y, visit=names)
    soundings = soundings.replace(lane=lanes_of(soundings))
    progress(1.0)
    return LogReading(
        soundings,
        epsg,
        tuple(reports),
        tuple(unread),
        dates,
        tuple(f"{files[i]}: {text}" for i, text in warnings),
    )


def _parse_all(files, text_options, max_fix_gap_s, progress) -> list:
    """Return for each file what was read, or in words why it could not be."""
    results: list = []
    seen: dict = {}
    for i, path in enumerate(files):
        step = span(progress, i / len(files), (i + 1) / len(files))
        step(0.0)
        try:
            if path.is_dir():
                results.append(parse_recording(path, max_fix_gap_s=max_fix_gap_s, progress=step))
                continue
            data = _load(path)
            digest = hashlib.sha256(data).digest()
            if digest in seen:
                raise LakefloorError(f"It has the same content as {seen[digest]} and is read once.")
            seen[digest] = path.name
            results.append(_parse(data, path, text_options, max_fix_gap_s, step))
        except Cancelled:
            raise
        except Exception as error:
            results.append(_reason(error))
    return results


def _moved(parsed, week_rollovers):
    """Return what was read of one file with spans of GPS weeks added to its times."""
    if isinstance(parsed, str) or not week_rollovers:
        return parsed
    times = with_rollovers(parsed.soundings.time, week_rollovers)
    return replace(parsed, soundings=parsed.soundings.replace(time=times))


def _reported(files, results):
    """Return what became of each file, and examples of what was not read."""
    reports, unread = [], []
    for name, parsed in zip(map(str, files), results):
        if isinstance(parsed, str):
            reports.append(FileReport(name, NOT_READ, 0, (parsed,), {}))
            unread.append(UnreadLine(name, 0, parsed, ""))
            continue
        notes = parsed.notes + _clock_note(parsed.soundings)
        reports.append(
            FileReport(name, parsed.kind, len(parsed.soundings), notes, dict(parsed.unread.counts))
        )
        unread += [UnreadLine(name, e.line, e.reason, e.text) for e in parsed.unread.examples]
    return reports, unread


def _reason(error) -> str:
    """Return why a file could not be read, also where no reader foresaw it."""
    if isinstance(error, LakefloorError):
        return str(error)
    if isinstance(error, MemoryError):
        return "The file is too large for the memory of this computer. Split it."
    return f"The file cannot be read ({type(error).__name__}: {excerpt(error)}). Export it again."


def _list_of(reports) -> str:
    lines = [f"{r.name}: {r.notes[0]}" for r in reports[:_LISTED]]
    if len(reports) > _LISTED:
        lines.append(f"And {counted(len(reports) - _LISTED, 'more file')}.")
    return "\n".join(lines)


def _without_impossible(results):
    """Return the results without soundings that cannot be, and warnings by number of the file."""
    results, warnings = list(results), []
    read = [i for i, parsed in enumerate(results) if not isinstance(parsed, str)]
    if not read:
        return results, warnings
    found, notes = impossible_soundings(
        [results[i].soundings for i in read], np.datetime64("now", "ms"), degrees=True
    )
    for i, unreal in zip(read, found):
        parsed = results[i]
        for row, reason, text in unreal:
            parsed.unread.add(parsed.line[row], reason, text)
        keep = np.ones(len(parsed.soundings), dtype=bool)
        keep[[row for row, _, _ in unreal]] = False
        if keep.all():
            continue
        if not keep.any():
            results[i] = (
                f"No sounding is possible ({reasons_with_counts(parsed.unread.counts)}). Check the "
                "units and columns."
            )
            continue
        results[i] = replace(
            parsed,
            soundings=parsed.soundings.select(keep),
            line=parsed.line[keep],
            offset_h=None if parsed.offset_h is None else parsed.offset_h[keep],
        )
    return results, [(read[k], text) for k, text in notes]


def _zoned(parsed, time_zone) -> Soundings:
    """Return soundings whose corrections state the lake's offset from UTC, where it is known."""
    soundings = parsed.soundings
    offset = np.full(len(soundings), np.nan) if parsed.offset_h is None else parsed.offset_h
    if zone_of(time_zone) is not timezone.utc:
        offset = np.where(np.isnan(offset), zone_offsets_h(soundings.time, time_zone), offset)
    if np.isnan(offset).all():
        return soundings
    return soundings.replace(corrections=with_offsets(soundings.corrections, offset))


def _dates(soundings) -> str:
    """Say by which clock dates are counted."""
    timed = ~np.isnat(soundings.time)
    unstated = np.isnan(stated_offsets_h(soundings.corrections[timed]))
    if not unstated.any():
        return ""
    lon = float(np.median(soundings.x[timed][unstated]))
    minutes = round(abs(lon) * 4.0)
    return (
        f"The dates of visits follow the sun at longitude {written(lon, '.1f')}: "
        f"UTC{'-' if lon < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}. Give a time zone to "
        "follow its clocks instead."
    )


def _counted_from(soundings, depth_from):
    """Return soundings that say where their depth counts from, where the log does not."""
    texts, group = distinct(soundings.corrections)
    unsaid = np.array([parse_corrections(t).get("from") == "unknown" for t in texts], bool)[group]
    corrections = soundings.corrections.copy()
    corrections[unsaid] = with_corrections(corrections[unsaid], **{"from": depth_from})
    return soundings.replace(corrections=corrections)


def _check(depth_unit, depth_from, max_fix_gap_s, time_zone, target_epsg):
    if depth_unit is not None:
        units.unit_factor(depth_unit)
    if depth_from not in (None, "transducer", "surface"):
        raise LakefloorError(
            f"Depths cannot be measured from '{depth_from}'. Choose transducer or surface."
        )
    if not max_fix_gap_s > 0.0:
        raise LakefloorError(
            f"The maximum time between fixes is {max_fix_gap_s} s. Give more than 0 s."
        )
    zone_of(time_zone)
    if target_epsg is not None and not crs.is_metric(target_epsg):
        raise LakefloorError(
            f"The coordinate reference system '{target_epsg}' is not projected in meters. Choose "
            "one that is, such as the UTM zone of the lake."
        )


def _list_files(paths):
    if isinstance(paths, (str, Path)):
        paths = [paths]
    files = []
    for path in map(Path, paths):
        if not path.exists():
            raise LakefloorError(f"There is no file or folder {path}. Choose another.")
        if path.is_dir():
            inside = sorted(
                p
                for p in path.rglob("*")
                if p.is_file() and not any(n.startswith(".") for n in p.relative_to(path).parts)
            )
            if not inside:
                raise LakefloorError(
                    f"The folder {path} has no files. Choose the one with the logs."
                )
            files += inside
        else:
            files.append(path)
    if not files:
        raise LakefloorError("There is no log. Give files, or a folder of logs.")
    return list(dict.fromkeys(_of_a_recording(path) for path in files if not is_beside_a_log(path)))


def _of_a_recording(path) -> Path:
    """Return the folder of the recording that a raw log is of, else the file itself."""
    folder = recording_of(path)
    if folder is None:
        return path
    with path.open("rb") as file:
        head = file.read(HEAD)
    return folder if is_nmea(head) or not head.strip() else path


def _load(path) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(HEAD)
            if data.strip():
                kind_of_head(data)  # of a film among the logs, no more is read
            data += file.read()
    except OSError as error:
        raise LakefloorError(
            f"The file cannot be opened ({error.strerror}). Check that you may read it."
        ) from error
    if not data.strip():
        raise LakefloorError("The file is empty. Choose another log.")
    return data


def _parse(data, path, text_options, max_fix_gap_s, progress):
    name_date, kind = date_in_name(path.name), kind_of_head(data[:HEAD])
    if name_date is None and recording_of(path):
        name_date = date_in_name(path.parent.name)
    if kind == "GPX":
        return parse_gpx_log(
            data,
            depth_unit=text_options.depth_unit,
            time_zone=text_options.time_zone,
            progress=progress,
        )
    if kind == "NMEA 0183":
        return parse_nmea_log(
            data, max_fix_gap_s=max_fix_gap_s, name_date=name_date, progress=progress
        )
    return parse_text_log(data, replace(text_options, name_date=name_date), progress)


def _first_time(item):
    path, soundings = item
    times = soundings.time[~np.isnat(soundings.time)]
    return (times.size == 0, times.min().astype("int64") if times.size else 0, str(path))


def _clock_note(soundings):
    time = soundings.time
    if len(soundings) < 10 or np.isnat(time).any() or np.ptp(time.astype("int64")):
        return ()
    return (f"The clock stands still: all {len(soundings)} soundings have the time {time[0]}Z.",)


def _visits(soundings, stems, visit):
    offset = local_offsets_h(soundings.corrections, soundings.x)
    by_date = visits_by_date(soundings.time, stems, offset)
    if visit is None:
        return np.where(soundings.visit == "", by_date, soundings.visit).astype(object)
    if visit == "date":
        return by_date
    if visit == "file":
        return stems
    return np.full(len(soundings), visit, dtype=object)


def visits_by_date(
    time: np.ndarray, untimed: np.ndarray, offset_h: np.ndarray | float = 0.0
) -> np.ndarray:
    """Name outings by the local date of their first sounding.

    Parameters
    ----------
    time : datetime64[ms], shape (n,)
        UTC.
    untimed : array of str, shape (n,)
        Names for the soundings without a time.
    offset_h : array, shape (n,), or float
        Local time minus UTC, h.

    Returns
    -------
    array of str, shape (n,)
        A break of more than :data:`.days.VISIT_BREAK_H` hours starts another outing; a
        second one on the same date is named ``2026-07-09 (2)``.
    """
    names, number = np.array(untimed, dtype=object), outings(time)
    labels, times_of = [], Counter()
    for day in map(str, outing_days(time, offset_h)):
        times_of[day] += 1
        labels.append(day if times_of[day] == 1 else f"{day} ({times_of[day]})")
    timed = number >= 0
    names[timed] = np.array(labels, dtype=object)[number[timed]]
    return names
