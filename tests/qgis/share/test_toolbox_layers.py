"""What a run from the toolbox loads: in an order in which nothing hides the map."""

import shutil

import pytest
from qgis.core import (
    QgsApplication,
    QgsLayerTreeGroup,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorFileWriter,
)

from lakefloor.algorithms import _styling

#: In the order in which the model makes them.
STYLES = {
    "SOUNDINGS": "soundings",
    "SURFACE": "surface",
    "CONTOURS": "contours",
    "DEPTH_AREAS": "depth_areas",
    "BREAKLINES": "break_lines",
}


@pytest.fixture
def loaded(provider, lake, tmp_path):
    """Load layers as QGIS does at the end of a run; ``loaded(names)`` returns the project."""
    from processing.gui.Postprocessing import handleAlgorithmResults

    project = QgsProject()

    def load(names, run="first"):
        folder = tmp_path / run
        folder.mkdir()
        context, feedback = QgsProcessingContext(), QgsProcessingFeedback(False)
        context.setProject(project)
        for name in names:
            target = folder / f"{name}.gpkg"
            if name == "SURFACE":
                target = target.with_suffix(".tif")
                shutil.copy(lake[name].source(), target)
            else:
                QgsVectorFileWriter.writeAsVectorFormatV3(
                    lake[name],
                    str(target),
                    project.transformContext(),
                    QgsVectorFileWriter.SaveVectorOptions(),
                )
            details = QgsProcessingContext.LayerDetails(name, project, name)
            context.addLayerToLoadOnCompletion(str(target), details)
            _styling.style_on_load(context, str(target), STYLES[name], {})
        algorithm = QgsApplication.processingRegistry().algorithmById("lakefloor:mapsheet")
        assert handleAlgorithmResults(algorithm, context, feedback, {})
        return project

    yield load
    project.clear()


def _ticked(group):
    return [(node.name(), node.itemVisibilityChecked()) for node in group.children()]


def test_many_layers_get_one_group_and_the_map_is_ticked(loaded):
    root = loaded(STYLES).layerTreeRoot()
    (group,) = root.children()
    assert isinstance(group, QgsLayerTreeGroup)
    assert group.name().startswith("Lake map, ")
    assert _ticked(group) == [
        ("BREAKLINES", True),
        ("CONTOURS", True),
        ("SOUNDINGS", False),
        ("DEPTH_AREAS", True),
        ("SURFACE", False),
    ]


def test_a_second_run_gets_a_group_of_its_own(loaded):
    loaded(STYLES)
    root = loaded(list(STYLES)[1:], "second").layerTreeRoot()
    assert [len(group.children()) for group in root.children()] == [4, 5]


def test_few_layers_stand_in_order_all_ticked(loaded):
    root = loaded(["SOUNDINGS", "CONTOURS"]).layerTreeRoot()
    assert _ticked(root) == [("CONTOURS", True), ("SOUNDINGS", True)]
