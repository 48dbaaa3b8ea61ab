"""The Python in which the growing map can run beside QGIS."""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["interpreters"]


def interpreters() -> list:
    """Return paths of Python of this QGIS, the likeliest first; inside QGIS none need be there.

    The executable of QGIS is no Python, but its own lies beside its libraries.
    """
    version = f"python{sys.version_info[0]}.{sys.version_info[1]}"
    if os.name == "nt":
        names, folders = ("python3.exe", "python.exe"), (sys.exec_prefix, sys.base_prefix)
        found = [Path(folder) / name for folder in folders for name in names]
    else:
        names = (version, "python3")
        folders = (Path(sys.exec_prefix) / "bin", Path(sys.base_prefix) / "bin")
        if sys.platform == "darwin":
            folders = (Path(sys.executable).parent / "bin", Path(sys.executable).parent, *folders)
        found = [folder / name for folder in folders for name in names]
    if Path(sys.executable).stem.lower().startswith("python"):
        found.insert(0, Path(sys.executable))
    return [str(path) for path in dict.fromkeys(found) if path.is_file()]
