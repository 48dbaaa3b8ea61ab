"""Whether the level to which a visit was fitted can be right."""

from __future__ import annotations

from ..errors import excerpt
from ..number_text import written
from .findings import Finding, error_text
from .unknown_level import USUAL_OFFSET_M, Offset

#: Where so many of the places do not fit, crossings cannot tell a level from a bottom that has
#: changed over most of the visit: of two groups of places, either may be the one that did not.
_MOST_LEFT_OUT = 1.0 / 3.0


def doubtful_fit(row: Offset) -> list[Finding]:
    """Return what is found of a fitted level.

    Examples
    --------
    >>> [found.code for found in doubtful_fit(Offset("a", 2.1, 0.02, 60, 0.5))]
    ['level', 'level']
    """
    name, found = excerpt(row.visit), []
    size = f"{written(abs(row.offset), '.2f')} m"
    error = error_text(row.std_error)
    if abs(row.offset) > USUAL_OFFSET_M:
        found.append(
            Finding(
                name,
                "level",
                True,
                f"To fit the lake, visit '{name}' is moved by {size} (standard error {error} m), "
                "more than a lake level usually changes. Check the lake, the depth unit, the draft "
                "and the lake level. If the level was that far off, "
                "choose 'enter all the same'.",
                row.offset,
                row.std_error,
                "m",
            )
        )
    if row.places and row.left_out > _MOST_LEFT_OUT:
        percent = 100.0 * row.left_out
        found.append(
            Finding(
                name,
                "level",
                True,
                f"At {written(percent, '.0f')}% of the {row.places} places where visit '{name}' meets "
                f"earlier tracks, depths do not fit its new level ({size} from the one it had). "
                "Either the bottom has changed there or the level is wrong. Give gauge readings and "
                "choose 'as reduced', or run cross-lines where the bottom has not changed.",
                percent,
                unit="%",
            )
        )
    return found
