"""Where the results of a model may go, tried before its first step."""

import re
import shutil
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from qgis.core import (
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterVectorDestination,
    QgsProperty,
)

from ..algorithms._i18n import tr
from ..algorithms._staging import staging_folder
from ..algorithms.core.errors import LakefloorError

_ELSEWHERE = ("memory:", "postgis:", "postgres:", "TEMPORARY_OUTPUT")


def file_of(value, context):
    """Return the file that a destination or an input names, or None where it is no file."""
    if isinstance(value, QgsProcessingOutputLayerDefinition):
        value = value.sink
    if isinstance(value, QgsProperty):
        value, _ = value.valueAsString(context.expressionContext())
    text = str(value or "").strip()
    if not text or text.startswith(_ELSEWHERE) or "://" in text:
        return None
    if text.startswith("ogr:"):
        found = re.search(r"dbname='((?:[^']|'')+)'|dbname=(\S+)", text)
        if found is None:
            return None
        text = found[1] or found[2]
    text = text.partition("|")[0]
    return Path(text).absolute() if Path(text).suffix else None


def same_file(a, b) -> bool:
    """Tell whether two paths lead to one file, which need not exist."""
    return a.resolve() == b.resolve() or (a.exists() and b.exists() and a.samefile(b))


def is_store(path) -> bool:
    """Tell whether a file is a lake's store, of whatever layout."""
    if not path.is_file() or path.stat().st_size < 512:
        return False
    with suppress(sqlite3.Error), closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) \
            as db:
        found = db.execute(
            "SELECT description FROM gpkg_contents WHERE table_name = 'visits'").fetchone()
        return found is not None and str(found[0]).startswith("Lakefloor store")
    return False


def _endings(definition) -> list:
    """Return how the name of a file may end for an output, in small letters; all if empty."""
    if isinstance(definition, QgsProcessingParameterRasterDestination):
        return definition.supportedOutputRasterLayerExtensions()
    if isinstance(definition, (QgsProcessingParameterFeatureSink,
                               QgsProcessingParameterVectorDestination)):
        return definition.supportedOutputVectorLayerExtensions()
    if isinstance(definition, QgsProcessingParameterFileDestination):
        return re.findall(r"\*\.(\w+)", definition.fileFilter())
    return []


def try_file(path, definition):
    """Refuse a file that an output cannot be written to, before anything is computed.

    Parameters
    ----------
    path : Path
    definition : QgsProcessingParameterDefinition
        Of the output.

    Raises
    ------
    LakefloorError
        If the folder is missing or closed, the name's ending is of no format of this output, or
        there is a folder or a lake's store of that name.
    """
    label = definition.description()
    if path.is_dir():
        raise LakefloorError(
            tr("'{}': '{}' is a folder. Choose another file name.").format(label, path))
    endings = [ending.lower() for ending in _endings(definition)]
    if endings and path.suffix.lstrip(".").lower() not in endings:
        shown = ", ".join(f".{ending}" for ending in endings[:6])
        raise LakefloorError(
            tr("'{}' cannot be written as '{}'. Let the file name end in {}.").format(
                label, path.name, shown)
        )
    if is_store(path):
        raise LakefloorError(
            tr("'{}' would replace the lake's store '{}'. Choose another file name.").format(
                label, path.name)
        )
    try_folder(path.parent)


def try_folder(folder):
    """Refuse a folder that is missing or that cannot be written to."""
    shutil.rmtree(staging_folder(folder), ignore_errors=True)
