"""The growing map in a process of its own, which needs no QGIS."""
