"""Figures of the lake: areas, volumes, their curves and tables."""
