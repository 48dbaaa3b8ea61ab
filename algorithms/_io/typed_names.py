"""File names that a person typed without a folder: where they go.

A name such as ``map.pdf`` would land in the folder from which QGIS was started, which nobody looks
into. In a window it belongs to the folder of the project, and where that has none, to the folder for
lakes of the settings. A command and a script keep the folder that they run in.
"""

from __future__ import annotations

import os
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFile,
    QgsProperty,
)

from .. import _settings
from .._i18n import tr

#: What stands for no file, or for a place that is not in a folder.
_NOT_FILES = ("memory:", "postgis:", "ogr:")


def tell(algorithm, parameters: dict, context, feedback) -> None:
    """Say of each file whose name has no folder where it is."""
    for name, value in typed(algorithm, parameters, context).items():
        feedback.pushInfo(
            tr("{}: the file name has no folder, so it stands for '{}'.").format(
                algorithm.parameterDefinition(name).description(), _file_in(value)
            )
        )


def typed(algorithm, parameters: dict, context) -> dict:
    """Return the values of files that were given without a folder, with it, by their names."""
    if not in_window():
        return {}
    found = {}
    for definition in algorithm.parameterDefinitions():
        name = definition.name()
        given = parameters.get(name)
        is_input = isinstance(definition, QgsProcessingParameterFile)
        if not (is_input or definition.isDestination()):
            continue
        if is_input and os.path.exists(_file_in(given)):
            continue  # a script in the console of QGIS names what is there
        value = full(given, context)
        if value is not None:
            found[name] = value
    return found


def in_window() -> bool:
    """Tell whether a person sits before QGIS, rather than a script or a command."""
    return QgsApplication.platform() == "desktop"


def home(context) -> Path:
    """Return the folder to which a name without one belongs."""
    project = context.project()
    folder = project.homePath() if project is not None else ""
    folder = Path(folder) if folder else _settings.lakes_folder()
    return folder if folder.is_dir() else Path.home()


def full(value, context):
    """Return a value with its folder, or None where it has one or needs none."""
    text = _file_in(value).strip()
    if not text or text == "TEMPORARY_OUTPUT" or text.startswith(_NOT_FILES) or "://" in text:
        return None
    path = Path(text).expanduser()
    if path.is_absolute() and not text.startswith("~"):
        return None
    return with_path(value, Path(os.path.normpath(home(context) / path)))


def _file_in(value) -> str:
    """Return the file that a value names; nothing for an expression, which says it later."""
    if isinstance(value, QgsProcessingOutputLayerDefinition):
        value = value.sink
    if isinstance(value, QgsProperty):
        static = value.propertyType() == QgsProperty.fromValue("").propertyType()
        value = value.staticValue() if static else ""
    return str(value or "")


def with_path(value, path):
    """Return a value like this one that names a file."""
    if isinstance(value, QgsProcessingOutputLayerDefinition):
        copy = QgsProcessingOutputLayerDefinition(value)
        copy.sink = QgsProperty.fromValue(str(path))
        return copy
    return str(path)
