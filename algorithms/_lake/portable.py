"""What is kept of a run without a word of where it ran, or whose account it was."""

from __future__ import annotations

import math
import os
import re
from pathlib import Path

__all__ = ["numbers_of", "portable", "without_places"]

#: The beginning of an absolute path, on any system.
_ABSOLUTE = re.compile(r"(/|\\\\|[A-Za-z]:[\\/]|file:)")

#: Windows knows a folder by a name in any case.
_CASE = re.IGNORECASE if os.name == "nt" else 0


def portable(value, base: Path):
    """Return parameters as JSON takes them, without absolute paths.

    A path within ``base`` is given relative to it, with "/"; of another only the name stays.
    """
    if isinstance(value, dict):
        return {str(name): portable(part, base) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [portable(part, base) for part in value]
    if value is None or isinstance(value, (bool, int)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if hasattr(value, "source") and callable(value.source):  # a layer
        value = value.source()
    text = str(value)
    if not _ABSOLUTE.match(text):
        return without_places(text, base)
    path, bar, rest = text.partition("|")
    try:
        path = Path(path).relative_to(base).as_posix()
    except ValueError:
        path = re.split(r"[\\/]", path.rstrip("\\/"))[-1]
    return f"{path}{bar}{rest}"


def without_places(text: str, base: Path) -> str:
    """Return a text in which the folder of a lake is not named, nor a person's home."""
    for folder, shown in ((base, ""), (Path.home(), "~")):
        if len(folder.parts) < 2:
            continue
        for written in {str(folder), folder.as_posix()}:
            place = re.escape(written)
            within = rf"{shown}\1" if shown else ""
            text = re.sub(rf"{place}([/\\])", within, text, flags=_CASE)
            text = re.sub(place, lambda _, name=shown or folder.name: name, text, flags=_CASE)
    return text


def numbers_of(results) -> dict:
    """Return the numbers among the results of an algorithm or model, those of its steps too.

    Those of a step are named as a model names its outputs: "addtodatabase:ADDED".
    """
    found = {}
    for child, of_child in (results.get("CHILD_RESULTS") or {}).items():
        if isinstance(of_child, dict):
            found.update({f"{child}:{name}": value for name, value in of_child.items()})
    found.update(results)
    return {
        name: value
        for name, value in found.items()
        if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    }
