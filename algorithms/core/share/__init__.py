"""Figures of the lake and the printed sheet."""
