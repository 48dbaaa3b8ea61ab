"""A notebook without QGIS can use the lake's store."""

import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parents[1]

pytest.importorskip("osgeo", reason="GDAL makes the file of a new store")


def test_a_store_is_made_read_backed_up_and_refused_without_qt(tmp_path):
    code = """
        import sys
        sys.modules["qgis"] = sys.modules["PyQt5"] = sys.modules["PyQt6"] = None
        sys.path.insert(0, sys.argv[1])
        import conftest
        import numpy as np
        from lakefloor.algorithms import _store
        from lakefloor.algorithms.core.errors import LakefloorError
        from lakefloor.algorithms.core.soundings import Soundings
        from lakefloor.algorithms.core.visits.merging import merge_soundings

        path, n = sys.argv[2] + "/lake.gpkg", 100
        time = np.datetime64("2024-05-14", "ms") + np.arange(n) * np.timedelta64(1, "s")
        may = Soundings.build(5e5 + np.arange(n), np.full(n, 5e6), np.arange(n) / 20 + 3.0,
                              time=time, visit="may")
        assert _store.add(path, may, "EPSG:32615").added == n
        assert _store.add(path, may, "EPSG:32615").already_there == n
        (visit,) = _store.contents(path).visits
        assert (visit.name, visit.soundings) == ("may", n)
        assert (next(_store.read(path)).depth == may.depth).all()
        assert _store.back_up(path, sys.argv[2]).is_file()
        june = Soundings.build(5e5 + np.arange(n), np.full(n, 5e6 + 50), np.arange(n) / 30 + 3.0,
                               time=time + np.timedelta64(30, "D"), visit="june")
        merged = merge_soundings(_store.read_whole(path), june, level="none")
        assert _store.write_merged(path, sys.argv[2] + "/both.gpkg", merged, "none").added == n
        assert _store.remove(path, ["may"])["removed"] == n
        try:
            _store.contents(sys.argv[2] + "/none.gpkg")
        except LakefloorError as error:
            print(error)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), str(TESTS), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "There is no lake database" in done.stdout
