"""The words for what a place can be near to, known without the computing."""

from ..structure.structure_names import FORMS

#: Lines of a drop-off by the words that people use, and their ``kind`` in the breaklines.
LINE_KINDS = {"crest": "crest", "steepest line": "steepest", "toe": "toe"}
#: Classes of the bottom by the words that people use.
BOTTOM_CLASSES = {"soft bottom": 1, "medium bottom": 2, "hard bottom": 3}
TRANSITION, DEEP_WATER = "transition", "deep water"
#: Everything that a place can be near to.
LINE_TARGETS, AREA_TARGETS = (*LINE_KINDS, TRANSITION), (*BOTTOM_CLASSES, DEEP_WATER, *FORMS)
TARGETS = (*LINE_TARGETS, *AREA_TARGETS)
#: The layer that each target is taken from.
LAYER_OF = {
    **dict.fromkeys(LINE_KINDS, "breaklines"),
    TRANSITION: "transitions",
    **dict.fromkeys(BOTTOM_CLASSES, "bottom type"),
    DEEP_WATER: "depth surface",
    **dict.fromkeys(FORMS, "bottom forms"),
}
