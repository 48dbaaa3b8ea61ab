"""What is known on the water, in words: of depth, bottom, speed, place and the recording."""

from __future__ import annotations

from qgis.core import QgsCoordinateFormatter

from ...algorithms._i18n import tr
from ...algorithms.core.hardness.hardness_names import THRESHOLDS
from ...algorithms.core.units import FOOT, KMH, MPH
from .figures import NOTHING

#: A value older than this is no longer shown, s.
FRESH_S = 3.0
#: Of degrees: a meter.
_DECIMALS = 5
#: Room for so long needs no number, s.
_AMPLE_S = 3 * 24 * 3600.0


def is_known(*values) -> bool:
    """Tell whether there are values, neither None nor NaN."""
    return all(value is not None and value == value for value in values)


def below_surface(now, draft_m):
    """Return the depth below the surface that was measured last, m, or None."""
    if not is_known(now.depth_m):
        return None
    return now.depth_m + (0.0 if now.depth_from == "surface" else draft_m)


def measured_from(now) -> str:
    """Return what the depth was measured from."""
    return {"transducer": tr("transducer"), "surface": tr("water surface"), "keel": tr("keel")}.get(
        now.depth_from, tr("not stated, taken as the transducer")
    )


def depth_text(depth_m, unit) -> str:
    """Return a depth in the lake's unit ("feet" or "meters")."""
    if unit == "feet":
        return tr("{:.1f} ft").format(depth_m / FOOT)
    return tr("{:.2f} m").format(depth_m)


def bottom_text(hardness) -> str:
    """Return the bottom type of a hardness 0..1; nothing where none was logged."""
    if not is_known(hardness):
        return NOTHING
    soft, hard = THRESHOLDS
    return tr("soft") if hardness < soft else tr("medium") if hardness < hard else tr("hard")


def speed_text(speed_ms, unit) -> str:
    """Return a speed in mph or km/h."""
    if not is_known(speed_ms):
        return NOTHING
    if unit == "feet":
        return tr("{:.1f} mph").format(speed_ms / MPH)
    return tr("{:.1f} km/h").format(speed_ms / KMH)


def course_text(course_deg) -> str:
    """Return a course over ground; a boat that stands still has none."""
    if not is_known(course_deg):
        return NOTHING
    return tr("{:.0f}°").format(course_deg % 360.0)


def place_text(lon, lat) -> str:
    """Return a position as QGIS writes it."""
    if not is_known(lon, lat):
        return NOTHING
    kind = QgsCoordinateFormatter.Format.FormatDecimalDegrees
    north = QgsCoordinateFormatter.formatY(lat, kind, _DECIMALS)
    return f"{north}  {QgsCoordinateFormatter.formatX(lon, kind, _DECIMALS)}"


def temperature_text(celsius, unit) -> str:
    """Return a water temperature."""
    if not is_known(celsius):
        return NOTHING
    if unit == "feet":
        return tr("{:.0f} °F").format(celsius * 1.8 + 32.0)
    return tr("{:.1f} °C").format(celsius)


def offset_text(seconds) -> str:
    """Return the time offset with which marks are placed."""
    if seconds:
        return tr("{:g} s, as in the last visit").format(seconds)
    return tr("none is known, so 0 s")


def age_text(seconds) -> str:
    """Return how long ago something was."""
    if seconds < 90.0:
        return tr("{:.0f} s ago").format(seconds)
    return tr("{:.0f} min ago").format(seconds / 60.0)


def length_of_time(seconds) -> str:
    """Return how long something took or will last."""
    minutes = int(seconds // 60)
    if minutes < 60:
        return tr("{} min").format(minutes)
    if minutes < 24 * 60:
        return tr("{} h {} min").format(minutes // 60, minutes % 60)
    return tr("{} days").format(minutes // (24 * 60))


def recorded_text(since_s, soundings, state) -> str:
    """Return what is recorded, and how long there is room for more.

    Parameters
    ----------
    since_s : float
        Since the outing began, s.
    soundings : int
    state : RecorderState
    """
    text = tr("Recording for {}: {:,} soundings, {:.1f} MB.").format(
        length_of_time(since_s), soundings, state.bytes / 1e6
    )
    free = state.free
    if free is None:
        return text
    if free.seconds is None or free.seconds > _AMPLE_S:
        return text + " " + tr("Free space: {:.1f} GB, enough for days.").format(free.bytes / 1e9)
    room = tr("Free space: {:.1f} GB, enough for {:.1f} hours.")
    return text + " " + room.format(free.bytes / 1e9, free.seconds / 3600.0)


def level_text(found, unit) -> str:
    """Return how today's level is drawn.

    Parameters
    ----------
    found : dict
        ``shift_m``, what is added to depths below the water of today, and ``typed`` where it follows
        from a reading; else ``sigma_m`` and ``pairs``, of tracks that meet.
    """
    shift = depth_text(found["shift_m"], unit)
    if found.get("typed"):
        return tr("The map adds {} to depths, by the lake level that was read.").format(shift)
    return tr(
        "The map adds {} ± {} to depths, so that they fit earlier visits where tracks meet."
    ).format(shift, depth_text(found["sigma_m"], unit))
