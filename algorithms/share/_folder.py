"""A folder of results, made beside its place and moved there when it is complete."""

from contextlib import contextmanager
from pathlib import Path

from .._i18n import tr
from .._io.staging import Staging
from .._io.whole import check_whole
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
            tr(
                "Folder '{}' is not empty. Choose a new folder, so that nothing else is shared with "
                "the results."
            ).format(final)
        )
    with Staging() as staging:
        staged = staging.stage(final)
        staged.mkdir()
        yield staged
        check_whole(staged)
        staging.move()
        staging.finish()
