"""What is released stays: ids, keys, types, defaults, values, outputs, fields, bands, items."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import contract
from every_algorithm import make_lake, steps


@pytest.fixture(scope="module")
def of_results(provider, qgis_app, tmp_path_factory):
    """Entries of what every algorithm writes on a small lake."""
    import processing
    from qgis.core import QgsProcessingContext, QgsProcessingFeedback, QgsProject

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
    return contract.of_results(todo, out)


def _held(kinds, now, request):
    known = contract.committed()
    own = {entry: what for entry, what in known.items() if entry.split()[0] in kinds}
    if request.config.getoption("--add-to-contract"):
        contract.add(known, now)
        own = {**{entry: {"is": what} for entry, what in now.items()}, **own}
    found = contract.problems(own, now)
    assert not found, f"{len(found)} against tests/qgis/contract.json:\n" + "\n".join(found[:40])


def test_ids_parameters_values_and_outputs_stay(provider, request):
    _held({"id", "parameter", "value", "output"}, contract.of_algorithms(provider), request)


def test_fields_bands_and_items_stay(of_results, request):
    _held({"field", "column", "band", "item"}, of_results, request)


def test_every_file_of_results_is_looked_at(of_results):
    """So that the list does not fall silent when a suffix or a layout changes."""
    kinds = [entry.split()[0] for entry in of_results]
    assert kinds.count("field") > 200
    assert kinds.count("band") > 20
    assert kinds.count("item") > 5
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
