"""Every algorithm is fully described, and the plugin loads and unloads."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from qgis.core import (
    QgsProcessingModelAlgorithm,
    QgsProcessingParameterDistance,
    QgsProcessingParameterNumber,
    QgsUnitTypes,
)

from lakefloor.algorithms import algorithm_classes


@pytest.mark.parametrize("cls", algorithm_classes(), ids=lambda c: c.NAME)
def test_algorithm_is_described(cls, qgis_app):
    algorithm = cls().create()
    assert re.fullmatch(r"[a-z0-9]+", algorithm.name())
    assert algorithm.title()[0].isupper()
    assert algorithm.displayName().endswith(f" {algorithm.title()}")
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


@pytest.mark.parametrize("cls", algorithm_classes(), ids=lambda c: c.NAME)
def test_a_distance_has_a_unit(cls, qgis_app):
    """Without one QGIS's model designer writes '<unknown>' beside it."""
    algorithm = cls().create()
    for definition in algorithm.parameterDefinitions():
        if isinstance(definition, QgsProcessingParameterDistance):
            assert definition.defaultUnit() == QgsUnitTypes.DistanceUnit.DistanceMeters


def test_reports_are_told_apart_in_the_results_viewer(qgis_app):
    """It lists them by the description of the output alone."""
    algorithms = [cls().create() for cls in algorithm_classes()]
    labels = [
        output.description()
        for algorithm in algorithms
        for output in algorithm.outputDefinitions()
        if output.type() == "outputHtml"
    ]
    assert len(labels) >= 5
    assert len(labels) == len(set(labels))


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
        for definition in model.parameterDefinitions():
            if definition.name() == "SPOTS":
                assert definition.dataType() == QgsProcessingParameterNumber.Type.Integer


def test_plugin_loads_and_unloads_twice():
    """In a QGIS of its own, since the other tests of this run hold the provider."""
    script = f"""
import sys
sys.path.insert(0, {str(Path(__file__).resolve().parents[1])!r})
import conftest
from qgis.core import QgsApplication
application = QgsApplication([], False)
application.initQgis()
import lakefloor
registry = QgsApplication.processingRegistry()
for _ in range(2):
    plugin = lakefloor.classFactory(None)
    plugin.initProcessing()
    assert len(registry.providerById("lakefloor").algorithms()) > 20
    plugin.unload()
    assert registry.providerById("lakefloor") is None
print("loaded and unloaded twice")
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert "loaded and unloaded twice" in done.stdout, done.stderr


def test_the_readme_lists_the_toolbox_as_it_stands(provider):
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    rows = [
        line.split(" | ") for line in text.splitlines() if re.match(r"\| (\d [^|]+|)\| \d", line)
    ]
    listed, group = [], ""
    for first, name, _ in rows:
        group = first.lstrip("| ") or group
        listed.append((group, name))
    shown = sorted((a.group(), a.displayName()) for a in provider.algorithms())
    assert listed == shown
