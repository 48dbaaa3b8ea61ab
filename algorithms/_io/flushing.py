"""Files that are on the disk, not only on their way to it."""

import errno
import os
from contextlib import suppress


def flush(path):
    """Bring a file or folder to the disk, as far as the system can."""
    if path.is_dir():
        if os.name == "nt":
            return
        descriptor = os.open(path, os.O_RDONLY)
    else:
        descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno in (errno.EIO, errno.ENOSPC, errno.EDQUOT):
            raise
    finally:
        # What closing a file that was only flushed says is of no account.
        with suppress(OSError):
            os.close(descriptor)
