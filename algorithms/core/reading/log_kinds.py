"""What kind of log a file is, by its content."""

from __future__ import annotations

from pathlib import Path

from ..errors import LakefloorError
from .gpx_log import is_gpx
from .nmea_sentences import is_nmea
from .text_log import parse_text_log

#: Bytes from which the kind of a file is told.
HEAD = 1_000_000

#: Bytes of delimited text by which it is told whether it is a log.
_SOME_ROWS = 20_000

_MAGIC = {
    b"\x89PNG": "a PNG image",
    b"\xff\xd8\xff": "a JPEG image",
    b"GIF8": "a GIF image",
    b"II*\0": "a TIFF image",
    b"MM\0*": "a TIFF image",
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a zip archive or an office document",
    b"\x1f\x8b": "a gzip archive",
    b"SQLite format 3": "a SQLite database",
}


def kind_of_log(path: str | Path, *, sure: bool = True) -> str:
    """Return what kind of log a file is, by how it begins.

    Parameters
    ----------
    path : str or Path
    sure : bool
        Whether delimited text must have columns of position and depth that are found by themselves.

    Returns
    -------
    {"GPX", "NMEA 0183", "delimited text"}

    Raises
    ------
    LakefloorError
        If it is no log.
    """
    try:
        with Path(path).open("rb") as file:
            head = file.read(HEAD)
    except OSError as error:
        raise LakefloorError(
            f"The file cannot be opened ({error.strerror}). Check that you may read it."
        ) from error
    if not head.strip():
        raise LakefloorError("The file is empty. Choose another log.")
    kind = kind_of_head(head)
    if kind == "GPX" and sure and not (b"<trkpt" in head and b"depth" in head.lower()):
        raise LakefloorError("This is GPX without a track with depths. Choose another log.")
    if kind == "delimited text" and sure:
        rows = head[:_SOME_ROWS]
        whole = rows.rfind(b"\n") + 1 if len(head) > _SOME_ROWS else len(rows)
        parse_text_log(rows[: whole or len(rows)])
    return kind


def kind_of_head(head: bytes) -> str:
    """Return the kind of log that a file begins like, as :func:`kind_of_log`, or refuse it."""
    for magic, what in _MAGIC.items():
        if head.startswith(magic):
            raise LakefloorError(
                f"This is {what}, not a log. Export the log as NMEA 0183, GPX or text."
            )
    if is_gpx(head):
        return "GPX"
    if is_nmea(head):
        return "NMEA 0183"
    if head.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(b"<"):
        raise LakefloorError(
            "This is XML or HTML, but not GPX. Export the log as NMEA 0183, GPX or text."
        )
    if b"\0" in head[:65_536] and not head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise LakefloorError("This is binary data. Export the log as NMEA 0183, GPX or text.")
    return "delimited text"
