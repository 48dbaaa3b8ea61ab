"""What counts as a parameter that was left empty."""

import pytest
from qgis.core import NULL, QgsProcessingAlgorithm, QgsProcessingContext, QgsProperty

from lakefloor.algorithms import _params as params


class Numbers(QgsProcessingAlgorithm):
    """Two optional numbers, one of them with a default, and a unit."""

    def initAlgorithm(self, configuration=None):
        self.addParameter(params.number("BARE", "Bare", None, "Help.", optional=True))
        self.addParameter(params.number("FILLED", "Filled", 2.5, "Help.", optional=True))
        self.addParameter(params.depth_unit())

    def createInstance(self):
        return type(self)()


@pytest.fixture
def numbers(qgis_app):
    # The original is kept: QGIS does not own what Python made.
    return Numbers().create()


@pytest.mark.parametrize("value", [None, NULL, "", "  ", QgsProperty.fromExpression("NULL")],
                         ids=["None", "NULL", "empty", "blank", "expression"])
@pytest.mark.parametrize("name", ["BARE", "FILLED"])
def test_emptied(numbers, name, value):
    context = QgsProcessingContext()
    assert not params.given(numbers, {name: value}, name, context)
    assert params.optional_number(numbers, {name: value}, name, context) is None
    assert params.optional_depth(numbers, {name: value}, name, context) is None


@pytest.mark.parametrize("value", [0, 0.0, "0", QgsProperty.fromExpression("1 - 1")],
                         ids=["int", "float", "text", "expression"])
def test_zero_is_a_number(numbers, value):
    context = QgsProcessingContext()
    assert params.given(numbers, {"BARE": value}, "BARE", context)
    assert params.optional_number(numbers, {"BARE": value}, "BARE", context) == 0.0


def test_what_is_not_named_has_its_default(numbers):
    context = QgsProcessingContext()
    assert params.optional_number(numbers, {}, "BARE", context) is None
    assert params.optional_number(numbers, {}, "FILLED", context) == 2.5


def test_depth_in_the_unit_of_depth(numbers):
    """A foot is 0.3048 m (international yard and pound agreement, 1959)."""
    context = QgsProcessingContext()
    assert params.optional_depth(
        numbers, {"BARE": 2, "UNIT": "ft"}, "BARE", context) == pytest.approx(0.6096)
    assert params.optional_depth(numbers, {"BARE": 2, "UNIT": "m"}, "BARE", context) == 2.0
