"""Soundings of a friend made one with one's own: each enters once, at the level of one's own."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..correcting.datums import datum_of, datum_values, one_datum
from ..errors import LakefloorError
from ..progress import Progress, silent, span
from ..soundings import Soundings, distinct, of_visits, with_corrections
from .joining import Joint, join_levels
from .store_content import Known, Logged, find_known

#: Key of the correction that merging applies.
KEY = "merge_offset_m"

#: So many soundings that both hold tell the offset, to half a millimeter at best: depths are written
#: to the millimeter.
_LEAST_KNOWN, _LEAST_ERROR_M = 20, 0.0005


@dataclass(frozen=True)
class Merged:
    """What enters from another's soundings.

    Attributes
    ----------
    soundings : Soundings
        Those that are not among one's own, at the level at which they enter.
    joint : Joint or None
        How the levels fit; None where that was not looked for.
    adjusted : bool
        Whether the offsets of ``joint`` are taken off.
    notes : list of str
        What to bear in mind, in plain words.
    """

    soundings: Soundings
    joint: Joint | None
    adjusted: bool
    notes: list

    @property
    def places(self) -> int:
        """Places where both meet; 0 where they were not looked for."""
        return 0 if self.joint is None else int(self.joint.observations.sum())

    @property
    def offset(self) -> float:
        """Largest offset taken off, m, with its sign; NaN where levels are not adjusted."""
        if self.joint is None or not self.adjusted:
            return np.nan
        return float(self.joint.offset[_largest(self.joint)])

    @property
    def std_error(self) -> float:
        """Standard error of :attr:`offset`, m."""
        if self.joint is None or not self.adjusted:
            return np.nan
        return float(self.joint.std_error[_largest(self.joint)])

    @property
    def before(self) -> float:
        """Root mean square of the differences as found, m; NaN where levels are not adjusted."""
        return np.nan if self.joint is None or not self.adjusted else self.joint.before

    @property
    def after(self) -> float:
        """Root mean square of the differences as adjusted, m."""
        return np.nan if self.joint is None or not self.adjusted else self.joint.after


def _largest(joint: Joint) -> int:
    return int(np.nanargmax(np.abs(joint.offset)))


def merge_soundings(
    own: Soundings,
    other: Soundings,
    *,
    level: str = "store",
    copy_name: str | None = None,
    reach_m: float = 5.0,
    max_gap_m: float = 20.0,
    least: int = 5,
    progress: Progress = silent,
) -> Merged:
    """Return what another's soundings add to one's own, at the level of one's own.

    Parameters
    ----------
    own : Soundings
        Their datum holds.
    other : Soundings
        In the same CRS.
    level : str
        ``store`` or ``visit``: the unit of :func:`.joining.join_levels`; ``none``: both are at one
        datum and depths enter as they are.
    copy_name : str, optional
        If ``other`` is a shared copy, which need not name visits and datum: the visit under which
        its unnamed soundings enter. With ``none`` they take on the datum of one's own.
    reach_m, max_gap_m, least
        As for :func:`.joining.join_levels`.
    progress : callable

    Returns
    -------
    Merged
        Soundings that are in both are left out. Where both are reduced to the same datum and too
        few places tell of a difference, depths enter as they are, and a note says so. Where 20
        or more of the other's soundings are those of a log of one's own, the offset is that of
        their depths.

    Raises
    ------
    LakefloorError
        If the level of the other soundings cannot be told, they are reduced to a datum and one's
        own are not, or one's own are at different datums.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354.
    """
    if copy_name is not None:
        other = _named(other, copy_name)
    known = known_soundings(other, own)
    fresh = other.select(known.enters)
    progress(0.25)
    if not len(fresh):
        return Merged(fresh, None, False, [])
    if level == "none":
        if copy_name is not None and datum_of(fresh) is None:
            fresh = _at_datum(fresh, datum_of(own))
        return Merged(fresh, None, False, [])
    joint = join_levels(
        own,
        other,
        unit=level,
        reach_m=reach_m,
        max_gap_m=max_gap_m,
        least=least,
        progress=span(progress, 0.25, 1.0),
    )
    joint = _exact(joint, own, other, known)
    datum = datum_of(own)
    if datum is None and copy_name is not None:
        # A copy that is fitted to depths below the water of a day is at no datum any more.
        none = with_corrections(fresh.corrections, datum=None, datum_elev_m=None)
        fresh = fresh.replace(corrections=none)
    if datum is None and datum_of(fresh) is not None:
        raise LakefloorError(
            "Your lake database is not reduced to a datum, but the other one is. Exchange the two, "
            "or reduce yours first."
        )
    try:
        return Merged(shifted(fresh, joint, datum), joint, True, joint.notes)
    except LakefloorError:
        if not same_datum(own, fresh):
            raise
    return Merged(
        fresh,
        joint,
        False,
        [
            *joint.notes,
            "No offset is removed: both are reduced to the same datum, and they meet in too few places "
            "to show a difference.",
        ],
    )


def _exact(joint: Joint, own: Soundings, other: Soundings, known: Known) -> Joint:
    """Take the offset of units of which one's own logs hold a part from what both hold."""
    there = known.there & ~known.replaces & other.accepted
    # Of a copy that one's own database holds, the level was only fitted.
    there[there] = ~np.isnat(own.time[known.visit[there]])
    unit = _units(joint, other)
    offset, error = joint.network.offset.copy(), joint.network.std_error.copy()
    for k in range(len(joint.visit)):
        apart = (other.depth - known.depth)[there & (unit == k)]
        if apart.size < _LEAST_KNOWN:
            continue
        offset[k + 1] = np.median(apart)
        # Where logs differ by unlike offsets, many soundings are no surer than one.
        scatter = 1.4826 * np.median(np.abs(apart - offset[k + 1]))
        error[k + 1] = max(scatter, _LEAST_ERROR_M)
    return replace(joint, network=replace(joint.network, offset=offset, std_error=error))


def _units(joint: Joint, other: Soundings) -> np.ndarray:
    """Return the unit of each of another's soundings; the first where units have no names."""
    number = {name: k for k, name in enumerate(joint.visit)}
    return np.array([number.get(str(v), 0) for v in other.visit], int)


def known_soundings(other: Soundings, own: Soundings) -> Known:
    """Find the soundings of another that are among one's own.

    Parameters
    ----------
    other, own : Soundings
        In one CRS.

    Returns
    -------
    Known
        ``visit`` is the row among one's own. Soundings that were logged with a time are known by
        it and their raw depth, whatever was corrected since; those of a copy without times by
        place, to 5 cm, and depth, to the millimeter. Each of one's own is one of the other's.
    """
    rows, outing = np.arange(len(own)), distinct(own.visit)[1]
    held = Logged(rows, own.x, own.y, own.time, own.raw_depth, own.depth, outing, own.accepted)
    return find_known(other, [held])


def shifted(other: Soundings, joint: Joint, datum: tuple | None = None) -> Soundings:
    """Return another's soundings with the offsets taken off, at the datum of one's own.

    Parameters
    ----------
    other : Soundings
    joint : Joint
    datum : tuple, optional
        Name and elevation, m, of the datum of one's own.

    Raises
    ------
    LakefloorError
        If an offset could not be told; the notes of ``joint`` go with it.
    """
    which = _units(joint, other)
    offset, error = joint.offset[which], np.nan_to_num(joint.std_error)[which]
    if not np.isfinite(offset).all():
        lost = of_visits(other.visit[~np.isfinite(offset)])
        raise LakefloorError(
            f"The offset of the other soundings ({lost}) cannot be found, because they meet "
            "yours in too few places. Log a cross-line over both. If both are reduced to the same "
            "datum, you may choose to merge without an offset.",
            joint.notes,
        )
    values = {KEY: np.array([f"{b:.4f}" for b in joint.offset], dtype=object)[which]}
    if datum is not None:
        values.update(datum_values(datum))
    return other.replace(
        depth=other.depth - offset,
        uncert=np.hypot(other.uncert, error),
        corrections=with_corrections(other.corrections, **values),
    )


def same_datum(own: Soundings, other: Soundings) -> bool:
    """Tell whether both carry one lake datum of the same name and elevation."""
    return one_datum(datum_of(own), datum_of(other))


def _at_datum(soundings, datum):
    """Return soundings that say that they are at a datum, if there is one."""
    if datum is None:
        return soundings
    return soundings.replace(
        corrections=with_corrections(soundings.corrections, **datum_values(datum))
    )


def _named(soundings, name):
    """Return soundings of a copy with what they need beside others: a visit and corrections."""
    unnamed = np.array([not str(v).strip() for v in soundings.visit], bool)
    corrections = soundings.corrections
    return soundings.replace(
        visit=np.where(unnamed, name, soundings.visit).astype(object),
        corrections=np.where(corrections == "", "from=unknown", corrections).astype(object),
    )
