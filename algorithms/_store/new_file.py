"""Files of new stores, made with GDAL, whose tables and spatial index are standard."""

from __future__ import annotations

from osgeo import gdal, ogr, osr

from .._i18n import tr
from .._io.gdal_errors import done, made, strict
from ..core.errors import LakefloorError
from ..core.soundings import SCHEMA
from .errors import damaged
from .layout import HISTORY, LAYOUT, LAYOUT_WORDS, VISITS

_OGR_TYPES = {
    "text": ogr.OFTString,
    "int": ogr.OFTInteger,
    "double": ogr.OFTReal,
    "datetime": ogr.OFTDateTime,
}


def make_tables(path, crs):
    """Make the empty tables of a store in a file that does not exist yet."""
    try:
        with strict():
            _make_layers(path, crs)
    except RuntimeError as error:
        raise LakefloorError(
            tr(
                "Cannot make '{}' ({}). Check that the disk is not full and that you may write to "
                "the folder."
            ).format(path.name, error)
        ) from error


def _make_layers(path, crs):
    driver = gdal.GetDriverByName("GPKG")
    dataset = made(driver.Create(str(path), 0, 0, 0, gdal.GDT_Unknown))
    tables = (
        ("soundings", {"visit_id": "int", **{f: kind for f, (_, kind) in SCHEMA.items()}}, ""),
        ("visits", VISITS, f"{LAYOUT_WORDS}{LAYOUT}"),
        ("history", HISTORY, ""),
    )
    for name, fields, description in tables:
        srs, kind = (_srs(crs), ogr.wkbPoint) if name == "soundings" else (None, ogr.wkbNone)
        layer = made(dataset.CreateLayer(name, srs, kind, [f"DESCRIPTION={description}"]))
        for field_name, field_kind in fields.items():
            done(layer.CreateField(ogr.FieldDefn(field_name, _OGR_TYPES[field_kind])))


def crs_of(db) -> str:
    """Return the CRS of a store: an authority code such as EPSG:32615, or WKT."""
    rows = db.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys "
        "NATURAL JOIN gpkg_geometry_columns WHERE table_name = 'soundings'"
    ).fetchall()
    try:
        ((organization, code, definition),) = rows
        crs = f"EPSG:{int(code)}" if organization.upper() == "EPSG" else str(definition)
        _srs(crs)
    except (AttributeError, TypeError, ValueError, LakefloorError):
        raise damaged() from None
    return crs


def same_crs(a, b) -> bool:
    """Say whether two CRS, given as codes or WKT, are one."""
    return a == b or bool(_srs(a).IsSame(_srs(b)))


def _srs(text):
    srs = osr.SpatialReference()
    try:
        known = srs.SetFromUserInput(text) == 0
    except RuntimeError:
        known = False
    if not known:
        raise LakefloorError(tr("CRS '{}' is unknown. Choose another one.").format(text))
    srs.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    return srs
