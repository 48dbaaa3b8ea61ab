"""What to drive next, in words."""

from __future__ import annotations

from ...algorithms._i18n import tr
from ...algorithms._lake.facts import CONTOUR_INTERVALS
from ...algorithms.core.units import FOOT

__all__ = ["lane_texts"]

#: So many lanes are checked by a cross-line.
_LANES = 4
#: What stays uncertain is told from so many percent of the water.
_WORTH_SAYING = 1.0


def lane_texts(plan, facts, level_read) -> dict:
    """Return the lines of the page on the next lane and the cross-line.

    Parameters
    ----------
    plan : dict
        See :meth:`algorithms.core.growing.planning.Planner.plan`; ``lanes`` and ``cross_line``
        tell of those driven today.
    facts : LakeFacts
    level_read : bool
        Whether the gauge was read at the start.
    """
    return {"lane": _lane(plan, facts), "cross_line": _reminders(plan, facts, level_read)}


def _lane(plan, facts):
    if plan.get("error"):
        return tr("No next lane yet. {}").format(plan["error"])
    if plan["line"] is not None:
        return tr("Next lane: {} to its start, {} long, about {:.0f} min. {}").format(
            _length(plan["to_start_m"], facts),
            _length(plan["length_m"], facts),
            max(plan["minutes"], 1.0),
            plan["why"],
        )
    if not plan["done"]:
        return tr("Lanes are left, but none fits into the time with the way back.")
    return _done(plan, facts)


def _done(plan, facts):
    shown = CONTOUR_INTERVALS[facts.unit]
    name = tr("ft") if facts.unit == "feet" else tr("m")
    text = (
        tr(
            "Done for {:g} {} contours in this part of the lake: no lane here would make them surer."
        )
        if plan.get("is_part")
        else tr("Done for {:g} {} contours: no lane here would make them surer.")
    )
    said = [text.format(shown, name)]
    rest = 100.0 * (1.0 - plan.get("supported", 1.0))
    if rest >= _WORTH_SAYING:
        said.append(tr("They stay uncertain in {:.0f}% of the water.").format(rest))
    return " ".join(said)


def _reminders(plan, facts, level_read):
    said = []
    if plan.get("lanes", 0) >= _LANES and not plan.get("cross_line"):
        said.append(tr("No cross-line yet."))
        said.append(_where(plan["cross"], facts) if plan.get("cross") else _what_for())
    if plan.get("done") and level_read:
        said.append(tr("Read the gauge again before you leave."))
    return " ".join(said)


def _what_for():
    return tr("One across today's lanes checks them.")


def _where(cross, facts):
    return tr(
        "The best one begins {} from here, is {} long and crosses {} of today's lanes."
    ).format(
        _length(cross["to_start_m"], facts), _length(cross["length_m"], facts), cross["crosses"]
    )


def _length(meters, facts):
    if facts.unit == "feet":
        return tr("{:,.0f} ft").format(meters / FOOT)
    return tr("{:,.0f} m").format(meters)
