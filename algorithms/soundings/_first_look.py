"""The first look at visits before they enter a lake database: its parameters and its words."""

import math

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ..core.progress import span
from ._changes import NEWER_WINS

#: As the drop-down shows them.
STOP, ENTER = "stop and enter nothing", "enter all the same"

LOOK_NUMBERS = {
    "OPEN_FINDINGS": QT_TRANSLATE_NOOP("@default", "Open findings"),
    "NEW_PCT": QT_TRANSLATE_NOOP("@default", "New soundings (%)"),
    "KNOWN_PCT": QT_TRANSLATE_NOOP("@default", "Soundings already there (%)"),
    "CONTRADICTED_PCT": QT_TRANSLATE_NOOP("@default", "Compared soundings contradicted (%)"),
}

_LOOK_FIELDS = [
    ("visit", "text"),
    ("code", "text"),
    ("value", "double"),
    ("error", "double"),
    ("unit", "text"),
    ("open", "int"),
    ("sentence", "text"),
]


def ask_how_to_look(algorithm):
    """Add the parameters of the first look."""
    add = algorithm.addParameter
    add(
        params.choice(
            "FINDINGS",
            tr("If the first look finds something"),
            {
                STOP: tr("the run stops with what was found and the way out"),
                ENTER: tr("the visits enter, and the history keeps what was found"),
            },
            STOP,
            tr("What happens while a finding about a visit is open."),
        )
    )
    add(
        params.helped(
            QgsProcessingParameterBoolean("DRY_RUN", tr("Look only, write nothing"), False),
            tr("Shows what was found. The lake database stays as it is, or is not made."),
        )
    )
    shoreline = params.shoreline()
    add(
        params.helped(
            shoreline,
            tr(
                "Polygon of the lake. A visit outside it does not enter. If empty, the distance from "
                "earlier visits decides."
            ),
        )
    )
    add(
        QgsProcessingParameterFeatureSink(
            "LOOK",
            tr("First look"),
            QgsProcessing.SourceType.TypeVector,
            optional=True,
            createByDefault=False,
        )
    )


def first_look(path, fitted, crs, inputs, outputs):
    """Look at fitted soundings, say and write what was found; return it for each visit."""
    looked = _look(path, fitted.soundings, crs, inputs, fits=fitted.offsets)
    findings = [finding for each in looked for finding in each.findings]
    for finding in findings:
        (inputs.warn if finding.open else inputs.say)(finding.sentence)
    outputs.table(
        "LOOK",
        _LOOK_FIELDS,
        ((f.visit, f.code, f.value, f.error, f.unit, int(f.open), f.sentence) for f in findings),
    )
    return looked


def with_findings(error, path, soundings, crs, inputs):
    """Return the error of visits whose level cannot be fitted, with what may be the reason."""
    from ..core.visits.findings import refusal

    looked = _look(path, soundings, crs, inputs, unleveled=True)
    found = refusal(finding for each in looked for finding in each.findings)
    return LakefloorError(f"{found} {error}", error.notes) if found else error


def refuse_open(looked, inputs):
    """Refuse visits of which a finding is open, unless they are to enter all the same.

    Raises
    ------
    LakefloorError
    """
    from ..core.visits.findings import refusal

    if inputs.choice("FINDINGS") == ENTER:
        return
    found = refusal(finding for each in looked for finding in each.findings)
    if found:
        raise LakefloorError(
            tr("Nothing was added. {} To add it as it is, choose '{}'.").format(found, ENTER)
        )


def findings_to_keep(looked) -> dict:
    """Return the open findings with which visits entered, as the history keeps them."""
    found = [
        {
            "visit": each.visit,
            "code": finding.code,
            "value": finding.value,
            "error": finding.error,
            "sentence": finding.sentence,
        }
        for each in looked
        for finding in each.findings
        if finding.open
    ]
    return {"entered": ENTER, "findings": found} if found else {}


def numbers_of_look(looked) -> dict:
    """Return the output numbers of the first look."""
    total = sum(each.soundings for each in looked)
    known = sum(each.known for each in looked)
    compared = sum(each.compared for each in looked)
    contradicted = sum(each.contradicted for each in looked)
    known_pct = 100.0 * known / total if total else math.nan
    return {
        "OPEN_FINDINGS": sum(f.open for each in looked for f in each.findings),
        "NEW_PCT": 100.0 - known_pct,
        "KNOWN_PCT": known_pct,
        "CONTRADICTED_PCT": 100.0 * contradicted / compared if compared else None,
    }


def _look(path, soundings, crs, inputs, unleveled=False, fits=()):
    from .._store import look

    return look(
        path,
        soundings,
        now=np.datetime64("now", "ms"),
        mode=inputs.choice("MODE"),
        unleveled=unleveled,
        newer_wins=inputs.choice("CHANGE") == NEWER_WINS,
        fits=fits,
        shoreline=inputs.polygon("SHORELINE", crs),
        progress=span(inputs.progress, 0.2, 0.4),
    )
