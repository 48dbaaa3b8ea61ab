"""What is known of a lake, kept in the file that makes a folder a lake."""

from __future__ import annotations

import json
import math
import uuid
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path

from .._i18n import tr
from .._io.whole_files import write_text_whole
from ..core.errors import LakefloorError

__all__ = [
    "CONTOUR_INTERVALS",
    "DEPTH_UNITS",
    "FACTS_FILE",
    "Boat",
    "LakeFacts",
    "read_facts",
    "write_facts",
]

#: The file by which a folder is known as a lake.
FACTS_FILE = "lake.json"
_LAYOUT = 1

DEPTH_UNITS = ("feet", "meters")

#: Between contours where nobody chose, in each depth unit.
CONTOUR_INTERVALS = {"feet": 1.0, "meters": 0.5}


@dataclass(frozen=True)
class Boat:
    """A boat with its sounder.

    Attributes
    ----------
    name : str
    draft_m : float
        Depth of the transducer below the waterline with the crew aboard, in m.
    beam_deg : float or None
        Beam width of the transducer, in degrees.
    sound_speed_ms : float
        Sound speed that the sounder assumes, in m/s.
    """

    name: str = ""
    draft_m: float = 0.3
    beam_deg: float | None = None
    sound_speed_ms: float = 1500.0


@dataclass(frozen=True)
class LakeFacts:
    """What a person said of a lake.

    Attributes
    ----------
    id : str
        Stays when the folder is moved, renamed or restored.
    name, place : str
        As printed, such as "Lake Marrowby" and "Oster County".
    unit : {"feet", "meters"}
        In which people read depths.
    time_zone : str
        Of the lake's clocks, such as "America/Chicago"; "" where nobody said.
    level_unit : str
        Unit of gauge readings and levels, in the words of the readers' drop-downs.
    datum_reading : float or None
        Gauge reading at the lake datum, in the level unit; None where there is no gauge.
    datum_name : str
    boat : Boat
    """

    name: str
    id: str = field(default_factory=lambda: uuid.uuid4().hex)
    place: str = ""
    unit: str = "feet"
    time_zone: str = ""
    level_unit: str = "feet"
    datum_reading: float | None = None
    datum_name: str = ""
    boat: Boat = field(default_factory=Boat)


def read_facts(folder) -> LakeFacts:
    """Read what is known of the lake in a folder.

    Raises
    ------
    LakefloorError
        If the folder is no lake, or its file cannot be read or is of a newer version.
    """
    path = Path(folder) / FACTS_FILE
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except (FileNotFoundError, NotADirectoryError):
        raise LakefloorError(
            tr(
                "'{}' is not the folder of a lake: it has no file '{}'. Choose another folder, or "
                "make a new lake."
            ).format(Path(folder).name, FACTS_FILE)
        ) from None
    except (OSError, ValueError, RecursionError) as error:
        raise LakefloorError(
            tr("Cannot read '{}' ({}). Take the file from a backup of the lake.").format(
                path, error
            )
        ) from None
    if not isinstance(content, dict) or not str(content.get("name") or "").strip():
        raise LakefloorError(
            tr("'{}' does not name a lake. Take it from a backup of the lake.").format(path)
        )
    layout = content.get("layout", 0)
    if not isinstance(layout, int) or layout > _LAYOUT:
        raise LakefloorError(
            tr("'{}' was written by a newer version of Lakefloor. Update it first.").format(path)
        )
    boat = content.get("boat")
    boat = _known(Boat, boat if isinstance(boat, dict) else {}, path)
    return LakeFacts(**_known(LakeFacts, content, path), boat=Boat(**boat))


def write_facts(folder, facts: LakeFacts):
    """Write what is known of a lake into its folder, whole or not at all."""
    content = {"layout": _LAYOUT, **asdict(facts)}
    write_text_whole(
        Path(folder) / FACTS_FILE, json.dumps(content, indent=2, ensure_ascii=False) + "\n"
    )


#: Fields that are numbers, and those of them that may be unknown.
_NUMBERS = {"draft_m", "beam_deg", "sound_speed_ms", "datum_reading"}
_UNKNOWN = {"beam_deg", "datum_reading"}


def _known(cls, content, path):
    """Return the values of the fields of a class, each of its kind; others are left out."""
    found = {}
    for name in {f.name for f in fields(cls)} & set(content) - {"boat"}:
        value = content[name]
        if name in _NUMBERS:
            if value is None and name in _UNKNOWN:
                found[name] = None
                continue
            good = isinstance(value, (int, float)) and not isinstance(value, bool)
            good = good and math.isfinite(value)
        else:
            good = isinstance(value, str) and (name != "unit" or value in DEPTH_UNITS)
        if not good:
            raise LakefloorError(
                tr(
                    "'{}' has a value for '{}' that cannot be: {}. Correct it, or take the file "
                    "from a backup of the lake."
                ).format(path, name, json.dumps(value)[:80])
            )
        found[name] = value
    return found
