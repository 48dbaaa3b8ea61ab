"""Errors of GDAL: raised, and not printed to a console that nobody sees."""

from contextlib import contextmanager, nullcontext

from osgeo import gdal


@contextmanager
def quiet():
    """Keep GDAL from printing what goes wrong."""
    gdal.PushErrorHandler("CPLQuietErrorHandler")
    try:
        yield
    finally:
        gdal.PopErrorHandler()


def made(thing):
    """Return what GDAL made; it raises itself only where a program has asked for exceptions."""
    if thing is None:
        raise RuntimeError(last_error())
    return thing


def done(code):
    """Raise RuntimeError if a call to GDAL did not return success."""
    if code:
        raise RuntimeError(last_error())


def last_error() -> str:
    """Return what went wrong last, without the statement of SQL in which it did."""
    return without_sql(gdal.GetLastErrorMsg())


def without_sql(message: str) -> str:
    """Return the reason out of what GDAL says of a statement of SQL."""
    reason = message.splitlines()[-1] if message else ""
    for mark in (" failed: ", " failed with "):
        reason = reason.rpartition(mark)[2]
    return reason.rpartition(" - ")[2] if " prepare SQL" in reason else reason


@contextmanager
def strict(harmless="\0"):
    """Raise RuntimeError for what GDAL only prints, as when closing a file on a full disk.

    A message with ``harmless`` in it does not count.
    """
    failures = []

    def note(level, number, message):
        if level >= gdal.CE_Failure and harmless not in message:
            failures.append(message)

    # Where GDAL raises exceptions, those of a data set that is let go of are lost.
    manager = getattr(gdal, "ExceptionMgr", None)
    with manager(useExceptions=False) if manager else nullcontext():
        gdal.PushErrorHandler(note)
        try:
            yield
        finally:
            gdal.PopErrorHandler()
    if failures:
        raise RuntimeError(without_sql(failures[0]))
