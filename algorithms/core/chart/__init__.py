"""Contours and depth areas."""
