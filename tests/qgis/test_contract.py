"""What is released stays: ids, keys, types, defaults, values, outputs, fields, bands, items."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal

sys.path.insert(0, str(Path(__file__).parent))
import contract
from every_algorithm import make_lake, steps
from qgis.core import QgsProcessingContext, QgsProcessingFeedback, QgsProject

from lakefloor.algorithms import algorithm_classes
from lakefloor.algorithms._io import inputs


@pytest.fixture(scope="module")
def every_run(provider, qgis_app, tmp_path_factory):
    """Every algorithm after its run on a small lake: id and parameters of each, and the folder."""
    import processing

    folder = tmp_path_factory.mktemp("contract")
    lake, out = folder / "lake", folder / "out"
    make_lake(lake)
    out.mkdir()
    todo = steps(lake, out)
    for name, parameters in todo:
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        processing.run(
            f"lakefloor:{name}", parameters, feedback=QgsProcessingFeedback(False), context=context
        )
    return todo, out


@pytest.fixture(scope="module")
def of_results(every_run):
    """Entries of what every algorithm writes."""
    return contract.of_results(*every_run)


def _held(kinds, now, request):
    known = contract.committed()
    own = {entry: what for entry, what in known.items() if entry.split()[0] in kinds}
    if request.config.getoption("--add-to-contract"):
        contract.add(known, now)
        own = {**{entry: {"is": what} for entry, what in now.items()}, **own}
    found = contract.problems(own, now)
    assert not found, f"{len(found)} against tests/qgis/contract.json:\n" + "\n".join(found[:40])


def test_ids_parameters_values_and_outputs_stay(provider, request):
    kinds = {"id", "parameter", "value", "former", "output"}
    _held(kinds, contract.of_algorithms(provider), request)


def test_fields_bands_and_items_stay(of_results, request):
    _held({"field", "column", "band", "item", "correction"}, of_results, request)


def test_words_of_the_status_stay(request):
    _held({"status"}, contract.of_texts(), request)


def test_every_file_of_results_is_looked_at(of_results):
    """So that the list does not fall silent when a suffix or a layout changes."""
    kinds = [entry.split()[0] for entry in of_results]
    assert kinds.count("field") > 200
    assert kinds.count("band") > 20
    assert kinds.count("item") > 5
    assert kinds.count("correction") > 5
    assert any(entry.endswith(" depth_m") for entry in of_results)


def test_dropping_changing_and_adding_are_told_apart():
    known = {
        "id a": {"is": "algorithm", "since": "0.1.0"},
        "parameter a KEY": {"is": {"type": "number"}, "since": "0.1.0"},
    }
    same = {"id a": "algorithm", "parameter a KEY": {"type": "number"}}
    assert contract.problems(known, same) == []
    (dropped,) = contract.problems(known, {"id a": "algorithm"})
    assert "'parameter a KEY' was dropped; it is there since 0.1.0" in dropped
    (changed,) = contract.problems(known, {**same, "parameter a KEY": {"type": "enum"}})
    assert "'parameter a KEY' changed" in changed
    (new,) = contract.problems(known, {**same, "output a OUTPUT": "outputVector"})
    assert "--add-to-contract" in new


def test_each_entry_has_the_version_in_which_it_appeared():
    known = contract.committed()
    assert len(known) > 500
    for entry, what in known.items():
        assert set(what) == {"is", "since"}, entry
        assert all(part.isdigit() for part in what["since"].split(".")), entry


# -- values of earlier versions ---------------------------------------------------------


def _with_former(algorithm):
    return [
        (definition.name(), old, new)
        for definition in algorithm.parameterDefinitions()
        for old, new in contract.former_values(definition).items()
    ]


def _context():
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    return context


def _words_that_arrive(cls, parameters, key, monkeypatch) -> list:
    """Return what ``compute`` reads of one parameter when the algorithm runs in earnest."""
    arrived = []
    monkeypatch.setattr(
        cls, "compute", lambda self, inputs, outputs: arrived.append(inputs.choice(key))
    )
    algorithm = cls().create()
    algorithm.run(parameters, _context(), QgsProcessingFeedback(False), {}, False)
    return arrived


@pytest.mark.parametrize("cls", algorithm_classes(), ids=lambda cls: cls.NAME)
def test_former_values_are_accepted_and_mean_what_they_did(cls, every_run, monkeypatch):
    given = dict(reversed(every_run[0]))[cls.NAME]
    for key, old, new in _with_former(cls().create()):
        algorithm = cls().create()
        accepted = algorithm.checkParameterValues({**given, key: new}, _context())
        assert algorithm.checkParameterValues({**given, key: old}, _context()) == accepted
        assert not algorithm.checkParameterValues({**given, key: f"{old}?"}, _context())[0]
        if accepted[0]:
            assert _words_that_arrive(cls, {**given, key: old}, key, monkeypatch) == [new]


def test_a_former_value_gives_the_same_surface(every_run, run, tmp_path):
    given, made = dict(every_run[0])["bottomslope"], []
    for word in ("zevenbergen", "four neighbors", "eight neighbors"):
        out = str(tmp_path / f"{word}.tif")
        run("bottomslope", {**given, "METHOD": word, "OUTPUT": out})
        made.append(gdal.Open(out).ReadAsArray())
    assert np.array_equal(made[0], made[1], equal_nan=True)
    assert not np.array_equal(made[0], made[2], equal_nan=True)


def _filled(model, lake, out):
    """Return what the inputs of a model need, whatever they are for."""
    kinds = {
        "raster": out / "smooth.tif",
        "source": lake / "shoreline.geojson",
        "multilayer": [str(lake / "logs")],
        "file": lake / "logs",
    }
    own = {
        "SOUNDINGS": str(out / "soundings.gpkg"),
        "DATABASE": str(out / "store.gpkg"),
        "LEVEL": 300.0,
        "LAUNCH": dict(steps(lake, out))["nextouting"]["LAUNCH"],
        "GAUGE": None,
        "LOGS": None,
    }
    given = {}
    for definition in model.parameterDefinitions():
        key = definition.name()
        if definition.isDestination():
            given[key] = "TEMPORARY_OUTPUT"
        elif definition.defaultValue() is None and definition.type() in kinds:
            value = kinds[definition.type()]
            given[key] = value if isinstance(value, list) else str(value)
    return {**given, **{k: v for k, v in own.items() if model.parameterDefinition(k)}}


@pytest.fixture
def given_to_steps(monkeypatch):
    """The parameters that models hand to the rules of their steps."""
    seen = []

    def watched(algorithm, parameters, context):
        seen.append(parameters)
        return of_step(algorithm, parameters, context)

    of_step = inputs.Inputs
    monkeypatch.setattr(inputs, "Inputs", watched)
    return seen


def test_models_accept_former_values_too(provider, every_run, given_to_steps):
    out = every_run[1]
    looked_at = 0
    for model in filter(contract.is_model, provider.algorithms()):
        given = _filled(model, out.parent / "lake", out)
        for key, old, new in _with_former(model):
            given_to_steps.clear()
            accepted, wrong = model.checkParameterValues({**given, key: old}, _context())
            assert accepted, f"{model.name()}: {wrong}"
            values = [value for step in given_to_steps for value in map(str, step.values())]
            assert new in values
            assert old not in values
            assert not model.checkParameterValues({**given, key: f"{old}?"}, _context())[0]
            looked_at += 1
    assert looked_at >= 10
