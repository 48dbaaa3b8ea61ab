"""Who holds a lake, between processes of this machine and others; and where its folder lies."""

import json
import os
import subprocess
import sys
import textwrap
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from lakefloor.algorithms._lake import lock as lock_module
from lakefloor.algorithms._lake import whereabouts
from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.lock import (
    SILENT_S,
    holder_of,
    refresh_lock,
    release_lock,
    take_lock,
)
from lakefloor.algorithms._lake.whereabouts import may_write, where_it_lies
from lakefloor.algorithms.core.errors import LakefloorError

TESTS = Path(__file__).resolve().parents[1]


@pytest.fixture
def lake(tmp_path):
    write_facts(tmp_path, LakeFacts(name="Pond"))
    lake = LakeFolder(tmp_path)
    yield lake
    release_lock(lake)


class Window:
    """Another process that works on the lake; it does what it is told."""

    def __init__(self, lake):
        code = """
            import sys
            sys.path.insert(0, sys.argv[1])
            import conftest
            from pathlib import Path
            from lakefloor.algorithms._lake import lock
            from lakefloor.algorithms._lake.folder import LakeFolder
            lake = LakeFolder(Path(sys.argv[2]))
            for line in sys.stdin:
                print(eval(line), flush=True)
        """
        self.process = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(code), str(TESTS), str(lake.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ask(self, expression):
        self.process.stdin.write(f"{expression}\n")
        self.process.stdin.flush()
        return self.process.stdout.readline().strip()

    def kill(self):
        self.process.kill()
        self.process.wait()


@pytest.fixture
def window(lake):
    window = Window(lake)
    yield window
    window.kill()


def _of_another_machine(lake, age_s, **more):
    moment = datetime.now(timezone.utc) - timedelta(seconds=age_s)
    content = {"machine": "another", "process": 1, "time": moment.isoformat(), "token": "t", **more}
    lake.lock.write_text(json.dumps(content))


def test_a_lock_is_taken_once_and_given_back(lake):
    assert take_lock(lake) is None
    assert take_lock(lake) is None
    assert holder_of(lake).own
    assert holder_of(lake).process == os.getpid()
    assert refresh_lock(lake) is None
    release_lock(lake)
    assert not lake.lock.exists()
    assert holder_of(lake) is None
    release_lock(lake)


def test_a_second_window_sees_who_has_the_lake(lake, window):
    assert window.ask("lock.take_lock(lake)") == "None"
    held = take_lock(lake)
    assert held.process == window.process.pid
    assert not held.own
    assert not held.silent
    assert holder_of(lake) == held
    assert window.ask("lock.release_lock(lake)") == "None"
    assert take_lock(lake) is None
    assert window.ask("lock.take_lock(lake).process") == str(os.getpid())


def test_what_a_killed_process_left_is_taken_over_at_once(lake, window):
    assert window.ask("lock.take_lock(lake)") == "None"
    window.kill()
    assert not holder_of(lake).silent
    assert take_lock(lake) is None
    assert holder_of(lake).process == os.getpid()


def test_who_loses_the_lake_by_force_sees_it(lake, window):
    assert window.ask("lock.take_lock(lake)") == "None"
    assert take_lock(lake, by_force=True) is None
    assert holder_of(lake).own
    assert window.ask("lock.refresh_lock(lake).process") == str(os.getpid())
    assert refresh_lock(lake) is None
    assert window.ask("lock.take_lock(lake).process") == str(os.getpid())
    # What it lost it does not give back.
    assert window.ask("lock.release_lock(lake)") == "None"
    assert holder_of(lake).own


def test_another_machine_holds_a_lake_until_it_is_silent(lake):
    _of_another_machine(lake, 60.0)
    assert take_lock(lake).machine == "another"
    assert not holder_of(lake).silent
    _of_another_machine(lake, SILENT_S + 60.0)
    assert holder_of(lake).silent
    assert take_lock(lake) is None


def test_another_machine_takes_a_lake_by_force(lake):
    assert take_lock(lake) is None
    _of_another_machine(lake, 0.0)
    assert refresh_lock(lake).machine == "another"
    release_lock(lake)
    assert holder_of(lake).machine == "another"
    lake.lock.unlink()


@pytest.mark.parametrize("text", ["", "{", '{"machine": 7, "process": 1, "time": 2}', "[]", "null"])
def test_a_lock_that_is_cut_short_is_somebodys_until_it_is_old(lake, text):
    lake.lock.write_text(text)
    held = take_lock(lake)
    assert held is not None
    assert held.machine == ""
    old = datetime.now().timestamp() - SILENT_S - 60.0
    os.utime(lake.lock, (old, old))
    assert take_lock(lake) is None
    assert holder_of(lake).own


def test_a_lock_of_a_later_version_is_read(lake):
    _of_another_machine(lake, 0.0, user="x", more=[1])
    assert take_lock(lake).machine == "another"


def test_a_refresh_tells_the_time_and_puts_back_what_was_removed(lake, monkeypatch):
    assert take_lock(lake) is None
    first = holder_of(lake)
    content = json.loads(lake.lock.read_text())
    content["time"] = "2026-01-01T00:00:00+00:00"
    descriptor, _ = lock_module._held[lock_module._key(lake)]
    os.pwrite(descriptor, json.dumps(content).encode(), 0)
    assert holder_of(lake).silent
    assert refresh_lock(lake) is None
    assert holder_of(lake).time >= first.time
    lake.lock.unlink()
    assert refresh_lock(lake) is None
    assert holder_of(lake).own
    # A program that synchronizes the folder puts the same content in place as another file.
    text = lake.lock.read_text()
    lake.lock.unlink()
    lake.lock.write_text(text)
    assert refresh_lock(lake) is None
    assert holder_of(lake).own


def test_a_file_system_without_locks_goes_by_the_time(lake, window, monkeypatch):
    monkeypatch.setattr(lock_module, "_lock", lambda *args, **options: None)
    assert window.ask("lock.take_lock(lake)") == "None"
    assert take_lock(lake).process == window.process.pid
    window.kill()
    assert take_lock(lake).process == window.process.pid
    content = json.loads(lake.lock.read_text())
    content["time"] = "2026-01-01T00:00:00+00:00"
    lake.lock.write_text(json.dumps(content))
    assert take_lock(lake) is None


def test_a_lock_that_cannot_be_removed_says_that_nobody_is_there(lake, monkeypatch):
    assert take_lock(lake) is None

    def held(self, missing_ok=False):
        raise PermissionError(13, "used by another process")

    monkeypatch.setattr(Path, "unlink", held)
    release_lock(lake)
    monkeypatch.undo()
    assert lake.lock.exists()
    assert holder_of(lake).silent


def test_a_read_only_folder_is_said(lake, monkeypatch):
    def denied(*args, **options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(lock_module.os, "open", denied)
    with pytest.raises(LakefloorError, match="looked at, but not changed"):
        take_lock(lake)


# -- where a folder lies -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("folder", "where"),
    [
        ("Nextcloud/lakes/Pond", "synced"),
        ("OneDrive - School/Pond", "synced"),
        ("CloudStorage/x/Pond", "synced"),
        ("Sync/Pond", "synced"),
        ("My Drive/Pond", "synced"),
        ("Documents/Saint Cloud Lake", ""),
        ("Cloud County/Pond", ""),
        ("Documents/Synclinal Pond", ""),
        ("drives/Pond", ""),
    ],
)
def test_names_of_folders_tell_that_they_are_synced(tmp_path, folder, where):
    path = tmp_path / folder
    path.mkdir(parents=True)
    assert where_it_lies(path) == where


def test_what_programs_leave_tells_that_a_folder_is_synced(tmp_path, monkeypatch):
    lake = tmp_path / "home" / "lakes" / "Pond"
    lake.mkdir(parents=True)
    assert where_it_lies(lake) == ""
    # In a person's home it is of the program itself.
    (tmp_path / "home" / ".rsyncrc").write_text("")
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    assert where_it_lies(lake) == ""
    (tmp_path / "home" / "lakes" / ".stfolder").mkdir()
    assert where_it_lies(lake) == "synced"


@pytest.mark.parametrize(
    ("kind", "device", "remote"),
    [
        (b"nfs4", b"host:/lakes", True),
        (b"cifs", b"//host/lakes", True),
        (b"fuse.sshfs", b"host:", True),
        (b"NTFS", b"\\\\host\\lakes", True),
        (b"ext4", b"/dev/sda1", False),
        (b"fuseblk", b"/dev/sdb1", False),
        (b"apfs", b"/dev/disk1", False),
        (b"NTFS", b"\\\\?\\Volume{1}\\", False),
    ],
)
def test_kinds_of_file_systems_tell_a_network(tmp_path, monkeypatch, kind, device, remote):
    class Drive:
        def __init__(self, path):
            assert Path(path).exists()

        def device(self):
            return device

        def fileSystemType(self):
            return kind

    monkeypatch.setattr(whereabouts, "QStorageInfo", Drive)
    assert (where_it_lies(tmp_path / "not yet there") == "network") == remote


def test_whether_files_can_be_made_is_tried(tmp_path, monkeypatch):
    assert may_write(tmp_path)
    assert list(tmp_path.iterdir()) == []
    assert not may_write(tmp_path / "none")
