"""Drop-offs of known crest and toe, straight and curved, and surveys of them.

Nothing here knows how crest and toe are looked for. They lie, by definition, where the bottom
bends most across the face: at the edges of an even ramp, at 0.658 w of ``tanh(x / w)``, and on a
ramp whose shoulders are round at the place that is read off its second derivative.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from echo_lakes import run
from scipy.special import ndtr

from lakefloor.algorithms.core.soundings import Soundings

SHAPES = ("ramp", "tanh", "round")
#: Standard deviation of the rounding of a round shoulder, as a share of the face's width.
_ROUND = 0.15
_HALF = (150.0, 110.0)


@dataclass(frozen=True)
class Face:
    """A drop-off: ``width`` from edge to edge of the ramp, m; of ``tanh``, four times its w."""

    shape: str
    width: float
    height: float
    shelf: float = 3.0
    turn_deg: float = 0.0
    radius: float = np.inf

    def across(self, x, y):
        """Return how far places lie from the middle of the face, m, positive in deep water."""
        turn = np.radians(self.turn_deg)
        u = x * np.cos(turn) + y * np.sin(turn)
        if np.isinf(self.radius):
            return u
        v = y * np.cos(turn) - x * np.sin(turn)
        # A hump where the radius is positive, a hollow where it is negative.
        return np.sign(self.radius) * (np.hypot(u + self.radius, v) - abs(self.radius))

    def fallen(self, t):
        """Return the share of its height that the face has fallen at ``t`` from its middle."""
        if self.shape == "tanh":
            return 0.5 + 0.5 * np.tanh(4.0 * t / self.width)
        if self.shape == "ramp":
            return np.clip(t / self.width + 0.5, 0.0, 1.0)
        half, sd = self.width / 2.0, _ROUND * self.width

        def rounded(s):
            return s * ndtr(s / sd) + sd * np.exp(-0.5 * (s / sd) ** 2) / np.sqrt(2.0 * np.pi)

        return (rounded(t + half) - rounded(t - half)) / self.width

    def bottom(self, x, y):
        """Return depth, m: a shelf and a basin that fall gently, and the face between them."""
        t = self.across(x, y)
        return self.shelf + self.height * self.fallen(t) + 0.01 * t

    @property
    def edge(self) -> float:
        """How far crest and toe lie from the middle, m."""
        if self.shape == "ramp":
            return self.width / 2.0
        t = np.linspace(0.0, 2.0 * self.width, 20001)
        return float(t[np.gradient(np.gradient(self.fallen(t), t), t)[2:-2].argmin() + 2])


def faces(seed: int, count: int) -> list:
    """Return faces of all shapes, 8 to 40 m wide, one in three curved."""
    rng = np.random.default_rng(20_000 + seed)
    found = []
    for number in range(count):
        width = float(np.exp(rng.uniform(np.log(8.0), np.log(40.0))))
        height = float(width * rng.uniform(0.15, 0.45))
        bent = number // len(SHAPES) % 3 == 2
        radius = float(rng.choice([-1.0, 1.0]) * rng.uniform(80.0, 160.0)) if bent else np.inf
        found.append(
            Face(
                SHAPES[number % len(SHAPES)],
                width,
                min(max(height, 2.0), 8.0),
                float(rng.uniform(2.0, 5.0)),
                float(rng.uniform(0.0, 360.0)),
                radius,
            )
        )
    return found


def survey(
    face: Face, *, spacing: float, seed: int, width_deg: float = 0.0, **options
) -> Soundings:
    """Return soundings along lanes of a random course, positions off by 1 m, noise of 5 cm."""
    course = float(np.random.default_rng(30_000 + seed).uniform(0.0, 180.0))
    options = {"tilt_deg": 5.0 if width_deg else 0.0, "course_deg": course, **options}
    deepest = face.shelf + face.height + 6.0
    return run(
        face.bottom, half=_HALF, spacing=spacing, ping=2.0, width_deg=width_deg, seed=seed,
        deepest=deepest, **options,
    ).soundings  # fmt: skip


def offsets(face: Face, lines) -> dict:
    """Return by kind how far vertices lie off crest and toe, m, positive away from the face.

    Of the steepest line, positive in deep water. What is within 30 m of the survey's edge is
    left out.
    """
    middle = {"crest": -face.edge, "steepest": 0.0, "toe": face.edge}
    found = {kind: [np.empty(0)] for kind in middle}
    for xy, kind in zip(lines.coords, lines.attributes["kind"]):
        inner = (np.abs(xy[:, 0]) < _HALF[0] - 30.0) & (np.abs(xy[:, 1]) < _HALF[1] - 30.0)
        off = face.across(*xy[inner].T) - middle[kind]
        # A line elsewhere is another matter than one that is a little off.
        found[kind].append((-off if kind == "crest" else off)[np.abs(off) < face.width + 40.0])
    return {kind: np.concatenate(parts) for kind, parts in found.items()}
