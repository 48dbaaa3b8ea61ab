"""The project of a lake as a file: with relative paths and without the account's name."""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from pathlib import Path

from qgis.core import Qgis, QgsApplication

from .._i18n import tr
from .._io.same_place import same_place
from .._io.whole_files import rename_patiently
from .._lake import whereabouts
from .._lake.facts import read_facts
from .._lake.folder import lake_of
from .._lake.lock import holder_of
from .._sheets.own_project import forget_account, own_project
from ..core.errors import LakefloorError
from .lake_group import LAKE
from .showing import show_all_by_layer

__all__ = ["guard_project", "is_of_lake", "may_write", "save_in_parts", "save_lake_project"]


def may_write(lake) -> bool:
    """Tell whether the folder of a lake may be written to: nobody else holds it."""
    held = holder_of(lake)
    return (held is None or held.own) and whereabouts.may_write(lake.path)


def is_of_lake(project, lake) -> bool:
    """Tell whether a project is the lake's own, or becomes it when it is saved.

    That is the project in the lake's folder. Where there is none, it is one that was never saved and
    holds nothing else.
    """
    if project.fileName():
        return same_place(project.fileName(), lake.project)
    if lake.project.is_file():
        return False
    layers = project.mapLayers().values()
    lake_id = read_facts(lake.path).id
    return bool(layers) and all(layer.customProperty(LAKE) == lake_id for layer in layers)


def save_lake_project(project, lake) -> Path | None:
    """Write the project of a lake into its folder.

    Where the project is a user's own, with other layers or another place, it stays as it is: the
    lake's project is then brought up to date beside it, apart from the one that is open.

    Returns
    -------
    Path or None
        Of the file; None where the lake is open for reading only.

    Raises
    ------
    LakefloorError
        If the file cannot be written. The one before stands.
    """
    *_, path = save_in_parts(project, lake)
    return path


def save_in_parts(project, lake):
    """Do what :func:`save_lake_project` does, and yield now and then, at last the path."""
    if not may_write(lake):
        yield None
        return
    path = lake.project
    if is_of_lake(project, lake):
        facts = read_facts(lake.path)
        if not project.title():
            project.setTitle(facts.name)
        project.setFilePathStorage(Qgis.FilePathType.Relative)
        with _nameless(project):
            _write(project, path)
    else:
        yield from _write_beside(lake, path)
    yield path


def guard_project(project):
    """Keep the account's name out of the projects of lakes, whoever saves them.

    Returns a function that ends it.
    """

    def forget(document):
        name = project.fileName()
        if name.lower().endswith((".qgz", ".qgs")) and _lake_folder(name) is not None:
            _forget_author(project, document)

    project.writeProject.connect(forget)
    return lambda: project.writeProject.disconnect(forget)


def _lake_folder(name):
    try:
        return lake_of(Path(name).parent)
    except (LakefloorError, OSError):
        return None


@contextmanager
def _nameless(project):
    def forget(document):
        _forget_author(project, document)

    project.writeProject.connect(forget)
    try:
        yield
    finally:
        project.writeProject.disconnect(forget)


def _forget_author(project, document):
    """Take the account out of a project file; an author that the user has typed stays."""
    forget_account(document)
    metadata = project.metadata()
    account = {QgsApplication.userFullName(), QgsApplication.userLoginName()}
    if metadata.author() in account:
        authors = document.elementsByTagName("author")
        for number in range(authors.count()):
            element = authors.item(number).toElement()
            while element.hasChildNodes():
                element.removeChild(element.firstChild())
        metadata.setAuthor("")
        project.setMetadata(metadata)


def _write(project, path):
    if not project.write(str(path)):
        raise _cannot_write(path, project.error())


def _cannot_write(path, why):
    return LakefloorError(
        tr(
            "Cannot write the project '{}' ({}). The earlier one is unchanged. Check the disk and the "
            "folder's permissions, and close other programs that have the file open."
        ).format(path.name, why)
    )


def _write_beside(lake, path):
    """Bring the lake's own project up to date, apart from the one that is open."""
    facts = read_facts(lake.path)
    beside = path.with_name(f".new {path.name}")
    with own_project(title=facts.name) as project:
        if path.exists():
            project.read(str(path))
            project.setFileName(str(beside))
        project.setFilePathStorage(Qgis.FilePathType.Relative)
        yield from show_all_by_layer(project, lake)
        _write(project, beside)
        try:
            rename_patiently(beside, path, os.replace)
        except OSError as error:
            with suppress(OSError):
                os.remove(beside)
            raise _cannot_write(path, error.strerror) from error
