"""A folder of results, made beside its place and moved there when it is complete."""

import os
import shutil
from contextlib import contextmanager
from pathlib import Path

from .._i18n import tr
from .._staging import staging_folder
from ..core.errors import LakefloorError


@contextmanager
def new_folder(path):
    """Yield a hidden folder that becomes ``path`` if all goes well, and vanishes otherwise.

    Raises
    ------
    LakefloorError
        If ``path`` exists with something in it, or its parent cannot be written to.
    """
    final = Path(path).absolute()
    if final.exists() and (not final.is_dir() or any(final.iterdir())):
        raise LakefloorError(
            tr("'{}' exists and is not empty. Choose a new folder, so that nothing else is handed "
               "on with it.").format(final)
        )
    staged = staging_folder(final.parent)
    try:
        yield staged
        try:
            # As any folder: that of mkdtemp is closed to others.
            mask = os.umask(0)
            os.umask(mask)
            staged.chmod(0o777 & ~mask)
            if final.exists():
                final.rmdir()
            staged.rename(final)
        except OSError as error:
            raise LakefloorError(
                tr("Cannot write '{}' ({}). Is it open in another program?").format(
                    final, error.strerror)
            ) from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)
