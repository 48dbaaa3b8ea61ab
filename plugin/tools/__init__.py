"""Tools on the map, which work on the lake that the panel holds."""

from .readout import Readout
from .statuses import show_statuses

__all__ = ["Readout", "show_statuses", "tools_for"]


def tools_for(iface, lake, runner) -> list:
    """Return the actions of the map, in the order of a toolbar; each has ``tear_down()``.

    Parameters
    ----------
    iface : QgisInterface
    lake : object
        What the panel holds: ``folder`` (LakeFolder, or None while no lake is open), ``facts``,
        ``project`` and ``read_only``, as they are now.
    runner : Runner
    """
    from .marks import MarkAction
    from .profile import ProfileAction
    from .review import ReviewAction
    from .shoreline import ShorelineAction

    return [
        ShorelineAction(iface, lake),
        ReviewAction(iface, lake, runner),
        ProfileAction(iface, lake, runner),
        MarkAction(iface, lake),
    ]
