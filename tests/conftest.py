"""Make the repository importable as the package ``lakefloor``."""

import os
import sys
from pathlib import Path

# A virtual environment does not find the data of Debian's own PROJ.
if not os.environ.get("PROJ_DATA") and Path("/usr/share/proj/proj.db").exists():
    os.environ["PROJ_DATA"] = "/usr/share/proj"

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / ".ci"))
import checkout  # noqa: F401

if os.environ.get("CI"):
    # What judges a change tries the same examples each time; every other run looks for new ones.
    from hypothesis import settings

    settings.register_profile("ci", derandomize=True)
    settings.load_profile("ci")
