"""A layer that a closed QGIS took with it is named, with what to do."""

import shutil
import sys
from pathlib import Path

import pytest
from qgis.core import (
    QgsProcessingContext,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingUtils,
    QgsProject,
    QgsRasterLayer,
)

sys.path.insert(0, str(Path(__file__).parent))
from lakes import RADIUS, X, Y, paraboloid, shore


@pytest.fixture
def project(qgis_app, tmp_path):
    """The project of the window, saved to a file and emptied at the end."""
    current = QgsProject.instance()
    current.clear()
    current.setFileName(str(tmp_path / "lake.qgz"))
    yield current
    current.clear()
    current.setFileName("")


def _reopen(project, meanwhile=lambda: None):
    assert project.write()
    path = project.fileName()
    project.clear()
    meanwhile()
    project.read(path)


def _refusal(provider, name, parameters):
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    acceptable, wrong = provider.algorithm(name).checkParameterValues(parameters, context)
    assert not acceptable
    return wrong


def test_a_scratch_layer_of_a_reopened_project_is_empty_and_named(provider, project, memory_layer):
    layer = memory_layer("Point", [f"POINT({X} {Y})"], name="Soundings of May")
    project.addMapLayer(layer)
    name = layer.id()
    _reopen(project)
    # QGIS keeps such a layer, without its features.
    assert project.mapLayer(name).featureCount() == 0
    for value in (
        name, project.mapLayer(name), QgsProcessingFeatureSourceDefinition(name, True),
    ):  # fmt: skip
        wrong = _refusal(provider, "cleansoundings", {"INPUT": value, "OUTPUT": "TEMPORARY_OUTPUT"})
        assert wrong.startswith("Layer 'Soundings of May' is a temporary layer without features")
        assert wrong.endswith("Run the algorithm that made it again, and choose its new layer.")


def test_a_scratch_layer_that_only_the_history_knows_is_named(provider, project):
    gone = "Depth_contours_c78f2acb_f682_4e30_9434_15ab478785a8"
    wrong = _refusal(provider, "cleansoundings", {"INPUT": gone, "OUTPUT": "TEMPORARY_OUTPUT"})
    assert wrong.startswith("Layer 'Depth contours' is not there any more.")
    wrong = _refusal(provider, "planthenextouting", {"SURFACE": gone, "SHORELINE": gone})
    assert wrong.startswith("Layer 'Depth contours' is not there any more.")


def test_a_temporary_file_that_is_gone_is_named(provider, project, tmp_path, memory_layer):
    folder = Path(QgsProcessingUtils.tempFolder()) / "of_a_run"
    folder.mkdir()
    path = Path(shutil.move(paraboloid(tmp_path).source(), folder))
    layer = QgsRasterLayer(str(path), "Smooth surface")
    project.addMapLayer(layer)
    name = layer.id()
    _reopen(project, lambda: shutil.rmtree(folder))
    for value, called in ((name, "Smooth surface"), (str(path), "paraboloid")):
        wrong = _refusal(provider, "bottomslope", {"INPUT": value, "OUTPUT": "TEMPORARY_OUTPUT"})
        assert wrong.startswith(f"The file of layer '{called}' was temporary, and QGIS removed it")


def test_a_layer_whose_file_was_moved_is_named_with_its_file(provider, project, tmp_path):
    path = Path(paraboloid(tmp_path).source())
    layer = QgsRasterLayer(str(path), "Lake")
    project.addMapLayer(layer)
    name = layer.id()
    _reopen(project, lambda: path.rename(tmp_path / "elsewhere.tif"))
    wrong = _refusal(provider, "bottomslope", {"INPUT": name, "OUTPUT": "TEMPORARY_OUTPUT"})
    assert wrong.startswith("Layer 'Lake' cannot be opened. Check that '")
    assert "paraboloid.tif' is there" in wrong


def test_empty_layers_that_are_no_fault_pass(provider, run, project, tmp_path, memory_layer):
    """Empty breaklines are an answer, and a script may hand on an empty result."""
    lines = memory_layer("LineString", [], name="Breaklines")
    project.addMapLayer(lines)
    surface, around = paraboloid(tmp_path), memory_layer("Polygon", [shore().wkt])
    context = QgsProcessingContext()
    context.setProject(project)
    given = {
        "INPUT": surface, "SHORELINE": around, "BREAKLINES": lines.id(), "OUTPUT": "memory:",
        "GAPS": "memory:", "LAUNCH": f"{X},{Y - RADIUS} [EPSG:32615]",
    }  # fmt: skip
    assert provider.algorithm("nextouting").checkParameterValues(given, context) == (True, "")
    empty = memory_layer("Point", [], name="Candidate spots")
    spots = {"INPUT": empty, "OUTPUT": str(tmp_path / "spots.gpx")}
    wrong = provider.algorithm("exportwaypoints").checkParameterValues(spots, context)[1]
    assert "temporary" not in wrong
