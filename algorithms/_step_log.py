"""How the steps of a model tell its log that they begin and end.

A model hands its feedback to QGIS, which hands one of its own to each step. The context is what
model and steps have in common, in whichever thread a step is run.
"""

from contextlib import contextmanager

from qgis.core import QgsProcessingException

_LOG = "lakefloor_step_log"


@contextmanager
def steps_told_to(log, context):
    """Let the steps that run with a context tell ``log``: ``begin(name)``, ``fail(why)``, ``end()``."""
    setattr(context, _LOG, log)
    try:
        yield
    finally:
        delattr(context, _LOG)


@contextmanager
def step(name: str, context):
    """Tell the log of the model, if there is one, that a step of this name begins and ends."""
    log = getattr(context, _LOG, None)
    if log is None:
        yield
        return
    log.begin(name)
    try:
        yield
    except QgsProcessingException as error:
        log.fail(str(error))
        raise
    finally:
        log.end()
