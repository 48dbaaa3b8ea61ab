"""Importing this module makes the checkout, whatever its folder's name, the package lakefloor."""

import importlib.util
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

if "lakefloor" not in sys.modules:
    spec = importlib.util.spec_from_file_location(
        "lakefloor", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
    )
    sys.modules["lakefloor"] = package = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(package)
