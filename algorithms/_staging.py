"""Where files are made before they are moved into place."""

import tempfile
from pathlib import Path

from ._i18n import tr
from .core.errors import LakefloorError


def staging_folder(parent: Path) -> Path:
    """Return a new folder in ``parent``, so that what is made there can be moved beside it.

    Raises
    ------
    LakefloorError
        If ``parent`` does not exist or cannot be written to.
    """
    if not parent.is_dir():
        raise LakefloorError(
            tr("The folder '{}' does not exist; make it or choose another.").format(parent)
        )
    try:
        return Path(tempfile.mkdtemp(prefix=".lakefloor-", dir=str(parent)))
    except OSError as error:
        raise LakefloorError(
            tr("Cannot write into '{}' ({}). Choose a folder that you may write to.").format(
                parent, error.strerror)
        ) from error


def write_file(path, data: bytes):
    """Write a file that is moved into place later; say what is wrong with the disk."""
    try:
        path.write_bytes(data)
    except OSError as error:
        raise LakefloorError(
            tr("Cannot write '{}' ({}). Nothing was written; is the disk full?").format(
                path.name, error.strerror)
        ) from error
