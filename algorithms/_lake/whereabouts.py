"""Where a folder lies, as far as that matters to its files: on a network drive, in a synced folder.

Neither is sure. A drive of the network locks files badly, and a program that synchronizes a folder
may copy a database halfway through; so the user is warned, and nothing is refused.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

try:
    from qgis.PyQt.QtCore import QStorageInfo
except ImportError:  # a notebook may use what needs no QGIS
    QStorageInfo = None

__all__ = ["NETWORK", "SYNCED", "may_write", "where_it_lies"]

SYNCED, NETWORK = "synced", "network"

#: Kinds of file systems whose files are on another computer; fuse mounts what others serve.
_REMOTE = re.compile(
    r"nfs\d?|cifs|smb\w*|afpfs|webdav|davfs2?|9p|ncpfs|afs|ceph|glusterfs|fuse\.(?!portal)\w+", re.I
)
#: Folders into which programs put what they keep in step with a server or another computer.
_SYNCED_NAME = re.compile(
    r"[a-z]cloud|cloudstorage|(^|[^a-z])sync(ed)?([^a-z]|$)|[a-z]drive\b|(my|shared) drive", re.I
)
_SYNCED_SIGN = re.compile(r"\.(\w*sync\w*|stfolder|stversions|dropbox)(\W.*)?", re.I)
#: Reparse tags of Windows for folders that such a program serves, whatever its maker:
#: IO_REPARSE_TAG_CLOUD and its sixteen variants (Microsoft, [MS-FSCC] 2.1.2.1).
_CLOUD_TAG, _CLOUD_MASK = 0x9000001A, 0xFFFF0FFF


def where_it_lies(path) -> str:
    """Return "network" or "synced" where a folder looks as if it lies there, "" otherwise."""
    real = Path(os.path.realpath(path))
    if _is_remote(real):
        return NETWORK
    if any(_SYNCED_NAME.search(folder.name) for folder in real.parents):
        return SYNCED
    # Signs in the home of a person are of programs, not of what lies in it.
    home = Path(os.path.realpath(Path.home()))
    within = [p for p in (real, *real.parents) if p != home and p not in home.parents]
    return SYNCED if any(_is_synced(folder) for folder in within) else ""


def may_write(folder) -> bool:
    """Say whether files can be made in a folder, by making one."""
    trial = Path(folder) / f".lakefloor-trial-{os.getpid()}"
    try:
        trial.write_bytes(b"")
        trial.unlink()
    except OSError:
        return False
    return True


def _is_remote(real) -> bool:
    if _is_share(str(real)):
        return True
    if QStorageInfo is None:
        return False
    there = next((p for p in (real, *real.parents) if p.exists()), real)
    drive = QStorageInfo(str(there))
    kind = bytes(drive.fileSystemType()).decode("ascii", "replace")
    return _is_share(bytes(drive.device()).decode("utf-8", "replace")) or bool(
        _REMOTE.fullmatch(kind)
    )


def _is_share(name) -> bool:
    """Say whether a path or drive is of a server; Windows gives such names to its volumes too."""
    name = name.replace("\\", "/")
    return name.startswith("//?/UNC/") or (
        name.startswith("//") and not name.startswith(("//?/", "//./"))
    )


def _is_synced(folder) -> bool:
    with suppress(OSError):
        tag = getattr(os.lstat(folder), "st_reparse_tag", 0)
        if tag & _CLOUD_MASK == _CLOUD_TAG:
            return True
        with os.scandir(folder) as entries:
            return any(_SYNCED_SIGN.fullmatch(entry.name) for entry in entries)
    return False
