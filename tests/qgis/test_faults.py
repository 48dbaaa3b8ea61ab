"""Fifty faults of the disk, out of those that ``tests/faults/run.py`` tries."""

import collections
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

RUN = Path(__file__).resolve().parents[1] / "faults" / "run.py"


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_what_a_fault_of_the_disk_leaves(tmp_path):
    record = tmp_path / "outcomes.json"
    ran = subprocess.run(
        [sys.executable, str(RUN), "--sample", "--record", str(record)],
        capture_output=True,
        text=True,
        check=False,
        timeout=900,
    )
    assert ran.returncode == 0, ran.stderr[-2000:]
    outcomes = json.loads(record.read_text())
    assert len(outcomes) == 50
    wrong = [
        (fault, said, state, swept, text[-500:])
        for *fault, said, _, state, _, swept, text in outcomes
        if state == "torn" or swept or said not in ("done", "refused", "killed")
    ]
    assert not wrong
    # Faults were met: some runs were refused or killed, and the old results were there then.
    said = collections.Counter(row[4] for row in outcomes)
    assert said["killed"] >= 10
    assert said["refused"] >= 10
    assert {row[6] for row in outcomes} == {"old", "new"}
    for row in outcomes:
        if row[4] == "refused":
            assert row[9].strip().endswith((".", "?"))
            assert "sqlite" not in row[9].lower()
