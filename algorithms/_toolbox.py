"""The order of the toolbox: QGIS sorts groups, algorithms and models by the names that it shows.

So the names begin with their place: a number for the group, a letter within it. Texts that speak of
an algorithm use its name alone.
"""

from __future__ import annotations

from string import ascii_lowercase

from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from ._i18n import tr

MODELS = "lakefloormodels"

#: Id and name of every group, in the order of the work.
GROUPS = {
    MODELS: QT_TRANSLATE_NOOP("@default", "Lakefloor models"),
    "lake": QT_TRANSLATE_NOOP("@default", "Lake folder"),
    "plan": QT_TRANSLATE_NOOP("@default", "Plan"),
    "soundings": QT_TRANSLATE_NOOP("@default", "Soundings"),
    "surface": QT_TRANSLATE_NOOP("@default", "Surface"),
    "chart": QT_TRANSLATE_NOOP("@default", "Chart"),
    "structure": QT_TRANSLATE_NOOP("@default", "Structure"),
    "share": QT_TRANSLATE_NOOP("@default", "Share"),
}

#: Ids of the models, in the order of the work; one that is not listed comes last.
MODEL_ORDER = (
    "logstolakemap",
    "logstodatabase",
    "maplakedatabase",
    "addavisit",
    "structureandbottomtype",
    "structurefromasurface",
    "planthenextouting",
)


def group_shown(group: str) -> str:
    """Return the name of a group with its number, such as '3 Plan'."""
    return f"{_number(group)} {tr(GROUPS[group])}"


def shown(name: str, group: str, place: int) -> str:
    """Return a name with its place in the toolbox, such as '3a Survey lanes'.

    Parameters
    ----------
    place : int
        How many of the group come before it.
    """
    return f"{_number(group)}{_letter(place)} {name}"


def model_shown(name: str, model: str) -> str:
    """Return the name of a model with its place in the toolbox."""
    place = MODEL_ORDER.index(model) if model in MODEL_ORDER else len(MODEL_ORDER)
    return shown(name, MODELS, place)


def _number(group):
    return list(GROUPS).index(group) + 1


def _letter(place):
    # After z come za, zb and so on, which sort behind it.
    last = len(ascii_lowercase) - 1
    return "z" * (place // last) + ascii_lowercase[place % last]
