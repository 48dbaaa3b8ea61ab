"""Layouts and project files: printed sheets, and the projects they are drawn from."""
