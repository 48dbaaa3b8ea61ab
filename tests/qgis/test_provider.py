"""Every algorithm is fully described, and the plugin loads and unloads."""

import re

import pytest
from qgis.core import QgsApplication, QgsProcessingModelAlgorithm

from lakefloor.algorithms import algorithm_classes
from lakefloor.plugin.main import LakefloorPlugin
from lakefloor.plugin.provider import LakefloorProvider


@pytest.mark.parametrize("cls", algorithm_classes(), ids=lambda c: c.NAME)
def test_algorithm_is_described(cls, qgis_app):
    algorithm = cls().create()
    assert re.fullmatch(r"[a-z0-9]+", algorithm.name())
    assert algorithm.displayName()[0].isupper()
    assert algorithm.group()
    assert algorithm.tags()
    assert len(algorithm.shortHelpString()) > 100
    assert not algorithm.icon().isNull()
    assert algorithm.outputDefinitions()
    for definition in algorithm.parameterDefinitions():
        assert re.fullmatch(r"[A-Z][A-Z0-9_]*", definition.name())
        assert definition.description()
        if not definition.isDestination():
            assert definition.help(), f"{cls.NAME}: {definition.name()} has no help"


def test_ids_are_unique():
    names = [cls.NAME for cls in algorithm_classes()]
    assert len(names) == len(set(names))


def test_models_are_complete(provider):
    models = [a for a in provider.algorithms() if isinstance(a, QgsProcessingModelAlgorithm)]
    assert models
    for model in models:
        valid, problems = model.validate()
        assert valid, problems
        assert model.outputDefinitions()


def test_plugin_loads_and_unloads_twice(qgis_app, provider):
    registry = QgsApplication.processingRegistry()
    registry.removeProvider("lakefloor")
    try:
        for _ in range(2):
            plugin = LakefloorPlugin(None)
            plugin.initProcessing()
            assert registry.providerById("lakefloor") is not None
            plugin.unload()
            assert registry.providerById("lakefloor") is None
    finally:
        # The other tests of this run go on with a provider of the same id.
        registry.addProvider(LakefloorProvider())
