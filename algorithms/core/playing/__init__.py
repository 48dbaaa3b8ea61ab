"""Logs played back as a sounder and a receiver send them, with their faults."""
