"""Where bytes come from: ports, networks, files, and what QGIS itself reads."""

from .opening import open_source, possible_sources
from .spec import KINDS, SourceSpec
from .tee import Tee

__all__ = ["KINDS", "SourceSpec", "Tee", "open_source", "possible_sources"]
