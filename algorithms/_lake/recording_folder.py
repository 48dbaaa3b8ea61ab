"""The folder of a recording, as it is on the disk; :mod:`.recording` writes it."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from ..core.reading.arrivals import ARRIVALS_ENDING, Arrivals, parse_arrivals
from ..core.reading.recorded_log import RECORDING_FILE

__all__ = ["Recording", "recordings"]


@dataclass(frozen=True)
class Recording:
    """The folder of a recording, as it is on the disk."""

    path: Path

    @property
    def content(self) -> dict:
        """What was said of it; {} where that cannot be read."""
        with suppress(OSError, ValueError):
            content = json.loads((self.path / RECORDING_FILE).read_text(encoding="utf-8"))
            if isinstance(content, dict):
                return content
        return {}

    @property
    def is_open(self) -> bool:
        """Whether it was not ended."""
        return not self.content.get("ended")

    @property
    def facts(self) -> dict:
        """What the person said of the outing."""
        return dict(self.content.get("facts") or {})

    @property
    def sources(self) -> dict:
        """Key of each source -> what was chosen, in order."""
        return dict(self.content.get("sources") or {})

    @property
    def keys(self) -> list:
        """The keys of all sources that were ever recorded, in order."""
        there = [path.stem for path in sorted(self.path.glob(f"*{ARRIVALS_ENDING}"))]
        return [*self.sources, *(key for key in there if key not in self.sources)]

    @property
    def lock(self) -> Path:
        """The file that says who writes it."""
        return self.path / "recording.lock"

    def raw(self, key: str) -> Path:
        """Return the file with the raw bytes of a source."""
        text = self.path / f"{key}.txt"
        is_text = (self.sources.get(key) or {}).get("is_text") or text.exists()
        return text if is_text else self.path / f"{key}.nmea"

    def arrivals_file(self, key: str) -> Path:
        """Return the file with the times at which they came."""
        return self.path / f"{key}{ARRIVALS_ENDING}"

    def arrivals(self, key: str) -> Arrivals:
        """Return when the bytes of a source came; of none where there is no such file."""
        data = b""
        with suppress(OSError):
            data = self.arrivals_file(key).read_bytes()
        return parse_arrivals(data)[0]

    def marks(self) -> list:
        """Return the marks that were set, in order; a line that was cut short is left out."""
        return _lines(self.path / "marks.jsonl")

    def events(self) -> list:
        """Return what happened, in order; a line that was cut short is left out."""
        return _lines(self.path / "events.jsonl")


def recordings(lake) -> list:
    """Return the recordings of a lake (Recording), the oldest first."""
    found = lake.logs.glob(f"*/{RECORDING_FILE}") if lake.logs.is_dir() else ()
    return [Recording(path.parent) for path in sorted(found)]


def _lines(path) -> list:
    found = []
    with suppress(OSError):
        for line in path.read_bytes().splitlines():
            with suppress(ValueError):
                content = json.loads(line.decode("utf-8"))
                if isinstance(content, dict):
                    found.append(content)
    return found
