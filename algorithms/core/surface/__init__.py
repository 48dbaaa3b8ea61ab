"""Gridding, its uncertainty, and surfaces against each other."""
