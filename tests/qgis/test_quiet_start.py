"""The panel opens without what only its work needs, which takes longest to import."""

import subprocess
import sys
from pathlib import Path

CI = Path(__file__).resolve().parents[2] / ".ci"
OPENED = """
import sys
sys.path[:0] = [{ci!r}]
import checkout
import lakefloor.plugin.door.door
from lakefloor.plugin.tools import tools_for
import lakefloor.plugin.tools.marks, lakefloor.plugin.tools.profile
import lakefloor.plugin.tools.review, lakefloor.plugin.tools.shoreline
import lakefloor.algorithms._project.saving
print(*sorted({{name.split(".")[0] for name in sys.modules}} & {{"scipy", "shapely", "matplotlib"}}))
"""


def test_opening_the_panel_imports_no_library_of_the_work():
    code = OPENED.format(ci=str(CI))
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == ""
