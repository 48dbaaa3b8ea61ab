"""What to drive next, in words."""

from __future__ import annotations

from ...algorithms._i18n import tr
from ...algorithms.core.units import FOOT
from .mapping.lake_settings import interval_of

__all__ = ["lane_texts"]

#: So many lanes are checked by a cross-line.
_LANES = 4


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
    return {"lane": _lane(plan, facts), "cross_line": _reminders(plan, level_read)}


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
        return tr("Lanes are left, but none fits into the time.")
    interval, name = interval_of(facts), tr("ft") if facts.unit == "feet" else tr("m")
    shown = interval / (FOOT if facts.unit == "feet" else 1.0)
    return tr("Done for {:g} {} contours: no lane here would make them surer.").format(shown, name)


def _reminders(plan, level_read):
    said = []
    if plan.get("lanes", 0) >= _LANES and not plan.get("cross_line"):
        said.append(tr("No cross-line yet. One across today's lanes checks them."))
    if plan.get("done") and level_read:
        said.append(tr("Read the gauge again before you leave."))
    return " ".join(said)


def _length(meters, facts):
    if facts.unit == "feet":
        return tr("{:,.0f} ft").format(meters / FOOT)
    return tr("{:,.0f} m").format(meters)
