"""The words of the panel for steps, states and sources."""

from __future__ import annotations

from datetime import datetime

from qgis.PyQt.QtCore import QDateTime, QLocale, Qt

from ...algorithms._i18n import tr
from ...algorithms._lake import states


def step_title(key) -> str:
    """Return what a step is called."""
    return {
        "shoreline": tr("Shoreline"),
        "visits": tr("Visits"),
        "map": tr("Map"),
        "structure": tr("Structure"),
        "outing": tr("Next outing"),
    }[key]


def step_action(key) -> str:
    """Return what the button of a step says."""
    return {
        "shoreline": tr("Draw the shoreline…"),
        "visits": tr("Add visits…"),
        "map": tr("Map the lake"),
        "structure": tr("Look for structure"),
        "outing": tr("Plan the next outing…"),
    }[key]


def step_run_title(key) -> str:
    """Return what is said while a step runs."""
    return {
        "visits": tr("Adding visits"),
        "map": tr("Mapping the lake"),
        "structure": tr("Looking for structure"),
        "outing": tr("Planning the next outing"),
    }[key]


def source_name(key) -> str:
    """Return what a source of a step is called within a sentence."""
    return {
        "shoreline": tr("the shoreline"),
        "gauge": tr("the gauge readings"),
        "marks": tr("the marks"),
        "database": tr("the visits"),
        "logs": tr("the logs"),
        "visits": tr("the visits"),
        "map": tr("the map"),
        "structure": tr("the structure"),
        "outing": tr("the next outing"),
    }.get(key, key)


def state_text(state, facts=None) -> str:
    """Return the state of a step in words."""
    sources = ", ".join(source_name(key) for key in state.why)
    if state.state == states.FAILED:
        return tr("Failed: {}").format(" ".join(state.why) or tr("see the log"))
    if state.state == states.NOT_YET:
        return tr("Not yet: needs {}").format(sources)
    if state.state == states.OUT_OF_DATE:
        return tr("Out of date since {}: {} changed").format(moment(state.since, facts), sources)
    if state.state == states.DONE:
        return tr("Done {}").format(moment(state.since, facts)) if state.since else tr("Done")
    return tr("Ready")


def moment(iso, facts=None) -> str:
    """Return a UTC time (ISO 8601) by the clocks of a lake, else by the user's own."""
    try:
        time = datetime.fromisoformat(iso.replace("Z", "+00:00"))
    except ValueError:
        return iso
    if facts is not None:
        from ...algorithms._project.wording import lake_time

        return lake_time(time, facts)
    local = QDateTime.fromSecsSinceEpoch(int(time.timestamp()), Qt.TimeSpec.LocalTime)
    return QLocale().toString(local, QLocale.FormatType.ShortFormat)


def length(meters, unit) -> str:
    """Return a length in the user's unit ("feet" or "meters")."""
    if unit == "feet":
        return tr("{:.2f} ft").format(meters / 0.3048)
    return tr("{:.2f} m").format(meters)
