"""What others rely on: ids, keys, types, defaults, values, outputs, fields, bands, texts in them.

Each entry is one line, ``kind where what``, with what it is and the version in which it appeared.
"""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from osgeo import gdal
from qgis.core import QgsProcessingModelAlgorithm, QgsProcessingParameterDefinition

from lakefloor.algorithms.core.cleaning import reasons
from lakefloor.algorithms.core.reading.text_log import FLAGGED
from lakefloor.algorithms.core.soundings import ACCEPTED, parse_corrections
from lakefloor.algorithms.core.visits.store_visits import SUPERSEDED

PATH = Path(__file__).with_name("contract.json")
#: What GDAL, SQLite and the GeoPackage standard put into every file.
_NOT_OURS = ("gpkg_", "rtree_", "sqlite_")
_NOT_OUR_ITEMS = {"AREA_OR_POINT"}


def version() -> str:
    """Return the version that this checkout will be released as."""
    metadata = (Path(__file__).resolve().parents[2] / "metadata.txt").read_text(encoding="utf-8")
    return next(line[8:] for line in metadata.splitlines() if line.startswith("version="))


def is_model(algorithm) -> bool:
    return isinstance(algorithm, QgsProcessingModelAlgorithm)


def of_algorithms(provider) -> dict:
    """Return the entries of ids, parameters, values and outputs, models included."""
    found = {}
    for algorithm in provider.algorithms():
        name = algorithm.name()
        found[f"id {name}"] = "model" if is_model(algorithm) else "algorithm"
        for parameter in algorithm.parameterDefinitions():
            key = f"{name} {parameter.name()}"
            optional = parameter.flags() & QgsProcessingParameterDefinition.Flag.FlagOptional
            found[f"parameter {key}"] = {
                "type": parameter.type(),
                "optional": bool(optional),
                "default": _plain(parameter.defaultValue()),
            }
            if parameter.type() == "enum":
                for value in parameter.options():
                    found[f"value {key} {value}"] = "value"
                for old, new in former_values(parameter).items():
                    found[f"former {key} {old}"] = new
        for output in algorithm.outputDefinitions():
            found[f"output {name} {output.name()}"] = output.type()
    return found


def former_values(parameter) -> dict:
    """Return the words that stood in a drop-down before -> those that stand for them now."""
    return (parameter.metadata() or {}).get("former_values") or {}


def of_texts() -> dict:
    """Return the entries of what the field ``status`` of soundings may say."""
    texts = [ACCEPTED, *reasons.REASONS, FLAGGED, f"{SUPERSEDED}..."]
    return {f"status {text}": "status" for text in texts}


def of_results(steps, folder) -> dict:
    """Return the entries of the fields, bands and items of files that algorithms wrote.

    Of ``corrections`` of soundings, the keys are entries too.

    Parameters
    ----------
    steps : iterable of (str, dict)
        Id and parameters of each algorithm that was run.
    folder : Path
        The results are the parameters that lie in it.
    """
    found, seen = {}, set()
    for name, parameters in steps:
        for key, value in parameters.items():
            path = Path(value) if isinstance(value, str) else None
            # A file is described where it was written, not where a later step reads it.
            if path is None or path.parent != folder or path in seen or not path.is_file():
                continue
            seen.add(path)
            found.update(_of_file(f"{name} {key}", path))
    return found


def _of_file(where, path) -> dict:
    if path.suffix == ".tif":
        return _of_raster(where, path)
    if path.suffix == ".csv":
        head = path.read_text(encoding="utf-8-sig").splitlines()[0].split(",")
        return {f"column {where} {name}": "text" for name in head}
    if path.suffix != ".gpkg":
        return {}
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as file:
        tables = [
            name
            for (name,) in file.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
            )
            if not name.startswith(_NOT_OURS)
        ]
        found = {
            f"correction {key}": "key"
            for table in tables
            if "corrections" in _columns(file, table)
            for (text,) in file.execute(f'SELECT DISTINCT corrections FROM "{table}"')
            for key in parse_corrections(text or "")
        }
        # A result of one layer is known by its key, one of several by their names.
        for table in tables:
            prefix = f"{table}." if len(tables) > 1 else ""
            for name, kind in _columns(file, table).items():
                found[f"field {where} {prefix}{name}"] = kind.upper()
        return found


def _columns(file, table) -> dict:
    return {row[1]: row[2] for row in file.execute(f'PRAGMA table_info("{table}")')}


def _of_raster(where, path) -> dict:
    dataset = gdal.Open(str(path))
    found = {
        f"band {where} {number}": dataset.GetRasterBand(number).GetDescription()
        for number in range(1, dataset.RasterCount + 1)
    }
    found.update(
        {f"item {where} {item}": "item" for item in set(dataset.GetMetadata()) - _NOT_OUR_ITEMS}
    )
    return found


def _plain(value):
    try:
        return json.loads(json.dumps(value))
    except TypeError:
        return str(value)


def committed() -> dict:
    """Return the committed entries: {entry: {"is": ..., "since": version}}."""
    return json.loads(PATH.read_text(encoding="utf-8")) if PATH.exists() else {}


def problems(known, now) -> list:
    """Return one sentence for each entry that was dropped, changed or is not yet listed."""
    lines = [
        f"'{entry}' was dropped; it is there since {known[entry]['since']}. Keep it, or go "
        "through the deprecation in DEVELOPERS.md."
        for entry in known
        if entry not in now
    ]
    lines += [
        f"'{entry}' changed from {known[entry]['is']} to {now[entry]}. Users' models and "
        "scripts rely on it: keep it, and accept the new one beside it."
        for entry in known
        if entry in now and known[entry]["is"] != now[entry]
    ]
    lines += [
        f"'{entry}' is not listed. Add it: bash tests/run.sh tests/qgis/test_contract.py "
        "--add-to-contract"
        for entry in now
        if entry not in known
    ]
    return lines


def add(known, now) -> None:
    """Write the list with what is new; what is listed already stays as it is."""
    new = {entry: {"is": what, "since": version()} for entry, what in now.items()}
    rows = sorted({**new, **known}.items())
    body = ",\n".join(f"{json.dumps(entry)}: {json.dumps(what)}" for entry, what in rows)
    PATH.write_text("{\n" + body + "\n}\n", encoding="utf-8")
