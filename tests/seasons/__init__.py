"""Seasons on invented lakes: the exact bottom, the logs of outings on it, and how the map turns out.

``lakes`` knows the bottom at every place and time, ``outings`` what a boat would log of it,
``log_files`` writes that as files, ``friends`` makes what others hand on, ``chain`` is the one place
where Lakefloor comes in, ``seasons`` tells what happens in five years, ``judge`` compares with the
truth. Nothing in here but ``chain`` and the drawing of a map in ``judge`` uses Lakefloor's code.
"""
