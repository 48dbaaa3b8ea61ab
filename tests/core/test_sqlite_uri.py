"""Files that are opened for reading only, also on the shares of Windows."""

import sqlite3
from contextlib import closing
from pathlib import PurePosixPath, PureWindowsPath

import pytest

from lakefloor.algorithms._io.sqlite_uri import read_only_uri


# "file:///C:/Documents%20and%20Settings/fred/Desktop/data.db" is an example of the documentation,
# https://www.sqlite.org/uri.html; the text between "//" and the next "/" must be empty there.
@pytest.mark.parametrize(
    ("path", "uri"),
    [
        (
            PureWindowsPath(r"C:\Documents and Settings\fred\Desktop\data.db"),
            "file:///C:/Documents%20and%20Settings/fred/Desktop/data.db?mode=ro",
        ),
        (
            PureWindowsPath(r"\\server\lakes\Möwensee\lake.gpkg"),
            "file:////server/lakes/M%C3%B6wensee/lake.gpkg?mode=ro",
        ),
        (
            PurePosixPath("/home/50% #1?/lake.gpkg"),
            "file:///home/50%25%20%231%3F/lake.gpkg?mode=ro",
        ),
    ],
)
def test_the_name_of_a_server_is_a_part_of_the_path(path, uri):
    assert read_only_uri(path) == uri


def test_a_relative_path_is_refused():
    with pytest.raises(ValueError, match="no absolute path"):
        read_only_uri(PurePosixPath("lake.gpkg"))


def test_sqlite_opens_what_python_s_own_uri_of_a_share_does_not(tmp_path):
    """A path that begins with two slashes stands for one on a share."""
    path = tmp_path / "50% #1? 湖.gpkg"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE lake (name TEXT)")
    share = PurePosixPath(f"/{path}")
    assert str(share).startswith("//")
    with closing(sqlite3.connect(read_only_uri(share), uri=True)) as db:
        assert db.execute("SELECT name FROM sqlite_master").fetchall() == [("lake",)]
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            db.execute("DROP TABLE lake")
    of_python = PureWindowsPath(r"\\server\lakes\lake.gpkg").as_uri() + "?mode=ro"
    with pytest.raises(sqlite3.OperationalError, match="invalid uri authority: server"):
        sqlite3.connect(of_python, uri=True)
