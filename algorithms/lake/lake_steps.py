"""State of a lake folder."""

from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.values import to_qdatetime
from ._folder import lake_given, lake_parameter

_FIELDS = [("step", "text"), ("state", "text"), ("since", "datetime"), ("why", "text")]


class LakeSteps(LakefloorAlgorithm):
    NAME = "lakesteps"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "State of a lake folder")
    GROUP = "lake"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake folder,steps,state,status,progress,out of date,up to date,what next,to do,check,list",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Lists the steps of the work on a lake with their state. Use it to see what is out of date "
        "after a new visit, a new shoreline or new marks.\n\n"
        "The state follows from the files and the lake database:\n\n"
        "- not yet: something that the step needs is missing\n"
        "- ready: it can be taken\n"
        "- done: its result is there, and nothing has changed since\n"
        "- out of date: something that it rests on has changed since\n"
        "- failed: the last run failed, and an earlier result stands",
    )

    NUMBERS = {
        "DONE": QT_TRANSLATE_NOOP("@default", "Steps done"),
        "OUT_OF_DATE": QT_TRANSLATE_NOOP("@default", "Steps out of date"),
    }

    def declare(self):
        self.addParameter(lake_parameter())
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Steps"), QgsProcessing.SourceType.TypeVector
            )
        )

    def compute(self, inputs, outputs):
        from .._lake.sources import fingerprints
        from .._lake.states import DONE, OUT_OF_DATE, step_states

        lake = lake_given(inputs)
        inputs.progress(0.0)
        found = fingerprints(lake)
        inputs.progress(0.8)
        states = step_states(lake, found)
        rows = []
        for each in states:
            since = to_qdatetime(_moment(each.since))
            rows.append([each.key, each.state, since, ", ".join(each.why) or None])
            inputs.say(f"{each.key}: {each.state}{_because(each)}")
        outputs.table(params.OUTPUT, _FIELDS, rows)
        counts = [sum(s.state == state for s in states) for state in (DONE, OUT_OF_DATE)]
        return dict(zip(("DONE", "OUT_OF_DATE"), counts))


def _because(step):
    """Return why a step is in its state, in a few words after it."""
    from .._lake.states import FAILED, NOT_YET, OUT_OF_DATE

    words = {NOT_YET: tr("(missing: {})"), OUT_OF_DATE: tr("(changed: {})"), FAILED: "({})"}
    return " " + words[step.state].format(", ".join(step.why)) if step.why else ""


def _moment(text):
    """Return a time of a record, ISO 8601 in UTC, as datetime64."""
    import numpy as np

    return np.datetime64(text[:19] if text else "NaT", "ms")
