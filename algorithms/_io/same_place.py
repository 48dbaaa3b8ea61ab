"""Whether two paths are of one place."""

import os

__all__ = ["place_of", "same_place"]


def place_of(path) -> str:
    """Return a path as a key of its place: through links and drives of a network, in one case.

    Windows knows one place by names that differ in slashes and in the case of letters.
    """
    return os.path.normcase(os.path.realpath(path))


def same_place(one, other) -> bool:
    """Tell whether two paths are of one file or folder, which need not be there."""
    return place_of(one) == place_of(other)
