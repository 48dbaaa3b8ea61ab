"""The growing map on the canvas."""
