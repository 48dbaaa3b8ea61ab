"""Where bytes come from: ports, networks, files, and what QGIS itself reads."""

from .spec import SourceSpec
