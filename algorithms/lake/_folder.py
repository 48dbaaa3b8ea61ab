"""The folder of a lake as a parameter."""

from qgis.core import QgsProcessingParameterFile

from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError

LAKE = "LAKE"


def lake_parameter():
    """Return the parameter of a lake's folder; :func:`lake_given` reads it."""
    return folder_parameter(
        LAKE,
        tr("Folder of the lake"),
        tr("A folder made by 'New lake'. It has a file 'lake.json'."),
    )


def folder_parameter(name, label, text, optional=False, advanced=False):
    """Return a parameter of a folder that is there."""
    kind = QgsProcessingParameterFile.Behavior.Folder
    return params.helped(
        QgsProcessingParameterFile(name, label, kind, optional=optional), text, advanced
    )


def lake_given(inputs):
    """Return the lake whose folder was given.

    Raises
    ------
    LakefloorError
        If it is no folder of a lake.
    """
    from .._lake.facts import read_facts
    from .._lake.folder import LakeFolder

    lake = LakeFolder(inputs.file(LAKE).absolute())
    read_facts(lake.path)
    return lake


def require_folder(folder):
    """Refuse a folder that is not there.

    Raises
    ------
    LakefloorError
    """
    if not folder.is_dir():
        raise LakefloorError(
            tr("Folder '{}' does not exist. Make it, or choose another.").format(folder)
        )


def say_where_it_lies(folder, inputs):
    """Warn where a folder lies on a network drive or is kept in step with another place."""
    from .._lake.whereabouts import NETWORK, SYNCED, where_it_lies

    warnings = {
        NETWORK: tr(
            "'{}' seems to lie on a network drive. Such drives lock files badly. Let only one "
            "computer work on the lake at a time."
        ),
        SYNCED: tr(
            "'{}' seems to lie in a folder that a program synchronizes. Let it finish before and "
            "after each work on the lake, and work on one computer at a time."
        ),
    }
    where = where_it_lies(folder)
    if where:
        inputs.warn(warnings[where].format(folder))
