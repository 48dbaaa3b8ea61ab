"""What data say of a lake, and how a sheet says it."""

import numpy as np
import pytest

from lakefloor.algorithms.core.figures.figure import Figure
from lakefloor.algorithms.core.number_text import Numbers, written_with
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.units import ACRE, FOOT
from lakefloor.algorithms.core.visits.crossing_report import difference_statistics
from lakefloor.algorithms.core.wording.amounts import counted, length_words, with_sign
from lakefloor.algorithms.core.wording.curve_drawing import curve_drawing, hypsographic_drawing
from lakefloor.algorithms.core.wording.figure_text import (
    figure_text,
    figure_within,
    reading_unit,
    setting,
    uncertainty_text,
)
from lakefloor.algorithms.core.wording.sheet_facts import (
    ContourFacts,
    DatumFacts,
    SheetFacts,
    SheetSettings,
    SurveyFacts,
    contour_facts,
    datum_of_soundings,
    datum_of_surface,
    joined_datum,
    survey_facts,
)
from lakefloor.algorithms.core.wording.sheet_sections import sections, subtitle


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (0, "0 lanes"),
        (1, "1 lane"),
        (2, "2 lanes"),
        (1234, "1,234 lanes"),
        ("1", "1 lane"),
        ("1.0", "1.0 lanes"),
    ],
)
def test_one_is_singular_and_all_else_plural(count, said):
    assert counted(count, "lane") == said


def test_units_in_words_and_signs():
    assert [length_words(n, "ft") for n in ("1", "2.5")] == ["1 foot", "2.5 feet"]
    assert [length_words(n, "m") for n in ("1", "0.5")] == ["1 meter", "0.5 meters"]
    assert with_sign("53", "%") == "53%"
    assert with_sign("5", "m²") == "5 m²"


def test_figures_with_their_95_percent_uncertainty():
    # 1.96 times 0.12 is 0.2352, and times 1000 m2 is 1960 m2, or 0.48 acres.
    assert figure_within(Figure("x", "percent", 53.21, 0.12), "m") == "53.21 ± 0.24%"
    area = Figure("x", "area", 60.0 * ACRE, 1000.0)
    assert figure_within(area, "ft") == "60.0 ± 0.5 acres"
    assert uncertainty_text(area, "ft") == "± 0.5 acres"
    assert uncertainty_text(Figure("x", "area", 1.0), "ft") == ""
    assert figure_within(Figure("x", "ratio", 1.132), "ft") == "1.13"
    assert figure_text(60.0 * ACRE, "area", "m") == "24.3 ha"
    assert reading_unit(9_999.0, "area", "m") == (1.0, "m²")
    assert setting(15.0 * FOOT, "ft") == "15 ft"
    with written_with(Numbers(",", ".")):
        assert figure_text(12.345, "percent", "m") == "12,3%"


def test_the_datum_is_the_users_then_the_surfaces_then_the_soundings():
    surface = datum_of_surface({"DATUM_NAME": "dam", "DATUM_ELEVATION_M": "0.5"})
    soundings = DatumFacts("dock", 0.4, (0.3, 0.6))
    assert joined_datum("mine", surface, soundings).name == "mine"
    assert joined_datum("", surface, soundings) == DatumFacts("dam", 0.5, (0.3, 0.6))
    assert joined_datum("", None, soundings) == soundings
    assert joined_datum("", None, None) == DatumFacts()
    unknown = datum_of_surface({"DATUM_NAME": "water level of 2026-05-14"})
    assert not unknown.level_known
    assert not unknown.at_known_level
    assert joined_datum("", unknown, None) == unknown
    # Soundings of a known level make it known.
    assert joined_datum("", unknown, soundings).elevation == 0.4
    assert joined_datum("", unknown, soundings).level_known
    assert datum_of_surface({}).level_known


def _soundings():
    """Two lanes of one visit that cross a third, of which one sounding is a spike."""
    y = np.arange(0.0, 100.0, 2.0)
    x = np.concatenate([np.full(50, 0.0), np.full(50, 20.0), y - 40.0])
    corrections = (
        "from=transducer;draft_m=0.3;time_offset_s=0;datum=dock;datum_elev_m=1;level_m=1.2"
    )
    start = np.datetime64("2026-05-14T15:00:00", "ms")
    return Soundings.build(
        x,
        np.concatenate([y, y[::-1], np.full(50, 51.0)]),
        np.full(150, 4.0),
        time=start + np.arange(150).astype("timedelta64[s]"),
        visit=np.array(["May"] * 150, object),
        lane=np.repeat([1, 2, 3], 50),
        status=np.array(["spike"] + ["accepted"] * 149, object),
        corrections=np.array([corrections] * 150, object),
    )


def test_a_survey_says_its_numbers():
    survey = survey_facts(_soundings(), spacing=20.0)
    assert (survey.used, survey.rejected, survey.lanes, survey.spacing) == (149, 1, 3, 20.0)
    assert dict(survey.reasons) == {"spike": 1}
    assert survey.dates == ["2026-05-14"]
    assert survey.visits == ["May"]
    assert not survey.between
    assert survey.crossings.n == 2
    assert "draft_m" in survey.corrections
    assert "time_offset_s" not in survey.corrections
    assert datum_of_soundings(_soundings()) == DatumFacts("dock", 1.0, (1.2, 1.2))


def test_contours_say_interval_and_support():
    facts = contour_facts([5, 6, 10, 6], [1, 0, 1, 0], [1, 0, np.nan, 1], [30.0, 10, 99, 10])
    assert (facts.interval, facts.index_interval) == (1.0, 5.0)
    assert facts.supported == pytest.approx(0.8)
    assert contour_facts([5.0], [0], [np.nan], [9.0]).supported is None


def _facts(survey, **parts):
    return SheetFacts(
        SheetSettings("Heron Lake", "Heron County"),
        survey=survey,
        shoreline="Shore",
        crs="UTM (EPSG:32615)",
        **parts,
    )


def test_survey_quality_has_one_confidence():
    many, few = (difference_statistics(np.linspace(-0.3048, 0.3048, n)) for n in (101, 3))
    facts = _facts(
        SurveyFacts(used=10, crossings=many, between=True),
        uncertainty=0.3048,
        contours=ContourFacts(1.0, 5.0, 0.75),
    )
    # 95% of evenly spread differences of up to 1 ft are within 0.96 ft; 1.96 times 1 ft.
    assert dict(sections(facts))["Survey quality"].split("\n") == [
        "Tracks cross 101 times between visits. In 95% of the cases the depths agree within "
        "0.96 ft.",
        "The 95% uncertainty of the mapped depth is 1.96 ft on average.",
        "The data support 75% of the length of the contours. The rest is dashed.",
    ]
    whole = _facts(SurveyFacts(used=1), contours=ContourFacts(1.0, 5.0, 1.0))
    assert "support all contours." in dict(sections(whole))["Survey quality"]
    nearly = _facts(SurveyFacts(used=1), contours=ContourFacts(1.0, 5.0, 0.997))
    assert "support 99% of" in dict(sections(nearly))["Survey quality"]
    said = dict(sections(_facts(SurveyFacts(used=10, crossings=few))))["Survey quality"]
    assert said == "Tracks cross 3 times within visits. These are too few for a statement at 95%."
    assert "No tracks cross" in dict(sections(_facts(SurveyFacts(used=1))))["Survey quality"]


def test_a_sheet_without_layers_says_what_it_has():
    facts = _facts(SurveyFacts())
    assert subtitle(facts) == "Heron County"
    said = dict(sections(facts))
    assert list(said) == ["Datum and contours", "Data sources", "Cautions"]
    assert "gauge" not in said["Datum and contours"]
    one = _facts(SurveyFacts(dates=["2026-05-14"], used=1, lanes=1, visits=list("abcde")))
    assert subtitle(one) == "Heron County  ·  surveyed May 14, 2026"
    assert dict(sections(one))["Survey"].split("\n") == [
        "Survey dates: May 14, 2026.",
        "1 sounding used, 0 rejected.",
        "1 lane.",
    ]
    assert "Depths: echo soundings, 5 visits." in dict(sections(one))["Data sources"]
    # The days of the visits are said once, as people write them.
    for visits, said in ((["2026-05-14"], "1 visit"), (["July", "May"], "July, May")):
        found = dict(sections(_facts(SurveyFacts(visits=visits))))["Data sources"]
        assert f"Depths: echo soundings, {said}." in found


def test_a_curve_is_drawn_in_its_frame():
    depth, value = np.array([0.0, 5.0, 10.0]), np.array([40.0, 30.0, 0.0])
    plain = curve_drawing("Area", depth, value)
    assert plain.band is None
    assert plain.body.tolist() == [[0, 0], [1, 0], [0.75, 0.5], [0, 1], [0, 1]]
    assert plain.across[-1] == (1.0, "40")
    assert plain.down[1] == (0.2, "2")
    # With 1.96 times 10 around 40 the frame is 59.6 wide; the band does not fall below 0.
    band = curve_drawing("Area", depth, value, np.full(3, 10.0))
    assert band.body[1, 0] == pytest.approx(40.0 / 59.6)
    assert band.band[:, 0].min() == 0.0
    assert band.band[:, 0].max() == pytest.approx(1.0)
    assert len(band.band) == 6
    drawn = hypsographic_drawing((np.array([0.0, 3.048]), np.array([ACRE, 0.0])), "ft")
    assert drawn.title == "Area (acres) at each depth (ft) or deeper"
    assert drawn.down[-1] == (1.0, "10")
    # A pond without depth or area is drawn as nothing, not as an error.
    assert curve_drawing("Area", np.zeros(2), np.zeros(2)).across == [(0.0, "0")]
