"""Check the types of core with mypy; what was known to fail may only shrink.

    .venv/bin/python .ci/check_types.py          # fails on what is not in known_types.txt
    .venv/bin/python .ci/check_types.py --keep   # writes the list anew, unless it would grow

The list has messages without files and lines, so that code can move; without the file nothing is
known to fail. numpy, scipy, shapely and pyproj count as untyped (pyproject.toml): their own types
differ between the versions that QGIS comes with, and the answer here must not.
"""

import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
KNOWN = Path(__file__).with_name("known_types.txt")


def _total(counter: Counter) -> int:
    return sum(counter.values())


def _message(line: str) -> str:
    return re.sub(r"^\S+:\d+: error: ", "", line)


def _errors() -> list:
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--no-error-summary", "--no-color-output"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 1) or done.stderr:
        sys.exit(done.stdout + done.stderr)
    return [line for line in done.stdout.splitlines() if ": error: " in line]


def _keep(found: Counter) -> int:
    if found:
        KNOWN.write_text("".join(f"{m}\n" for m in sorted(found.elements())), encoding="utf-8")
    else:
        KNOWN.unlink(missing_ok=True)
    print(f"types: {_total(found)} known")
    return 0


def main() -> int:
    errors = _errors()
    known = Counter(KNOWN.read_text(encoding="utf-8").splitlines() if KNOWN.exists() else [])
    found = Counter(map(_message, errors))
    new, gone = found - known, known - found
    if "--keep" in sys.argv and _total(found) <= _total(known):
        return _keep(found)
    for line in errors:
        if _message(line) in new:
            print(line)
    if gone:
        print(f"{_total(gone)} of .ci/known_types.txt are mended: write it with --keep")
    print(f"types: {_total(new)} new, {_total(found & known)} known")
    return 1 if new else 0


if __name__ == "__main__":
    sys.exit(main())
