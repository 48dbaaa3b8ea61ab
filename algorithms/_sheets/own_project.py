"""A project of one's own to draw from or to write, apart from the one that is open."""

from __future__ import annotations

from contextlib import contextmanager

from .._compat import bare_project
from .parked import main_thread_parked

__all__ = ["forget_account", "own_project"]


@contextmanager
def own_project(crs=None, title="", author=""):
    """Yield an empty project that names nobody but the ``author`` given, and clear it at the end.

    QGIS writes the account of the computer into a new project as its author, and into each
    project file as the one who saved it. Its setting against that is one for all projects, so
    it is left alone.

    Parameters
    ----------
    crs : QgsCoordinateReferenceSystem, optional
        Of the project, whose ellipsoid is then WGS 84.
    """
    project = bare_project()
    try:
        if crs is not None:
            project.setCrs(crs)
            project.setEllipsoid("EPSG:7030")
        project.setTitle(title)
        metadata = project.metadata()
        metadata.setTitle(title)
        metadata.setAuthor(author)
        project.setMetadata(metadata)
        project.writeProject.connect(forget_account)
        yield project
    finally:
        # Layers close here, before their files are moved or removed.
        project.removeAllMapLayers()
        with main_thread_parked():
            project.clear()


def forget_account(document):
    """Take out of a project file, a QDomDocument, who saved it."""
    for name in ("saveUser", "saveUserFull"):
        document.documentElement().removeAttribute(name)
