"""Why a lane is the next one, in a sentence."""

from __future__ import annotations

import numpy as np

from ..number_text import phrase
from ..units import ACRE, HECTARE, LENGTH
from .candidate_lanes import cells_near
from .survey_gaps import STEEP, CoarseSurface

#: A gap this share as wide as the widest is as wide.
_AS_WIDE = 0.9


def why_lane(
    field: CoarseSurface, gap: np.ndarray, line: np.ndarray, limit: float, unit: str
) -> str:
    """Return in a sentence what a lane closes.

    Parameters
    ----------
    field : CoarseSurface
    gap : array of bool, shape (n,)
    line : array, shape (2, 2)
        m.
    limit : float
        Standard uncertainty above which a place is a gap, m.
    unit : {"m", "ft"}

    Examples
    --------
    "Closes 1.2 acres of the widest gap, up to 62 ft from a sounding."
    """
    cells, away = cells_near(field, gap, line)
    new = field.law.nearer(field.sigma[cells], field.distance[cells], away)
    closed = cells[new <= limit] if (new <= limit).any() else cells
    far = float(field.distance[closed].max())
    which = "the widest gap" if far >= _AS_WIDE * field.distance[gap].max() else "a gap"
    if field.slope[closed].mean() >= STEEP / 2.0:
        which += " over steep bottom"
    size, name = (ACRE, "acres") if unit == "ft" else (HECTARE, "ha")
    area = len(closed) * field.grid.cell_area / size
    return phrase(
        "Closes {:.1f} {} of {}, up to {:,.0f} {} from a sounding.",
        max(area, 0.1),
        name,
        which,
        far / LENGTH[unit],
        unit,
    )
