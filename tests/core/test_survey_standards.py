"""Tolerances of published survey standards."""

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.visits.survey_standards import ORDERS, tvu, usace_tolerance

FOOT = 0.3048

# IHO S-44 edition 6, sqrt(a^2 + (b d)^2), worked apart from this code with the terms published in
# open hydrographic software; the standard's own table 1 was not seen.
TVU = [
    # depth in ft, order, m, ft
    (20, "exclusive", 0.1568, 0.514),
    (20, "special", 0.2541, 0.834),
    (20, "1a", 0.5062, 1.661),
    (20, "1b", 0.5062, 1.661),
    (20, "2", 1.0098, 3.313),
    (30, "exclusive", 0.1649, 0.541),
    (30, "special", 0.2592, 0.851),
    (30, "1a", 0.5139, 1.686),
    (30, "2", 1.0219, 3.353),
    (50, "exclusive", 0.1886, 0.619),
    (50, "special", 0.2749, 0.902),
    (50, "1a", 0.5378, 1.765),
    (50, "2", 1.0597, 3.477),
]


@pytest.mark.parametrize(("feet", "order", "metres", "in_feet"), TVU)
def test_vertical_tolerance(feet, order, metres, in_feet):
    value = float(tvu(order, feet * FOOT))
    assert value == pytest.approx(metres, abs=6e-5)
    assert value / FOOT == pytest.approx(in_feet, abs=6e-4)


def test_more_worked_values():
    assert float(tvu("1a", 40.0)) == pytest.approx(0.72139, abs=5e-6)
    assert float(tvu("2", 100.0)) == pytest.approx(2.50799, abs=5e-6)


def test_stricter_orders_allow_less_at_any_depth():
    depth = np.linspace(0.0, 60.0, 50)
    names = list(ORDERS)
    for strict, loose in zip(names[:-1], names[1:]):
        assert (tvu(strict, depth) <= tvu(loose, depth)).all()


def test_army_engineers_table():
    # EM 1110-2-1003 (1 January 2002), table 3-1: feet at 95 % for 10, 15, 40 and 41 ft.
    depth = np.array([10.0, 15.0, 40.0, 41.0]) * FOOT
    expected = {
        "navigation, hard bottom": [0.5, 1.0, 1.0, 1.0],
        "navigation, soft bottom": [0.5, 1.0, 1.0, 2.0],
        "other general surveys": [1.0, 2.0, 2.0, 2.0],
    }
    for survey, feet in expected.items():
        assert usace_tolerance(survey, depth) / FOOT == pytest.approx(feet)


def test_unknown_names_are_told():
    with pytest.raises(LakefloorError, match=r"'3' is unknown.*exclusive"):
        tvu("3", 1.0)
    with pytest.raises(LakefloorError, match="'harbour' is unknown"):
        usace_tolerance("harbour", 1.0)
