"""What an algorithm refuses beforehand it refuses in a model too, in the same words."""

import ast
import inspect
import json
import sys
import textwrap

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingParameterNumber,
    QgsProject,
)

from lakefloor.algorithms import algorithm_classes
from lakefloor.algorithms._base import LakefloorAlgorithm
from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.grid import empty_grid

LAYER, RASTER = "<layer>", "<raster>"

#: What an algorithm with rules of its own needs beside its required parameters.
BASE = {
    "newlake": {"NAME": "Pond"},
    "bringintolake": {"FOLDER": "<folder>"},
    "readlogs": {"FOLDER": "<folder>"},
    "reducetodatum": {"LAKE_LEVEL": 1.0},
    "whatvisitadded": {"YEAR": 2025},
    "mergedatabases": {"OTHER_DATABASE": "<file>"},
    "exportwaypoints": {"INPUT": LAYER},
    "structuresheets": {"STRUCTURES": LAYER},
    "copytoshare": {"MARKS": LAYER},
    "blendsurvey": {"OLDER_RASTER": RASTER},
    "setaside": {"VISITS": "may"},
    "editlogbook": {"OWNER": "Ada"},
    "candidatespots": {"CRITERIA": ["depth", "8 ft", "16 ft", "2"]},
}

#: Algorithm, parameters that break one rule, and a word of the refusal.
RULES = [
    ("newlake", {"NAME": "  "}, "no name"),
    ("newlake", {"TIME_ZONE": "Nowhere/At all"}, "Nowhere"),
    ("bringintolake", {"FOLDER": None}, "nothing to bring in"),
    ("bottomforms", {"FINE_RADIUS": 5.0, "BROAD_RADIUS": 4.0}, "broad radius"),
    ("bottomtype", {"MEDIUM_FROM": 0.7, "HARD_FROM": 0.5}, "higher hardness"),
    ("bottomtype", {"SAMPLES": LAYER}, "class of the samples"),
    ("candidatespots", {"CRITERIA": ["depth", "8 ft", "16 ft"]}, "whole number of rows"),
    ("candidatespots", {"CRITERIA": ["crest", "0", "10", "3"]}, "[Dd]rop-off|[Bb]reak"),
    ("readlogs", {"COLUMNS": "lon3"}, "role=column"),
    ("readlogs", {"TIME_ZONE": "Nowhere/At all"}, "Nowhere"),
    ("readlogs", {"FOLDER": None}, "There are no logs"),
    ("readpointlayer", {"TIME_ZONE": "Nowhere/At all"}, "Nowhere"),
    ("correctdepths", {"WATER_TEMPERATURE": 18.0, "ACTUAL_SOUND_SPEED": 1480.0}, "not both"),
    ("correctdepths", {"WATER_TEMPERATURE": 18.0, "TEMPERATURE_PROFILE": LAYER}, "one of them"),
    ("findbeamwidth", {"MEASURED": LAYER, "DEPTH_FIELD": None}, "field of the measured depths"),
    ("reducetodatum", {"GAUGE": LAYER, "LAKE_LEVEL": 1.0}, "not both"),
    ("reducetodatum", {"LAKE_LEVEL": None, "DATUM_ELEVATION": 2.0}, "no lake level"),
    ("reducetodatum", {"GAUGE_TIME_ZONE": "Nowhere/At all"}, "Nowhere"),
    ("whatvisitadded", {"YEAR": None}, "names of visits or a year"),
    ("mergedatabases", {"OTHER_DATABASE": None}, "either another lake database"),
    ("mergedatabases", {"COPY": LAYER}, "either another lake database"),
    ("setaside", {"VISITS": None}, "an area, a time or visits"),
    ("setaside", {"ACTION": "bottom changed", "AREA": LAYER}, "an area and a day"),
    (
        "setaside",
        {
            "ACTION": "bottom changed",
            "AREA": LAYER,
            "CHANGE_DAY": "2025-10-12",
            "TO_TIME": "2025-10-12T12:00:00",
        },
        "older than its day",
    ),
    (
        "setaside",
        {"FROM_TIME": "2025-10-12T12:00:00", "TO_TIME": "2025-10-12T12:00:00"},
        "ends before it begins",
    ),
    ("editlogbook", {"OWNER": " "}, "nothing to write"),
    ("editlogbook", {"OWNER": None, "NEW_NAME": " ", "SWITCH": "as it is"}, "nothing to write"),
    ("exportwaypoints", {"INPUT": None}, "waypoints, lines, or both"),
    ("exportwaypoints", {"OUTPUT": "<out>/places.xyz"}, "ends in"),
    ("lakeproject", {"OUTPUT": "<beside>"}, "cannot read what is in it"),
    ("structuresheets", {"STRUCTURES": None}, "structures, or breaklines"),
    ("copytoshare", {"MARKS": None}, "layers or marks"),
    ("blendsurvey", {"OLDER_RASTER": None}, "either a raster or contours"),
    ("blendsurvey", {"OLDER_RASTER": None, "OLDER_CONTOURS": LAYER}, "holds the depth"),
]


def _rule_classes():
    return [cls for cls in algorithm_classes() if cls.check is not LakefloorAlgorithm.check]


@pytest.fixture(scope="module")
def things(tmp_path_factory, qgis_app):
    """What stands for the placeholders: a layer, a raster, a file and a folder."""
    folder = tmp_path_factory.mktemp("things")
    ring = [[-93.0, 45.0], [-92.99, 45.0], [-92.99, 45.01], [-93.0, 45.0]]
    (folder / "layer.geojson").write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "features": [
                    {
                        "type": "Feature",
                        "properties": {"name": "a"},
                        "geometry": {"type": "Polygon", "coordinates": [ring]},
                    }
                ],
            }
        )
    )
    grid = empty_grid((5e5, 5e6, 5e5 + 50, 5e6 + 50), 10.0)
    write_raster(
        folder / "raster.tif",
        [grid.like(np.full(grid.shape, 3.0))] * 3,
        BANDS,
        QgsCoordinateReferenceSystem("EPSG:32615"),
        {},
    )
    (folder / "file.gpkg").write_text("x")
    return {
        LAYER: str(folder / "layer.geojson"),
        RASTER: str(folder / "raster.tif"),
        "<file>": str(folder / "file.gpkg"),
        "<folder>": str(folder),
        "<beside>": str(folder / "file.qgz"),
    }


def _parameters(cls, things, out, broken):
    """Return acceptable parameters of an algorithm, but for those in ``broken``."""
    of_type = {"source": LAYER, "vector": LAYER, "raster": RASTER, "file": "<file>"}
    values = {}
    algorithm = cls().create()  # owns its definitions
    for definition in algorithm.parameterDefinitions():
        name = definition.name()
        if definition.isDestination():
            ending = {"folderDestination": ""}.get(
                definition.type(), f".{definition.defaultFileExtension()}"
            )
            values[name] = str(out / f"{name.lower()}{ending}")
        elif not definition.flags() & definition.Flag.FlagOptional:
            default = definition.defaultValue()
            values[name] = (
                {"point": "0,0 [EPSG:32615]", "string": "a"}.get(
                    definition.type(), of_type.get(definition.type())
                )
                if default is None
                else default
            )
    values.update(BASE.get(cls.NAME, {}))
    values.update(broken)
    return {
        name: value.replace("<out>", str(out))
        if str(value).startswith("<out>")
        else things.get(value, value)
        if isinstance(value, str)
        else value
        for name, value in values.items()
        if value is not None
    }


def _one_step_model(cls, parameters, as_inputs):
    """Return a model with one step, and the parameters with which to run it."""
    model = QgsProcessingModelAlgorithm("one step", "test", "test")
    step = QgsProcessingModelChildAlgorithm(f"lakefloor:{cls.NAME}")
    step.setChildId("step")
    source, outputs, given = QgsProcessingModelChildParameterSource, {}, {}
    for definition in step.algorithm().parameterDefinitions():
        name = definition.name()
        if name not in parameters:
            continue
        if definition.isDestination():
            output = QgsProcessingModelOutput(name, name)
            output.setChildId("step")
            output.setChildOutputName(name)
            outputs[name] = output
            given[f"step:{name}"] = parameters[name]
            continue
        chosen = source.fromStaticValue(parameters[name])
        if name in as_inputs:
            # A number without bounds: it is the step that has to look at them.
            free = QgsProcessingParameterNumber(
                name, name, QgsProcessingParameterNumber.Type.Double, None, True
            )
            model.addModelParameter(
                free if definition.type() in ("number", "distance") else definition.clone(),
                QgsProcessingModelParameter(name),
            )
            given[name] = parameters[name]
            chosen = source.fromModelParameter(name)
        step.addParameterSources(name, [chosen])
    step.setModelOutputs(outputs)
    model.addChildAlgorithm(step)
    model.updateDestinationParameters()
    return model, given


def _refused(provider, recorder, things, tmp_path, cls, broken):
    """Run by itself and as a step, twice; return the sentence that refuses it each time."""
    import processing

    out = tmp_path / "out"
    out.mkdir(exist_ok=True)
    parameters = _parameters(cls, things, out, broken)
    with pytest.raises(QgsProcessingException) as refusal:
        processing.run(f"lakefloor:{cls.NAME}", parameters, feedback=recorder())
    sentence = str(refusal.value).rpartition("Unable to execute algorithm\n")[2].strip()
    for as_inputs in ((), tuple(broken)):
        model, given = _one_step_model(cls, parameters, as_inputs)
        context, feedback = QgsProcessingContext(), recorder()
        context.setProject(QgsProject.instance())
        _, done = model.run(given, context, feedback)
        assert not done, f"a model runs {cls.NAME} with {broken}"
        assert sentence in feedback.text
        assert not context.layersToLoadOnCompletion()
    assert list(out.iterdir()) == []
    return sentence


@pytest.mark.parametrize(("name", "broken", "word"), RULES)
def test_rule_holds_in_a_model(provider, recorder, things, tmp_path, name, broken, word):
    import re

    cls = next(cls for cls in algorithm_classes() if name == cls.NAME)
    sentence = _refused(provider, recorder, things, tmp_path, cls, broken)
    assert re.search(word, sentence), sentence


@pytest.mark.parametrize("cls", _rule_classes(), ids=lambda cls: cls.NAME)
def test_every_rule_in_the_code_has_its_row(provider, things, tmp_path, cls):
    """Each ``raise`` of a check is reached by a row of the table."""
    rows = [broken for name, broken, _ in RULES if name == cls.NAME]
    assert rows, f"{cls.NAME} has rules, and no row in RULES"
    lines, first = inspect.getsourcelines(cls.check)
    tree = ast.parse(textwrap.dedent("".join(lines)))
    wanted = {first + node.lineno - 1 for node in ast.walk(tree) if isinstance(node, ast.Raise)}
    seen = set()

    def trace(frame, event, arg):
        if frame.f_code is cls.check.__code__:
            seen.add(frame.f_lineno)
        return trace

    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    for broken in rows:
        algorithm = cls().create()
        before = sys.gettrace()
        sys.settrace(trace)
        try:
            algorithm.checkParameterValues(_parameters(cls, things, tmp_path, broken), context)
        finally:
            sys.settrace(before)
    assert wanted <= seen, f"no row for what {cls.NAME} refuses in lines {sorted(wanted - seen)}"


def _beyond_bounds(cls):
    algorithm = cls().create()
    for definition in algorithm.parameterDefinitions():
        if definition.type() not in ("number", "distance"):
            continue
        if definition.minimum() > -1e300:
            yield definition.name(), definition.minimum() - 1.0
        if definition.maximum() < 1e300:
            yield definition.name(), definition.maximum() + 1.0


@pytest.mark.parametrize("cls", algorithm_classes(), ids=lambda cls: cls.NAME)
def test_bounds_hold_in_a_model(provider, recorder, things, tmp_path, cls):
    for name, value in _beyond_bounds(cls):
        sentence = _refused(provider, recorder, things, tmp_path, cls, {name: value})
        algorithm = cls().create()
        label = algorithm.parameterDefinition(name).description()
        # Beyond its bounds it is beyond the other threshold too, which is said first.
        if name not in ("MEDIUM_FROM", "HARD_FROM"):
            assert label in sentence or name in sentence, (name, sentence)
