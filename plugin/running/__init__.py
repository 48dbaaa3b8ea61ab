"""Runs in the background, while the map stays alive."""

from .run import Run
from .runner import Runner

__all__ = ["Run", "Runner"]
