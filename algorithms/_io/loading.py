"""Which layers QGIS loads when a run is over."""

from contextlib import contextmanager


@contextmanager
def nothing_loaded_on_failure(context):
    """Take from what QGIS is to show afterwards all that a run asked for before it failed.

    QGIS's dialogs add these layers to the project however the run ended.
    """
    before = context.layersToLoadOnCompletion()
    try:
        yield
    except BaseException:
        context.setLayersToLoadOnCompletion(before)
        raise
