"""What the sources of a lake hold, as fingerprints: by these the states of the steps are told.

A fingerprint is of the content, so that a file which was only opened, copied or saved again is the
same. Reading content takes time, so what was found is kept in a hidden file of the lake's folder,
beside the size and the time of what it was found in.
"""

from __future__ import annotations

import hashlib
import json
import time
from contextlib import suppress
from pathlib import Path

from .. import _store
from .._io.rows_digest import rows_digest
from .._io.whole_files import write_text_whole
from ..core.errors import LakefloorError
from .lock import holder_of

__all__ = ["content_digest", "fingerprints"]

#: The file with what was found, in the folder of the lake.
KNOWN_FILE = ".fingerprints.json"

#: A file changed so short a time ago may change again without a sign, s.
_FRESH_S = 3.0
_BLOCK = 1 << 20


def fingerprints(lake) -> dict:
    """Return the fingerprints of the sources that are there.

    Returns
    -------
    dict of str to str
        "shoreline", "gauge", "marks" and "database", each where there is such a file with something
        in it. One that cannot be read counts as there, with the fingerprint "unreadable".
    """
    known = _known(lake)
    found, signs = {}, {}
    for name, of in _SOURCES.items():
        path = getattr(lake, name)
        sign = _sign(path)
        if sign is None:
            continue
        signs[name] = sign
        before = known.get(name)
        if isinstance(before, list) and before[:1] == [sign]:
            found[name] = before[1]
        else:
            found[name] = _fingerprint(of, path)
    now = {
        name: [signs[name], digest]
        for name, digest in found.items()
        if digest != _UNREADABLE and not _is_fresh(signs[name])
    }
    if now != known and _may_note(lake):
        with suppress(OSError):  # a folder that may only be read
            write_text_whole(lake.path / KNOWN_FILE, json.dumps(now, indent=1) + "\n")
    return {name: digest for name, digest in found.items() if digest}


def content_digest(path) -> str:
    """Return a digest of the bytes of a file.

    Raises
    ------
    OSError
    """
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


_UNREADABLE = "unreadable"


def _fingerprint(of, path):
    try:
        return of(path)
    except (OSError, LakefloorError):
        return _UNREADABLE


def _database_digest(path):
    return _store.state_of(path) if _store.visits_of(path) else ""


_SOURCES = {
    "shoreline": rows_digest,
    "gauge": content_digest,
    "marks": rows_digest,
    "database": _database_digest,
}


def _sign(path):
    """Return size and time of a file and of what SQLite keeps beside it, None if it is not there."""
    try:
        signs = [_size_and_time(path)]
    except OSError:
        return None
    with suppress(OSError):
        size, moment = _size_and_time(Path(f"{path}-wal"))
        signs += [[size, moment]] if size else []
    return signs


def _size_and_time(path):
    status = path.stat()
    return [status.st_size, status.st_mtime_ns]


def _is_fresh(sign):
    return time.time() - max(moment for _, moment in sign) / 1e9 < _FRESH_S


def _may_note(lake) -> bool:
    """Say whether no other window or computer works on a lake: two would note one over the other."""
    held = holder_of(lake)
    return held is None or held.own or held.silent


def _known(lake) -> dict:
    with suppress(OSError, ValueError, RecursionError):
        content = json.loads((lake.path / KNOWN_FILE).read_text(encoding="utf-8"))
        if isinstance(content, dict):
            return content
    return {}
