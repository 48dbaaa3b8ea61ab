"""Sheets written as files."""

from __future__ import annotations

from qgis.core import Qgis, QgsLayoutExporter

from .._i18n import tr
from .._io.staging import write_file
from ..core.errors import LakefloorError
from .layout_template import template_text


def pdf_settings() -> QgsLayoutExporter.PdfExportSettings:
    """Return the settings of a geo-referenced PDF of vectors and searchable text."""
    settings = QgsLayoutExporter.PdfExportSettings()
    settings.dpi = 300
    settings.appendGeoreference = True
    settings.exportMetadata = True
    settings.textRenderFormat = Qgis.TextRenderFormat.AlwaysText
    return settings


def export_pdf(layout, path):
    """Write the layout as a geo-referenced PDF of vectors and searchable text."""
    result = QgsLayoutExporter(layout).exportToPdf(str(path), pdf_settings())
    if result != QgsLayoutExporter.ExportResult.Success:
        raise LakefloorError(
            tr(
                "The sheet could not be written as '{}'. Check that the disk has room, then run "
                "again."
            ).format(path.name)
        )


def export_template(layout, path):
    """Write the layout as a template, which names no layer by its place."""
    write_file(path, template_text(layout).encode("utf-8"))


def export_png(layout, path, dpi=300):
    """Write the layout's only page as a picture."""
    # Not QGIS's own export, which cannot geo-reference a PNG and says so on the console.
    if not QgsLayoutExporter(layout).renderPageToImage(0, dpi=dpi).save(str(path), "PNG"):
        raise LakefloorError(
            tr(
                "The sheet could not be written as '{}'. Check that the disk has room, then run "
                "again."
            ).format(path.name)
        )
