"""The URI by which SQLite opens a file for reading only."""

import os
from pathlib import PurePath
from urllib.parse import quote_from_bytes


def read_only_uri(path: PurePath) -> str:
    """Return the URI of a file that SQLite opens for reading only.

    Between "file://" and the path SQLite takes no name of a server (https://www.sqlite.org/uri.html,
    section 3.1), as ``Path.as_uri`` puts it there for a file on a share of Windows: that name is a
    part of the path here.

    Parameters
    ----------
    path : PurePath
        Absolute.

    Examples
    --------
    >>> from pathlib import PureWindowsPath
    >>> read_only_uri(PureWindowsPath(r"C:\\Lake #1\\lake.gpkg"))
    'file:///C:/Lake%20%231/lake.gpkg?mode=ro'
    >>> read_only_uri(PureWindowsPath(r"\\\\server\\lakes\\lake.gpkg"))
    'file:////server/lakes/lake.gpkg?mode=ro'
    """
    if not path.is_absolute():
        raise ValueError(f"no absolute path: {path}")
    text = path.as_posix()
    text = text if text.startswith("/") else f"/{text}"
    return f"file://{quote_from_bytes(os.fsencode(text), safe='/:')}?mode=ro"
