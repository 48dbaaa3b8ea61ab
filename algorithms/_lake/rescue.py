"""What waits in memory when a recording is closed goes into a folder elsewhere, as a recording."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from .._i18n import tr
from .._io.flushing import flush
from .._io.whole_files import free_name, write_text_whole
from ..core.errors import LakefloorError
from ..core.reading.arrivals import arrival_record, parse_arrivals

__all__ = ["rescue"]


def rescue(name: str, content: dict, raw: dict, arrivals: dict, lines: dict) -> Path:
    """Write what waits into a folder in the home folder, else in that for temporary files.

    Parameters
    ----------
    name : str
        Of the recording.
    content : dict
        What was said of it.
    raw, arrivals : dict
        Key of a source -> its :class:`.AppendOnly`.
    lines : dict
        Name of a file -> its :class:`.AppendOnly`.

    Returns
    -------
    Path
        The folder, which can be read as a recording.

    Raises
    ------
    LakefloorError
        If there is room nowhere.
    """
    problem = None
    for parent in (Path.home(), Path(tempfile.gettempdir())):
        path = free_name(parent / f"Lakefloor {name}")
        try:
            path.mkdir()
            _write(path, content, raw, arrivals, lines)
            return path
        except OSError as error:
            problem = error
    waits = sum(len(file.waiting) for file in raw.values())
    raise LakefloorError(
        tr(
            "{:,} bytes of the recording '{}' can be written nowhere ({}). They are in memory only. "
            "Make room on the disk, or connect it again, then end the outing again."
        ).format(waits, name, problem.strerror)
    )


def _write(path, content, raw, arrivals, lines):
    for key, file in raw.items():
        if not file.waiting:
            continue
        records = parse_arrivals(bytes(arrivals[key].waiting))[0]
        columns = (records.session, records.end - file.kept, records.monotonic_us, records.utc_us)
        rows = (row for row in zip(*(column.tolist() for column in columns)) if row[1] > 0)
        _whole(path / file.path.name, bytes(file.waiting))
        _whole(path / arrivals[key].path.name, b"".join(arrival_record(*row) for row in rows))
    for name, file in lines.items():
        _whole(path / name, bytes(file.waiting))
    text = json.dumps(content, indent=2, ensure_ascii=False) + "\n"
    write_text_whole(path / "recording.json", text)
    flush(path)


def _whole(path, data):
    path.write_bytes(data)
    flush(path)
