"""The layers that a person draws into the lake's folder: marks and shoreline."""

from __future__ import annotations

import os
from contextlib import suppress

from qgis.core import QgsFields, QgsVectorFileWriter

from ...algorithms._compat import make_field
from ...algorithms._i18n import tr
from ...algorithms._io.whole_files import rename_patiently
from ...algorithms._project.showing import show_file
from ...algorithms.core.errors import LakefloorError
from .lake_layers import layers_of, project_of

__all__ = ["own_file", "own_layer"]


def own_layer(lake, role, path, make):
    """Return the layer of a role of the lake; load its file, or make it, where need be.

    Parameters
    ----------
    lake : object
        What the panel holds.
    role : str
    path : Path
        A GeoPackage in the lake's folder.
    make : tuple
        Fields as (name, kind), geometry type and CRS of a new file.

    Raises
    ------
    LakefloorError
        If the file cannot be written or read.
    """
    there = layers_of(lake, role)
    if there:
        return there[0]
    own_file(lake, role, path, make)
    return show_file(project_of(lake), lake.folder, role, path)


def own_file(lake, role, path, make):
    """Make the file of a role of the lake where it is not there; as :func:`own_layer`."""
    if not path.exists():
        _write_empty(path, role, *make, project_of(lake))


def _write_empty(path, table, fields, geometry, crs, project):
    """Write an empty table beside its place and move it there, so that it is whole or not."""
    columns = QgsFields()
    for name, kind in fields:
        columns.append(make_field(name, kind))
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName, options.layerName = "GPKG", table
    beside = path.with_name(f".{path.stem}.new{path.suffix}")
    writer = QgsVectorFileWriter.create(
        str(beside), columns, geometry, crs, project.transformContext(), options
    )
    wrong = writer.errorMessage() if writer.hasError() else ""
    del writer  # closes the file
    try:
        if not wrong:
            rename_patiently(beside, path, os.replace)
    except OSError as error:
        wrong = error.strerror
    if wrong:
        with suppress(OSError):
            beside.unlink()
        raise LakefloorError(
            tr("Cannot write '{}' ({}). Make sure that the folder can be written to.").format(
                path, wrong
            )
        )
