"""Make the repository importable as the package ``lakefloor``, whatever its folder's name."""

import importlib.util
import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

# A virtual environment does not find the data of Debian's own PROJ.
if not os.environ.get("PROJ_DATA") and Path("/usr/share/proj/proj.db").exists():
    os.environ["PROJ_DATA"] = "/usr/share/proj"

if "lakefloor" not in sys.modules:
    spec = importlib.util.spec_from_file_location(
        "lakefloor", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
    )
    module = importlib.util.module_from_spec(spec)
    sys.modules["lakefloor"] = module
    spec.loader.exec_module(module)
