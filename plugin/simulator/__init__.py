"""Plays a log as if a boat were out; needs no Qt but for its dialog."""
