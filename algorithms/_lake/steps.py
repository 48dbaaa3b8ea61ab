"""The steps of the work on a lake, in their order, and the layers they leave."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ROLES", "STEPS", "Step", "step"]


@dataclass(frozen=True)
class Step:
    """A step of the work.

    Attributes
    ----------
    key : str
        Also the name of the folder with its runs.
    needs : tuple of str
        Sources without which it cannot be taken: "shoreline", "logs", "database", or the key of
        an earlier step.
    uses : tuple of str
        Further sources that its result depends on where they are there.
    algorithm : str
        The id of what it runs; "" where it is done by hand.
    """

    key: str
    needs: tuple = ()
    uses: tuple = ()
    algorithm: str = ""


STEPS = (
    Step("shoreline"),
    Step("visits", uses=("shoreline", "gauge"), algorithm="lakefloor:logstodatabase"),
    Step(
        "map",
        needs=("shoreline", "database"),
        uses=("marks",),
        algorithm="lakefloor:maplakedatabase",
    ),
    Step("structure", needs=("map", "shoreline"), algorithm="lakefloor:structureandbottomtype"),
    Step("outing", needs=("map", "shoreline"), algorithm="lakefloor:planthenextouting"),
)

#: Role of a layer -> the step whose run leaves it; "" for a file that people keep themselves.
ROLES = {
    "shoreline": "",
    "gauge": "",
    "marks": "",
    "soundings": "map",
    "surface": "map",
    "contours": "map",
    "depth_areas": "map",
    "slope": "map",
    "break_lines": "map",
    "bottom_change": "visits",
    "bottom_forms": "structure",
    "bottom_type": "structure",
    "bottom_type_areas": "structure",
    "transitions": "structure",
    "spots": "structure",
    "gaps": "outing",
    "lanes": "outing",
}


def step(key) -> Step:
    """Return the step of this key."""
    return next(s for s in STEPS if s.key == key)
