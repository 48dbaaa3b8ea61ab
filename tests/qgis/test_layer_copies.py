"""Soundings copied as their file has them are what QGIS's own writer makes of the layer."""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest
from qgis.core import (
    QgsFeatureRequest,
    QgsProcessingContext,
    QgsVectorFileWriter,
    QgsVectorLayer,
    edit,
)

sys.path.insert(0, str(Path(__file__).parent))
from test_writing_columns import UTM15, Write, same, soundings

from lakefloor.algorithms._io import layer_copies
from lakefloor.algorithms._io.inputs import Inputs
from lakefloor.algorithms._io.layer_copies import copy_vector
from lakefloor.algorithms._io.outputs import Outputs
from lakefloor.algorithms.core.errors import LakefloorError


@pytest.fixture
def survey(qgis_app, feedback, tmp_path):
    """Soundings in a GeoPackage of their own; a call writes them to another place."""

    def write(target=tmp_path / "survey.gpkg", n=2500):
        parameters = {"OUTPUT": str(target)}
        with Outputs(Write().create(), parameters, QgsProcessingContext(), feedback) as outputs:
            outputs.soundings("OUTPUT", soundings(n), UTM15)
        return QgsVectorLayer(outputs.results["OUTPUT"], "survey", "ogr")

    return write


@pytest.fixture
def copy(feedback, tmp_path, monkeypatch):
    """Copy soundings; return the layer, its file, and whether the rows are as they stood."""
    ways, real = [], layer_copies._write_table
    monkeypatch.setattr(
        layer_copies, "_write_table", lambda *given: ways.append(real(*given)) or ways[-1]
    )

    def call(layer):
        inputs = Inputs(Write().create(), {}, QgsProcessingContext(), feedback)
        path = tmp_path / "copies" / "lake.gpkg"
        path.parent.mkdir()
        made = copy_vector(layer, "soundings", path, UTM15, inputs)
        return SimpleNamespace(layer=made, path=path, as_it_stands=ways.pop())

    return call


def by_qgis(layer, path):
    """Copy a layer by QGIS's writer alone."""
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName, options.layerName = "GPKG", "soundings"
    options.attributes = list(range(1, layer.fields().count()))
    context = QgsProcessingContext().transformContext()
    error, *_ = QgsVectorFileWriter.writeAsVectorFormatV3(layer, str(path), context, options)
    assert error == QgsVectorFileWriter.WriterError.NoError
    return path


def rows(layer):
    """Return places and values, but for the numbers of the rows, and but for times."""
    names = [name for name in layer.fields().names() if name not in ("fid", "time")]
    return [(f.geometry().asWkt(9), *(str(f[n]) for n in names)) for f in layer.getFeatures()]


def times(path, table):
    with closing(sqlite3.connect(str(path))) as db:
        return db.execute(f'SELECT time FROM "{table}" ORDER BY fid').fetchall()


@pytest.mark.parametrize("n", [1, 7, 2500])
def test_the_file_is_the_one_of_the_writer(survey, copy, tmp_path, n):
    layer = survey(n=n)
    copied = copy(layer)
    assert copied.as_it_stands
    same(copied.path, by_qgis(layer, tmp_path / "lake.gpkg"))
    assert rows(copied.layer) == rows(layer)
    assert times(copied.path, "soundings") == times(tmp_path / "survey.gpkg", "survey")
    assert copied.layer.extent() == layer.extent()


def test_a_table_among_others_is_found_by_its_name(survey, copy, tmp_path):
    survey()
    target = f"ogr:dbname='{tmp_path / 'survey.gpkg'}' table=\"few\" (geom)"
    layer = survey(target, n=7)
    copied = copy(layer)
    assert copied.as_it_stands
    assert rows(copied.layer) == rows(layer)
    assert copied.layer.featureCount() == 7


def _gap(layer):
    with edit(layer):
        layer.deleteFeatures([3, 4])


def _filter(layer):
    assert layer.setSubsetString("lane > 4")


def _edits(layer):
    layer.startEditing()
    layer.changeAttributeValue(5, layer.fields().indexFromName("lane"), 77)


@pytest.mark.parametrize("change", [_gap, _filter, _edits])
def test_what_is_not_a_whole_table_is_copied_by_the_writer(survey, copy, change):
    layer = survey(n=60)
    change(layer)
    copied = copy(layer)
    assert not copied.as_it_stands
    assert rows(copied.layer) == rows(layer)
    # The writer numbers the rows anew.
    assert [f.id() for f in copied.layer.getFeatures()] == list(range(1, len(rows(layer)) + 1))
    assert all(len(time) == 24 for (time,) in times(copied.path, "soundings") if time)


@pytest.mark.parametrize("extent", [(0.0, 0.0, 9e5, 9e6), (None, None, None, None)])
def test_a_file_that_states_another_extent_than_its_rows_have(survey, copy, tmp_path, extent):
    layer = survey(n=60)
    right = layer.extent()
    with closing(sqlite3.connect(tmp_path / "survey.gpkg")) as db:
        db.execute("UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ?", extent)
        db.commit()
    copied = copy(QgsVectorLayer(layer.source(), "survey", "ogr"))
    assert not copied.as_it_stands
    found = copied.layer.extent()
    # GDAL 3.6 has SQLite print the extent, which does so to 16 digits at most.
    assert (found.xMinimum(), found.yMaximum()) == pytest.approx(
        (right.xMinimum(), right.yMaximum()), rel=1e-14
    )


def test_a_layer_in_memory_is_copied_by_the_writer(survey, copy):
    layer = survey(n=60).materialize(QgsFeatureRequest())
    copied = copy(layer)
    assert not copied.as_it_stands
    assert rows(copied.layer) == rows(layer)


def test_a_failure_of_sqlite_is_told(survey, copy, monkeypatch):
    def full(*_, **__):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(layer_copies, "copy_rows", full)
    with pytest.raises(LakefloorError, match=r"'survey' could not be copied \(database or disk"):
        copy(survey(n=7))
