"""Files are written whole, or the user is told what is wrong."""

import os
from pathlib import Path

import pytest

from lakefloor.algorithms._io.gdal_errors import done, last_error, made, without_sql
from lakefloor.algorithms._io.staging import Staging, write_file
from lakefloor.algorithms.core.errors import LakefloorError


def test_full_disk_is_told():
    """/dev/full, where there is one, answers each write as a full disk does (Linux, full(4))."""
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no /dev/full here")
    with pytest.raises(LakefloorError, match=r"Cannot write 'full' \(No space left on device\)"):
        write_file(full, b"depth")


def test_gdal_errors_are_raised_without_their_sql(monkeypatch):
    from osgeo import gdal

    monkeypatch.setattr(
        gdal, "GetLastErrorMsg", lambda: "sqlite3_exec(CREATE TABLE a) failed: disk I/O error"
    )
    assert last_error() == "disk I/O error"
    assert made(3) == 3
    done(0)
    with pytest.raises(RuntimeError, match="^disk I/O error$"):
        made(None)
    with pytest.raises(RuntimeError, match="^disk I/O error$"):
        done(6)
    assert (
        without_sql(
            "gdal_sqlite_rtree_bl_from_feature_table() failed with database or disk is full"
        )
        == "database or disk is full"
    )
    assert (
        without_sql(
            'Feature creation error (OGR error: failed to prepare SQL: INSERT INTO "a" ("geom") '
            "VALUES (?) - database or disk is full)"
        )
        == "database or disk is full)"
    )


def test_what_is_made_in_a_folder_of_a_run_may_be_read_by_others(tmp_path, monkeypatch):
    """Mode 0o700 has Windows restrict a folder, and all that is made in it, to one account.

    https://docs.python.org/3/library/os.html#os.mkdir, changed in version 3.12.4. What is moved
    within a drive of NTFS keeps its access rights.
    """
    modes = []
    mkdir = os.mkdir

    def watched(path, mode=0o777, **options):
        modes.append(mode)
        mkdir(path, mode, **options)

    monkeypatch.setattr(os, "mkdir", watched)
    with Staging() as staging:
        new = staging.stage(tmp_path / "map.pdf")
        new.write_bytes(b"map")
        staging.move()
        staging.finish()
    assert (tmp_path / "map.pdf").read_bytes() == b"map"
    assert len(modes) >= 3
    assert 0o700 not in modes
