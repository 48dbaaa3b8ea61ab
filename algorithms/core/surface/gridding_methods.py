"""The methods of gridding: what each learns from a survey, and how it draws a part."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from .idw import draw_idw, learn_idw
from .smooth_surface import HALO, draw_smooth, learn_smooth
from .tin import draw_tin, learn_tin


@dataclass(frozen=True)
class Method:
    """A way of gridding: what it learns from a whole survey and how it draws a part.

    Attributes
    ----------
    learn : callable
        ``learn(frame, progress=..., **options) -> learned``
    draw : callable
        ``draw(frame, learned, progress=..., **options) -> Surface``
    spacings : float
        Lane spacings of halo that a part needs, if more than two maximum gaps.
    draw_options : tuple of str
        Those of the options that ``draw`` takes.
    """

    learn: Callable
    draw: Callable
    spacings: float = 0.0
    draw_options: tuple = ()


METHODS = {
    "tin": Method(learn_tin, draw_tin),
    "idw": Method(learn_idw, draw_idw, 0.0, ("power", "neighbours", "sectors")),
    "smooth": Method(learn_smooth, draw_smooth, HALO),
}
