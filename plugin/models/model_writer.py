"""What the shipped models are written with: a model under construction, and its inputs."""

import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsProcessing,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QPointF

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]

sys.path.insert(0, str(ROOT / ".ci"))
import checkout  # noqa: E402, F401

from lakefloor.algorithms._io import params  # noqa: E402
from lakefloor.algorithms.soundings._first_look import ENTER, STOP  # noqa: E402, F401
from lakefloor.algorithms.soundings.read_logs import AS_STATED  # noqa: E402, F401
from lakefloor.plugin.provider import LakefloorProvider  # noqa: E402
from lakefloor.plugin.shipped_model import DESCRIPTION, FORM, SHOWN_NAME, TAGS  # noqa: E402

#: More are too many for a person who meets the form for the first time.
MOST_VISIBLE = 7


def load_provider():
    """Register the provider of this checkout."""
    provider = LakefloorProvider()
    QgsApplication.processingRegistry().addProvider(provider)
    return provider


class Model:
    """A model under construction, laid out in columns.

    Parameters
    ----------
    shown : str
        Its name in the toolbox.
    tags : str
        With commas between them.
    help_text : str
    visible : iterable of str
        Names of the inputs and outputs that every user sees, at most seven; an output is named by
        its child and its label, as in "mapsheet:Map sheet". All others are folded.
    name : str, optional
        In lower case and without blanks this is its id; with underscores, the name of its file.
        If not given, it is ``shown``.
    """

    def __init__(self, shown, tags, help_text, visible, name=None):
        self._visible = set(visible)
        if len(self._visible) > MOST_VISIBLE:
            raise SystemExit(f"{shown} shows more than {MOST_VISIBLE} fields")
        self._words = (name or shown).lower().split()
        self.algorithm = QgsProcessingModelAlgorithm(
            "".join(self._words), "Lakefloor models", "lakefloormodels"
        )
        self._inputs = []
        self._children = 0
        self._help = {
            SHOWN_NAME: shown, TAGS: tags, DESCRIPTION: help_text, FORM: ",".join(visible),
            "ALG_CREATOR": "Lakefloor",
        }  # fmt: skip

    def input(self, parameter, help_text):
        """Add a parameter of the model."""
        parameter.setHelp(help_text)
        if parameter.name() not in self._visible:
            parameter.setFlags(
                parameter.flags() | QgsProcessingParameterDefinition.Flag.FlagAdvanced
            )
        self._help[parameter.name()] = help_text
        component = QgsProcessingModelParameter(parameter.name())
        column, row = divmod(len(self._inputs), 8)
        component.setPosition(QPointF(200.0 + 260.0 * column, 80.0 + 90.0 * row))
        self.algorithm.addModelParameter(parameter, component)
        self._inputs.append(parameter.name())

    def child(self, child_id, values, outputs=(), others=()):
        """Add a child algorithm of this provider whose id is its algorithm's name.

        Parameters
        ----------
        values : dict
            ``"@NAME"`` takes the model's parameter, ``("child", "OUTPUT")`` a
            child's output, anything else is a constant; unnamed parameters keep
            their default.
        outputs : dict
            Child output name -> name of the model's output.
        others : iterable of str
            Outputs of the child that are no destinations, such as numbers, which the model
            hands on under their names.
        """
        child = QgsProcessingModelChildAlgorithm(f"lakefloor:{child_id}")
        child.setChildId(child_id)
        algorithm = child.algorithm()
        child.setDescription(algorithm.title())
        unknown = set(values) - {p.name() for p in algorithm.parameterDefinitions()}
        if unknown:
            raise SystemExit(f"{child_id} has no parameter {sorted(unknown)}")
        source = QgsProcessingModelChildParameterSource
        for definition in algorithm.parameterDefinitions():
            if definition.isDestination():
                continue
            value = values.get(definition.name(), definition.defaultValue())
            if isinstance(value, str) and value.startswith("@"):
                chosen = source.fromModelParameter(value[1:])
            elif isinstance(value, tuple):
                chosen = source.fromChildOutput(*value)
            else:
                chosen = source.fromStaticValue(value)
            child.addParameterSources(definition.name(), [chosen])
        model_outputs = {}
        position = QPointF(
            900.0 + 300.0 * (self._children // 5), 120.0 + 140.0 * (self._children % 5)
        )
        handed_on = {**dict(outputs), **{name: name for name in others}}
        for output, label in handed_on.items():
            model_output = QgsProcessingModelOutput(label, label)
            model_output.setChildId(child_id)
            model_output.setChildOutputName(output)
            model_output.setPosition(QPointF(position.x() + 200.0, position.y() + 60.0))
            model_outputs[label] = model_output
        child.setModelOutputs(model_outputs)
        child.setPosition(position)
        self.algorithm.addChildAlgorithm(child)
        self._children += 1

    def write(self):
        """Validate and write the model."""
        path = HERE / ("_".join(self._words) + ".model3")
        self.algorithm.setHelpContent(self._help)
        self.algorithm.setParameterOrder(self._inputs)
        self.algorithm.updateDestinationParameters()
        there = {definition.name() for definition in self.algorithm.parameterDefinitions()}
        if missing := self._visible - there:
            raise SystemExit(f"{path.name} has no fields {sorted(missing)}")
        valid, problems = self.algorithm.validate()
        if not valid:
            raise SystemExit("\n".join(problems))
        if not self.algorithm.toFile(str(path)):
            raise SystemExit(f"cannot write {path}")
        print(path)


class ModelInputs:
    """Short ways to declare the parameters of a model."""

    def __init__(self, model):
        self.add = model.input

    def number(self, name, label, default, help_text, optional=False):
        kinds = QgsProcessingParameterNumber.Type
        kind = kinds.Integer if isinstance(default, int) else kinds.Double
        self.add(QgsProcessingParameterNumber(name, label, kind, default, optional), help_text)

    def text(self, name, label, default, help_text, optional=False):
        self.add(QgsProcessingParameterString(name, label, default, False, optional), help_text)

    def choice(self, name, label, options, default, help_text, former=None):
        self.add(params.choice(name, label, options, default, help_text, former=former), help_text)

    def surface(self):
        self.add(
            QgsProcessingParameterRasterLayer("SURFACE", "Depth surface"),
            "Depth in meters, positive down, with an uncertainty band and a distance band. Smooth "
            "surface makes such a raster.",
        )

    def shoreline(self):
        self.vector(
            "SHORELINE",
            "Shoreline",
            QgsProcessing.SourceType.TypeVectorPolygon,
            "Polygon of the lake at the lake datum, with islands as holes.",
        )

    def contours(self):
        self.choice(
            "UNIT", "Depth unit", ["feet", "meters"], "feet", "Depths on the map are in it."
        )
        self.number(
            "INTERVAL", "Contour interval (depth unit)", 1.0, "Depth from one contour to the next."
        )

    def page_size(self, help_text):
        self.choice(
            "PAGE_SIZE", "Page size", ["A4", "A3", "Letter", "Tabloid"], "Letter", help_text
        )

    def vector(self, name, label, kind, help_text, optional=False):
        self.add(
            QgsProcessingParameterFeatureSource(name, label, [kind], optional=optional), help_text
        )
