"""The example's first log, played."""

from __future__ import annotations

from pathlib import Path

from ...algorithms.core.playing.timeline import timeline
from .player import Player, TcpOutlet

__all__ = ["EXAMPLE_LOG", "simulate_example"]

#: Ships with the plugin.
EXAMPLE_LOG = Path(__file__).resolve().parents[2] / "example_project" / "logs" / "2025-05-17_1.nmea"


def simulate_example(speed=5.0) -> tuple:
    """Play the example's first log over TCP; return the player and what to take as the source."""
    player = Player(timeline(EXAMPLE_LOG), speed, TcpOutlet(), waits=True).start()
    return player, player.outlet.spec
