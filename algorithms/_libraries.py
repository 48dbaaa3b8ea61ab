"""The libraries of the work, imported by one thread at a time.

The packages of scipy import each other in circles. Where two threads begin with them at once,
Python hands one of them a module that is not complete, and its import fails. So whoever needs a
library first imports all of it that is used here, and others wait: the main thread, which needs
shapely alone to check a dialog, no longer than for that.

pyproj 3.7 kills QGIS in a thread if another thread, which has ended, was the first to import it. So
the main thread is the first: when an algorithm is prepared, and when the panel is made.
"""

from __future__ import annotations

import threading
from importlib import import_module

#: Library -> its modules that core and the rooms of work import.
LIBRARIES = {
    "shapely": (
        "errors", "geometry", "geometry.base", "geometry.polygon", "ops", "prepared", "validation",
        "wkb", "wkt",
    ),
    "pyproj": ("crs", "exceptions", "transformer"),
    "scipy": (
        "fft", "interpolate", "ndimage", "optimize", "signal", "sparse", "sparse.csgraph",
        "sparse.linalg", "spatial", "spatial.distance", "special", "stats",
    ),
}  # fmt: skip
_LOCKS = {name: threading.Lock() for name in LIBRARIES}
_complete = set()


def import_libraries(*names: str) -> None:
    """Import libraries, all of them unless some are named."""
    for name in names or LIBRARIES:
        if name in _complete:
            continue
        with _LOCKS[name]:
            for module in LIBRARIES[name]:
                import_module(f"{name}.{module}")
            _complete.add(name)
