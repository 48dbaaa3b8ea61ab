"""The provider in a real QGIS, and short ways to run algorithms."""

import os
import sys

import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")
pytest.importorskip("pytest_qgis", reason="pytest-qgis is not installed")

from qgis.core import (
    QgsApplication,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)

from lakefloor.plugin.provider import LakefloorProvider


@pytest.fixture(scope="session")
def provider(qgis_app, qgis_processing):
    """Register the provider once for all tests."""
    registered = LakefloorProvider()
    registry = QgsApplication.processingRegistry()
    assert registry.addProvider(registered)
    yield registered
    registry.removeProvider("lakefloor")


class Recorder(QgsProcessingFeedback):
    """A feedback that keeps what the user would read, and can cancel at a progress step."""

    def __init__(self, cancel_at=None):
        super().__init__(False)
        self.messages = []
        self.warnings = []
        self.errors = []
        if cancel_at is not None:
            self.progressChanged.connect(
                lambda percent: self.cancel() if percent >= cancel_at else None
            )

    def pushInfo(self, info):
        self.messages.append(info)

    def pushWarning(self, warning):
        self.messages.append(warning)
        self.warnings.append(warning)

    def reportError(self, error, fatalError=False):
        self.errors.append(error)

    @property
    def text(self):
        return "\n".join(self.messages + self.errors)


@pytest.fixture
def feedback():
    return Recorder()


@pytest.fixture
def recorder():
    """The class itself, for a test that needs ``cancel_at``."""
    return Recorder


@pytest.fixture
def run(provider):
    """Run an algorithm as a model or script does: checks the parameters, then runs.

    ``run("depthcontours", {...})`` returns the results; layers made in memory
    are returned as layers. A refusal or a failure raises QgsProcessingException, and so does a
    cancel, after which QGIS returns no results.
    """
    import processing

    def call(name, parameters, feedback=None, context=None):
        if context is None:
            context = QgsProcessingContext()
            context.setProject(QgsProject.instance())
        told = feedback or Recorder()
        results = processing.run(f"lakefloor:{name}", parameters, feedback=told, context=context)
        if told.isCanceled() and not results:
            raise QgsProcessingException(told.text)
        return results

    return call


@pytest.fixture
def memory_layer():
    """Make a memory layer from WKT: ``memory_layer("Polygon", ["POLYGON((...))"], crs=...)``."""
    from qgis.core import QgsFeature, QgsGeometry

    def make(kind, wkts, crs="EPSG:32615", fields="", rows=None, name="layer"):
        layer = QgsVectorLayer(f"{kind}?crs={crs}{'&' + fields if fields else ''}", name, "memory")
        assert layer.isValid()
        features = []
        for i, wkt in enumerate(wkts):
            feature = QgsFeature(layer.fields())
            if wkt is not None:
                feature.setGeometry(QgsGeometry.fromWkt(wkt))
            if rows is not None:
                feature.setAttributes(list(rows[i]))
            features.append(feature)
        layer.dataProvider().addFeatures(features)
        layer.updateExtents()
        return layer

    return make


_status = 0


def pytest_sessionfinish(session, exitstatus):
    global _status
    _status = int(exitstatus)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config):
    """Leave without Python's own teardown.

    Layers that a failed run's traceback still holds are destroyed after QGIS has shut down, and
    that ends in a segmentation fault whatever the tests said.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(_status)
