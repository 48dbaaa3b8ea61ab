"""Waypoints and tracks to and from other devices and programs."""
