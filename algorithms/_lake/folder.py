"""Where the files of a lake are."""

from __future__ import annotations

import unicodedata
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from .._io.windows_names import FORBIDDEN, RESERVED
from ..core.errors import LakefloorError
from .facts import FACTS_FILE, read_facts

__all__ = ["LakeFolder", "file_name", "lake_of"]

#: Letters of a name, and bytes in UTF-8: file systems take 255, and endings are added.
_LETTERS, _BYTES = 80, 160


@dataclass(frozen=True)
class LakeFolder:
    """The folder of a lake.

    Attributes
    ----------
    path : Path
    """

    path: Path

    @property
    def project(self) -> Path:
        """The project of QGIS: the one that is there, else named after the lake."""
        there = sorted(self.path.glob("*.qgz"))
        own = self.path / f"{file_name(read_facts(self.path).name)}.qgz"
        return own if own in there or not there else there[0]

    @property
    def database(self) -> Path:
        return self.path / "lake_database.gpkg"

    @property
    def shoreline(self) -> Path:
        return self.path / "shoreline.gpkg"

    @property
    def gauge(self) -> Path:
        return self.path / "gauge.csv"

    @property
    def marks(self) -> Path:
        return self.path / "marks.gpkg"

    @property
    def logs(self) -> Path:
        return self.path / "logs"

    @property
    def sheets(self) -> Path:
        return self.path / "sheets"

    @property
    def reports(self) -> Path:
        return self.path / "reports"

    @property
    def backups(self) -> Path:
        return self.path / "backups"

    @property
    def lock(self) -> Path:
        return self.path / "lake.lock"

    def runs(self, step) -> Path:
        """Return the folder that holds the runs of a step."""
        return self.path / step


def lake_of(path, lake_id=None) -> LakeFolder | None:
    """Return the lake in whose folder a file is, or None; of this id where one is given.

    A folder whose file of facts cannot be read is passed by.
    """
    path = Path(path).absolute()
    for folder in (path, *path.parents):
        with suppress(LakefloorError, OSError, ValueError):
            if (folder / FACTS_FILE).is_file() and lake_id in (None, read_facts(folder).id):
                return LakeFolder(folder)
    return None


def file_name(text, otherwise="lake") -> str:
    """Return a text as a name of a file that every system takes, in any script.

    Examples
    --------
    >>> file_name("Lake: North/South?")
    'Lake North South'
    >>> file_name("Aux"), file_name("...")
    ('Aux_', 'lake')
    """
    name = text.encode("utf-8", "replace").decode("utf-8")
    name = FORBIDDEN.sub(" ", unicodedata.normalize("NFC", name))
    name = " ".join(name.split()).strip(". ")[:_LETTERS]
    name = name.encode("utf-8")[:_BYTES].decode("utf-8", "ignore").strip(". ")
    if RESERVED.match(name):
        head, dot, tail = name.partition(".")
        name = f"{head.rstrip()}_{dot}{tail}"
    return name or otherwise
