"""What counts as a parameter that was left empty."""

import pytest
from qgis.core import NULL, QgsProcessingAlgorithm, QgsProcessingContext, QgsProperty

from lakefloor.algorithms._help import help_html
from lakefloor.algorithms._io import params
from lakefloor.algorithms._io.inputs import Inputs


class Numbers(QgsProcessingAlgorithm):
    """Two optional numbers, one of them with a default, and a unit."""

    def initAlgorithm(self, configuration=None):
        self.addParameter(params.number("BARE", "Bare", None, "Help.", optional=True))
        self.addParameter(params.number("FILLED", "Filled", 2.5, "Help.", optional=True))
        self.addParameter(params.depth_unit())

    def createInstance(self):
        return type(self)()


def _expression(text):
    return QgsProperty.fromExpression(f"'{text}'")


@pytest.fixture
def numbers(qgis_app):
    # The original is kept: QGIS does not own what Python made.
    return Numbers().create()


def given(numbers, **values):
    context = QgsProcessingContext()
    return Inputs(numbers, params.with_current_values(numbers, values, context), context)


@pytest.mark.parametrize(
    "value",
    [None, NULL, "", "  ", QgsProperty.fromExpression("NULL")],
    ids=["None", "NULL", "empty", "blank", "expression"],
)
@pytest.mark.parametrize("name", ["BARE", "FILLED"])
def test_emptied(numbers, name, value):
    inputs = given(numbers, **{name: value})
    assert not inputs.given(name)
    assert inputs.number(name) is None
    assert inputs.depth(name) is None


@pytest.mark.parametrize(
    "value",
    [0, 0.0, "0", QgsProperty.fromExpression("1 - 1")],
    ids=["int", "float", "text", "expression"],
)
def test_zero_is_a_number(numbers, value):
    inputs = given(numbers, BARE=value)
    assert inputs.given("BARE")
    assert inputs.number("BARE") == 0.0


def test_what_is_not_named_has_its_default(numbers):
    assert given(numbers).number("BARE") is None
    assert given(numbers).number("FILLED") == 2.5


@pytest.mark.parametrize(("feet", "meters"), [("feet", "meters"), ("ft", "m")])
def test_depth_in_the_unit_of_depth(numbers, feet, meters):
    """A foot is 0.3048 m (international yard and pound agreement, 1959)."""
    assert given(numbers, BARE=2, UNIT=feet).depth("BARE") == pytest.approx(0.6096)
    assert given(numbers, BARE=2, UNIT=meters).depth("BARE") == 2.0
    assert given(numbers, UNIT=feet).unit() == "ft"


@pytest.mark.parametrize("given_as", [str, QgsProperty.fromValue, _expression])
def test_a_drop_down_takes_words_and_what_stood_for_them(numbers, given_as):
    """QGIS takes the default for a word of an expression that it does not know."""
    context = QgsProcessingContext()
    for value in ("meters", "m"):
        current = params.with_current_values(numbers, {"UNIT": given_as(value)}, context)
        assert numbers.checkParameterValues(current, context)[0]
        assert Inputs(numbers, current, context).choice("UNIT") == "meters"
    current = params.with_current_values(numbers, {"UNIT": given_as("furlong")}, context)
    assert not numbers.checkParameterValues(current, context)[0]


def test_help_of_a_drop_down_keeps_its_lines(qgis_app):
    options = {"tracks": "a device draws them", "routes": "a device steers along them", "both": ""}
    choice = params.choice("AS", "Write as", options, "tracks", "Kind of line.")
    told = [
        "Kind of line.",
        "'tracks': a device draws them.",
        "'routes': a device steers along them.",
    ]
    # The dialog shows it as HTML, ``qgis_process help`` as it is.
    assert choice.help().split("\n") == told
    assert choice.help() in choice.toolTip()


def test_items_of_a_help_are_a_list(qgis_app):
    assert help_html("What it does.\n\nFields:\n- a: one\n- b: two\n\nOne caution.") == (
        "<p>What it does.</p><p>Fields:</p><ul><li>a: one</li><li>b: two</li></ul>"
        "<p>One caution.</p>"
    )
