"""Visits without a known lake level, or with a doubtful one, are fitted to what a store holds."""

from __future__ import annotations

from pathlib import Path

from ..core.progress import Progress, silent, span
from ..core.soundings import Soundings, concatenate
from ..core.visits.fit_to_stored import fit_to_stored, needs_fit
from ..core.visits.store_visits import box_of, wider
from ..core.visits.unknown_level import Fitted
from .lake_store import contents, read

#: What the store holds so far around the new soundings is read to fit their level, m.
_AROUND_M = 50.0


def fit_to_store(
    path,
    soundings: Soundings,
    crs: str,
    mode: str = "add",
    progress: Progress = silent,
    *,
    fit: bool = False,
) -> Fitted:
    """Return soundings at the datum of a store, those without a known level fitted to it.

    Parameters
    ----------
    path : str or Path
        Of a store, which may be absent.
    soundings : Soundings
        In the store's CRS.
    crs : str
        Authority code or WKT.
    mode : str
        As for :func:`.adding.add`.
    progress : callable
    fit : bool
        Also fit visits with a known level, which may be wrong or of another gauge.

    Raises
    ------
    LakefloorError
        If a level is needed and the soundings do not meet the store's in enough places.
    """
    stored = datum = None
    visits = contents(path).visits if Path(path).exists() else []
    if visits:
        datums = {visit.datum for visit in visits}
        if len(datums) > 1:
            # A store holds one datum; adding says what is wrong with this one.
            return Fitted(soundings, None, "")
        (datum,) = datums
        stored = soundings.select(slice(0, 0))
        if needs_fit(soundings, datum, fit):
            box = box_of(soundings)
            parts = list(read(path, box=box and wider(box, _AROUND_M)))
            stored = concatenate(parts) if parts else stored
    progress(0.1)
    return fit_to_stored(
        soundings,
        stored,
        datum=datum,
        replaces=len(visits) if mode == "replace" else None,
        fit=fit,
        code=crs,
        progress=span(progress, 0.1, 1.0),
    )


def offsets_to_keep(fitted: Fitted) -> dict:
    """Return the offsets of fitted visits as the history of a store keeps them."""
    if not fitted.offsets:
        return {}
    return {
        "level_offsets": {
            row.visit: {
                "offset_m": round(row.offset, 4),
                "std_error_m": round(row.std_error, 4),
                "places": row.places,
            }
            for row in fitted.offsets
        }
    }
