"""Render the pictures of the README from the mapped example.

Run after ``bash example_project/run.sh``::

    QT_QPA_PLATFORM=offscreen /usr/bin/python3 example_project/pictures.py
"""

import subprocess
import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsLayoutExporter,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

HERE = Path(__file__).resolve().parent
PICTURES = HERE / "pictures"
SIZE = QSize(1000, 640)
#: The drop-off off the point, in the lake's UTM zone, m.
POINT = QgsRectangle(376850, 5145830, 377170, 5146035)


def styled(folder, files):
    """Return the layers of files, each with the style of its name."""
    sys.path.insert(0, str(HERE.parent / ".ci"))
    import checkout  # noqa: F401

    from lakefloor.algorithms._styling import apply_style

    layers = []
    for name, style in files:
        path = str(folder / name)
        layer = QgsRasterLayer(path) if path.endswith(".tif") else QgsVectorLayer(path)
        apply_style(layer, style)
        layers.append(layer)
    return layers


def named(project, *names):
    """Return layers of the project."""
    return [project.mapLayersByName(name)[0] for name in names]


def render(layers, extent, path):
    """Draw layers, the first on top, into a PNG."""
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setDestinationCrs(layers[-1].crs())
    settings.setExtent(extent)
    settings.setOutputSize(SIZE)
    settings.setOutputDpi(96)
    settings.setBackgroundColor(QColor("white"))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(str(path))


def page(pdf, number, name):
    """Draw a page of a PDF into a PNG, with poppler."""
    subprocess.run(
        [
            "pdftoppm",
            "-r",
            "75",
            "-f",
            str(number),
            "-l",
            str(number),
            "-singlefile",
            "-png",
            str(pdf),
            str(PICTURES / name),
        ],
        check=True,
    )


def main(folder):
    application = QgsApplication([], False)
    application.initQgis()
    project = QgsProject.instance()
    if not project.read(str(folder / "project" / "lake.qgz")):
        sys.exit(f"No project in {folder}: run example_project/run.sh first.")
    PICTURES.mkdir(exist_ok=True)
    layout = project.layoutManager().printLayouts()[0]
    sheet = QgsLayoutExporter(layout).renderPageToImage(0, dpi=110)
    sheet.save(str(PICTURES / "map_sheet.png"))
    whole = project.mapLayersByName("Depth surface")[0].extent().buffered(25)
    render(
        named(project, "Soundings", "Shoreline", "Water depth areas"),
        whole,
        PICTURES / "soundings.png",
    )
    render(
        named(project, "Drop-off lines", "Depth contours", "Shoreline", "Water depth areas"),
        POINT,
        PICTURES / "drop_off.png",
    )
    shore = HERE / "shoreline.geojson"
    render(
        styled(
            folder,
            [
                (shore, "shoreline"),
                ("structure/spots.gpkg", "spots"),
                ("structure/break_lines.gpkg", "break_lines"),
                ("structure/transitions.gpkg", "transitions"),
                ("structure/bottom_forms.gpkg", "bottom_forms"),
                ("structure/bottom_type.tif", "bottom_type"),
            ],
        ),
        whole,
        PICTURES / "structure.png",
    )
    render(
        styled(
            folder,
            [
                (shore, "shoreline"),
                ("outing/lanes.gpkg", "planned_lanes"),
                ("outing/gaps.gpkg", "gaps"),
                ("depth_smooth.tif", "uncertainty"),
            ],
        ),
        whole,
        PICTURES / "outing.png",
    )
    project.clear()
    page(folder / "structure" / "sheets.pdf", 1, "structure_sheet")
    page(folder / "lake_report.pdf", 1, "lake_report")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "output")
