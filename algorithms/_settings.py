"""What a person has chosen for all lakes: unit, paper, boats, sources and where lakes are kept.

Kept in QGIS's own settings, under ``lakefloor/``. What nobody has chosen follows from the locale. It
fills the forms in a window, and nothing else: a run without one is the same for everybody.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from qgis.core import QgsSettings
from qgis.PyQt.QtCore import QLocale, QStandardPaths

UNITS = ("feet", "meters")

#: Countries where letter paper is usual, by the Unicode Common Locale Data Repository (paperSize).
_LETTER = ["BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"]

_ROOT = "lakefloor"


@dataclass(frozen=True)
class Boat:
    """A boat with its sounder, as the forms take it.

    ``draft_m`` is the depth of the transducer below the waterline, ``beam_degrees`` the width of
    its beam (None where nobody knows), ``sound_speed_ms`` what the sounder assumes, and
    ``speed_ms`` how fast the boat surveys.
    """

    name: str
    draft_m: float = 0.3
    beam_degrees: float | None = None
    sound_speed_ms: float = 1500.0
    speed_ms: float = 2.2352


def depth_unit() -> str:
    """Return ``feet`` or ``meters``."""
    imperial = QLocale().measurementSystem() == QLocale.MeasurementSystem.ImperialUSSystem
    return _one_of(UNITS, "depth_unit") or ("feet" if imperial else "meters")


def page_size() -> str:
    """Return the name of a page size: A4, A3, Letter or Tabloid."""
    from .core.wording.page_layout import PAGE_SIZES

    country = QLocale().name().rpartition("_")[2]
    return _one_of(PAGE_SIZES, "page_size") or ("Letter" if country in _LETTER else "A4")


def lakes_folder() -> Path:
    """Return the folder in which new lakes are made: that of the documents, if none is chosen."""
    place = QStandardPaths.StandardLocation.DocumentsLocation
    chosen = str(_value("lakes_folder") or "")
    return Path(chosen or QStandardPaths.writableLocation(place) or Path.home())


def boats() -> list:
    """Return the boats that are known."""
    try:
        kept = json.loads(_value("boats") or "[]")
        return [_boat(each) for each in kept]
    except (TypeError, ValueError, KeyError, AttributeError):
        return []  # written by hand, or by a version to come


def boat() -> Boat | None:
    """Return the boat that the forms are filled for: the one chosen, else the first."""
    known, chosen = boats(), _value("boat")
    return next((each for each in known if each.name == chosen), known[0] if known else None)


def choose(**values) -> None:
    """Keep what a person chose: ``depth_unit``, ``page_size``, ``lakes_folder``, ``boat``.

    None goes back to what the locale says.
    """
    settings = QgsSettings()
    for key, value in values.items():
        if value is None:
            settings.remove(f"{_ROOT}/{key}")
        else:
            settings.setValue(f"{_ROOT}/{key}", str(value))


def keep_boats(known) -> None:
    """Keep the boats."""
    QgsSettings().setValue(f"{_ROOT}/boats", json.dumps([asdict(each) for each in known]))


def sources() -> list:
    """Return what was read on the water last, as dictionaries with kind and place."""
    try:
        kept = json.loads(_value("sources") or "[]")
        return [dict(each) for each in kept]
    except (TypeError, ValueError):
        return []  # written by hand, or by a version to come


def keep_sources(chosen):
    """Keep what is read on the water, given as dictionaries."""
    QgsSettings().setValue(f"{_ROOT}/sources", json.dumps(list(chosen)))


def _value(key):
    return QgsSettings().value(f"{_ROOT}/{key}")


def _one_of(allowed, key):
    chosen = _value(key)
    return chosen if chosen in allowed else None


def _boat(kept) -> Boat:
    known = {field.name for field in fields(Boat)} - {"name"}
    numbers = {key: None if kept[key] is None else float(kept[key]) for key in known & kept.keys()}
    return Boat(name=str(kept["name"]), **numbers)
