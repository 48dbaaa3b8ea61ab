"""A shipped model can be copied to one's own models, changed there, and run."""

import sys
from pathlib import Path

import pytest
from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingModelAlgorithm, QgsProject

pytest.importorskip("qgis.gui")
sys.path.insert(0, str(Path(__file__).parent))
from lakes import RADIUS, X, Y, shore
from test_plan import made_surface


@pytest.fixture
def actions(provider, tmp_path, monkeypatch):
    """The module, with a folder of its own for the user's models."""
    from processing.modeler.ModelerAlgorithmProvider import ModelerAlgorithmProvider
    from processing.modeler.ModelerUtils import ModelerUtils

    from lakefloor.plugin import model_actions

    folder = tmp_path / "models"
    folder.mkdir()
    monkeypatch.setattr(ModelerUtils, "modelsFolders", staticmethod(lambda: [str(folder)]))
    registry = QgsApplication.processingRegistry()
    own = registry.providerById("model")
    added = own is None
    if added:
        own = ModelerAlgorithmProvider()
        registry.addProvider(own)
    own.refreshAlgorithms()
    yield model_actions
    if added:
        registry.removeProvider(own)


def test_the_menu_offers_it_on_shipped_models_only(provider, actions):
    from processing.gui.ProviderActions import ProviderContextMenuActions

    before = list(ProviderContextMenuActions.actions)
    (action,) = actions.register()
    assert action in ProviderContextMenuActions.actions
    for name, offered in (("logstolakemap", True), ("maplakedatabase", True), ("readlogs", False)):
        action.setData(provider.algorithm(name), None)
        assert action.isEnabled() == offered
    actions.unregister([action])
    assert ProviderContextMenuActions.actions == before


def test_every_copy_is_a_valid_model_under_a_free_name(provider, actions, tmp_path):
    for model in provider.algorithms():
        if not isinstance(model, QgsProcessingModelAlgorithm):
            continue
        names = []
        for _ in range(2):
            copy = actions.copy_to_own(model)
            names.append(copy.name())
            assert copy.provider().id() == "model"
            assert copy.validate() == (True, [])
            assert Path(copy.sourceFilePath()).parent == tmp_path / "models"
            kinds = [[p.name() for p in each.parameterDefinitions()] for each in (copy, model)]
            assert kinds[0] == kinds[1]
        shown = model.title()
        assert names == [f"{shown} (copy)", f"{shown} (copy 2)"]
    assert len(list((tmp_path / "models").iterdir())) == 14


def test_a_copy_runs_in_qgis_own_way(provider, actions, tmp_path, recorder, memory_layer):
    copy = actions.copy_to_own(provider.algorithm("planthenextouting")).create()
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    feedback = recorder()
    parameters = {
        "SURFACE": made_surface(tmp_path),
        "SHORELINE": memory_layer("Polygon", [shore().wkt]),
        "LAUNCH": f"{X},{Y - RADIUS} [EPSG:32615]",
        "nextouting:Route for the GPS device": str(tmp_path / "route.gpx"),
    }
    for output in copy.destinationParameterDefinitions():
        parameters.setdefault(output.name(), "TEMPORARY_OUTPUT")
    _, done = copy.run(parameters, context, feedback)
    assert done, feedback.text
    assert (tmp_path / "route.gpx").read_text(encoding="utf-8").startswith("<?xml")


def test_a_folder_that_cannot_be_written_is_told(provider, actions, tmp_path):
    from lakefloor.algorithms.core.errors import LakefloorError

    (tmp_path / "models").rmdir()
    with pytest.raises(LakefloorError, match="cannot be written"):
        actions.copy_to_own(provider.algorithm("addavisit"))


def test_the_action_opens_the_designer(provider, actions, qgis_app, monkeypatch):
    import importlib

    designers = importlib.import_module("processing.modeler.ModelerDialog")
    # The stand-in for the window has no icon size.
    monkeypatch.setattr(designers, "iface", None)
    action = actions.CopyModelAction()
    action.setData(provider.algorithm("logstodatabase"), None)
    action.execute()
    designer = designers.ModelerDialog.dlgs[-1]
    assert designer.model().name() == "Logs to lake database (copy)"
    assert len(designer.model().childAlgorithms()) == 6
    designer.close()
