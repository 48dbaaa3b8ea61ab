"""Growing files of delimited text: their first line names the columns, without which no row is read."""

from __future__ import annotations

from ...algorithms.core.reading.nmea_sentences import is_nmea

#: Of a file so much is looked at, bytes.
_HEAD = 1 << 16


def first_line(spec) -> bytes:
    """Return the first line of a growing file of delimited text, b"" for any other source.

    Parameters
    ----------
    spec : SourceSpec
    """
    if spec.kind != "file":
        return b""
    return text_head(spec.place.strip())


def text_head(path) -> bytes:
    """Return the first line of a file of delimited text, b"" for any other."""
    try:
        with open(path, "rb") as file:
            head = file.read(_HEAD)
    except OSError:
        return b""
    line, end, _ = head.partition(b"\n")
    return line + end if end and not is_nmea(head) else b""


def is_text(spec) -> bool:
    """Tell whether a source is a growing file that holds delimited text already."""
    return bool(first_line(spec))
