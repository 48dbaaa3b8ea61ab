"""How a surface was drawn, kept with it so that it can be brought up to date."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from hashlib import blake2b

import numpy as np

from ..correcting.first_return import Beams
from ..errors import LakefloorError
from .beam import BeamFit
from .frame import Frame
from .smooth_surface import Learned, SmoothFit
from .surface_uncertainty import Growth
from .tile_digests import add_lines

# Another one whenever the same input would give other numbers, or tiles are told by other digests.
_VERSION = 4
# Of these what was learned still holds, but no tile is taken over.
_LEARNED_ALIKE = (2, 3)


@dataclass(frozen=True)
class Record:
    """How a surface was drawn; kept with it so that it can be brought up to date.

    Attributes
    ----------
    method : str
        Of :data:`METHODS`.
    options : dict
        Options of the method.
    cell, spacing, max_gap : float
        m.
    learned : Growth or Learned
    tiles : dict of str to tuple
        For each tile a digest of all that it is drawn from, its least and greatest depth, m
        (None where no cell has a depth), and its figures as
        :func:`~.surface_figures.figures_of` returns them.
    beam : BeamFit or None
        How the beam is undone; None where nothing states it.
    """

    method: str
    options: dict
    cell: float
    spacing: float
    max_gap: float
    learned: Growth | Learned
    tiles: dict = field(default_factory=dict)
    beam: BeamFit | None = None


def record_to_text(record: Record) -> str:
    """Return a record as JSON, every number to its last digit."""
    return json.dumps({"version": _VERSION, **asdict(record)}, default=lambda a: a.tolist())


def record_from_text(text: str) -> Record:
    """Return the record that :func:`record_to_text` wrote.

    Raises
    ------
    LakefloorError
        If the text is no record, or one of another version.
    """
    try:
        found = json.loads(text)
        version = found.pop("version")
        if version in _LEARNED_ALIKE:
            found["tiles"] = {}
        elif version != _VERSION:
            raise ValueError("version")
        known = found["learned"]
        smooth = found["method"] == "smooth"
        found["learned"] = _learned_of(known) if smooth else Growth(**known)
        if found.get("beam"):
            found["beam"] = BeamFit(_learned_of(found["beam"]["learned"]), found["beam"]["passes"])
        found["tiles"] = {key: tuple(value) for key, value in found["tiles"].items()}
        return Record(**found)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise LakefloorError(
            "It does not say how it was made, or another version of Lakefloor made it. Choose a "
            "surface of this version."
        ) from error


def _learned_of(known: dict) -> Learned:
    parts = {"fit": SmoothFit(**known["fit"]), "growth": Growth(**known["growth"])}
    return Learned(**{**known, **parts})


def settings_of(f: Frame, record: Record) -> bytes:
    """Return all that tiles are drawn from but for what lies within them."""
    learned = record.learned
    if isinstance(learned, Learned):
        learned = replace(learned, low=0.0, high=0.0)
    kept = replace(record, learned=learned, spacing=f.spacing, max_gap=f.max_gap, tiles={})
    return f"{record_to_text(kept)} {f.shore_depth!r}".encode()


def digest_of(part: Frame, settings: bytes) -> str:
    """Return a digest of all that a surface of one tile is drawn from."""
    digest = blake2b(settings, digest_size=12)
    digest.update(repr((part.grid.bounds, part.grid.shape)).encode())
    points = (
        (part.nodes, ("x", "y", "depth", "uncert", "kind")),
        (part.soundings, ("x", "y", "depth", "uncert")),
    )
    for kept, names in points:
        digest.update(str(len(kept)).encode())
        for name in names:
            digest.update(np.ascontiguousarray(getattr(kept, name)).data)
    for column in vars(Beams.of(part.soundings)).values():
        digest.update(np.ascontiguousarray(column).data)
    if part.shoreline is not None:
        digest.update(np.packbits(part.mask).data)
    add_lines(digest, part.breaklines, part.grid.bounds)
    return digest.hexdigest()
