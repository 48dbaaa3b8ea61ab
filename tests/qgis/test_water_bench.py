"""The benchmark of the map on the water, for seconds instead of minutes: that it measures at all."""

import re
import subprocess
import sys
from pathlib import Path

BENCH = Path(__file__).resolve().parents[1] / "benchmarks" / "bench_water.py"


def test_pings_are_followed_from_the_boat_to_the_canvas_in_a_process_and_in_a_thread():
    command = [sys.executable, BENCH, "--minutes", "0.15", "--earlier", "5000"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=400)
    assert done.returncode == 0, done.stderr
    said = done.stdout
    pings = re.findall(r"age of (\d+) pings: median ([\d.]+) s, .* (\d+) pictures of", said)
    assert len(pings) == 2, said
    for count, median, pictures in pings:
        # 9 s of ten pings a second.
        assert 0 < int(count) < 150
        assert 0.0 < float(median) < 60.0
        assert int(pictures) >= 1
    # Only the first has a process beside QGIS.
    assert said.count("  QGIS: ") == 2
    assert said.count("  process: ") == 1
    assert "told:" not in said
