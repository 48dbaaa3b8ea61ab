"""Check the types of core with mypy; what was known to fail may only shrink.

    .venv/bin/python .ci/check_types.py          # fails on what is not in known_types.txt
    .venv/bin/python .ci/check_types.py --keep   # writes the list again where it became shorter

The list has messages without files and lines, so that code can move. numpy, scipy, shapely and
pyproj count as untyped (pyproject.toml): their own types differ between the versions that QGIS
comes with, and the answer here must not.
"""

import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
KNOWN = Path(__file__).with_name("known_types.txt")


def _total(counter) -> int:
    return sum(counter.values())


def main() -> int:
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--no-error-summary", "--no-color-output"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    errors = [line for line in done.stdout.splitlines() if ": error: " in line]
    if done.returncode not in (0, 1) or done.stderr:
        sys.exit(done.stdout + done.stderr)
    known = Counter(KNOWN.read_text(encoding="utf-8").splitlines() if KNOWN.exists() else [])
    found = Counter(re.sub(r"^\S+:\d+: error: ", "", line) for line in errors)
    if "--keep" in sys.argv and (_total(found) < _total(known) or not KNOWN.exists()):
        KNOWN.write_text("".join(f"{m}\n" for m in sorted(found.elements())), encoding="utf-8")
        known = found
    new, gone = found - known, known - found
    for line in errors:
        if re.sub(r"^\S+:\d+: error: ", "", line) in new:
            print(line)
    if gone:
        print(
            f"{_total(gone)} of .ci/known_types.txt no longer occur. Write the shorter list: "
            f"{sys.executable} .ci/check_types.py --keep"
        )
    print(f"types: {_total(new)} new, {_total(found & known)} known")
    return 1 if new or gone else 0


if __name__ == "__main__":
    sys.exit(main())
