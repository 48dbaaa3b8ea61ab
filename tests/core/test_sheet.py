import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.cautions import CAUTIONS
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.figures import hypsography
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.units import LENGTH
from lakefloor.algorithms.core.wording import page_layout, sheet_text
from lakefloor.algorithms.core.wording.assumptions import assumed_sentences


def test_paper_sizes():
    # ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: A is 8.5 x 11 in, B is 11 x 17 in.
    assert page_layout.PAGE_SIZES["A4"] == (210, 297)
    assert page_layout.PAGE_SIZES["Letter"] == pytest.approx((8.5 * 25.4, 11 * 25.4))
    assert page_layout.PAGE_SIZES["Tabloid"] == pytest.approx((11 * 25.4, 17 * 25.4))


@pytest.mark.parametrize(
    ("width", "height", "expected"),
    # By hand: 180 x 180 mm of paper, no margin; 180 m at 1:1000 fill it exactly.
    [
        (180, 90, 1000),
        (181, 90, 1250),
        (90, 226, 1500),
        (450, 1, 2500),
        (451, 1, 3000),
        (10, 10, 100),
        (8000, 10, 50000),
    ],
)
def test_scale_series(width, height, expected):
    assert page_layout.scale_denominator(width, height, 180, 180, margin=0) == expected


@given(st.floats(1, 1e5), st.floats(1, 1e5), st.floats(50, 400), st.floats(50, 400))
def test_extent_fits_at_the_scale(width, height, frame_width, frame_height):
    n = page_layout.scale_denominator(width, height, frame_width, frame_height)
    assert 1000 * width / n <= frame_width * 0.96 * (1 + 1e-9)
    assert 1000 * height / n <= frame_height * 0.96 * (1 + 1e-9)


def test_scale_of_nothing():
    with pytest.raises(LakefloorError, match="no extent"):
        page_layout.scale_denominator(0, 0, 100, 100)


@pytest.mark.parametrize(
    ("longest", "expected"), [(999, 500), (1000, 1000), (49, 20), (0.6, 0.5), (51, 50)]
)
def test_bar_segment(longest, expected):
    assert page_layout.bar_segment(longest) == pytest.approx(expected)


def test_grid_minutes():
    assert page_layout.grid_minutes(1.1 / 60) == 0.5
    assert page_layout.grid_minutes(0.2 / 60) == 0.1
    assert page_layout.grid_minutes(0.001 / 60) == 0.01


def test_areas_in_acres_and_hectares():
    # One international acre is 4046.8564224 m2 (NIST SP 811, appendix B).
    rows = sheet_text.area_table([0, 1.524], [1.524, 3.048], [3 * 4046.8564224, 4046.8564224], "ft")
    assert [r.label for r in rows] == ["0 – 5", "5 – 10"]
    assert [r.area for r in rows] == pytest.approx([3, 1])
    assert [r.percent for r in rows] == pytest.approx([75, 25])
    (row,) = sheet_text.area_table([0], [2.5], [20_000], "m")
    assert (row.label, row.area, row.percent) == ("0 – 2.5", pytest.approx(2), 100)


def test_cone_percentages():
    # Cone A0 (1 - z/zm)^2: areas below 0, 5, ..., 25 of 30 are 100, 69.444, 44.444, 25, 11.111
    # and 2.778 % (Hutchinson 1957, the cone as a model lake).
    z = np.arange(0, 31, 5.0)
    below = (1 - z / 30) ** 2
    rows = sheet_text.area_table(z[:-1], z[1:], 1e6 * (below[:-1] - below[1:]), "m")
    shares = 100 - np.cumsum([r.percent for r in rows])
    assert shares == pytest.approx([69.444, 44.444, 25, 11.111, 2.778, 0], abs=5e-4)


@given(st.integers(1, 200), st.integers(1, 20))
def test_merged_bands_keep_the_area(n, most):
    tops = np.arange(n) * 0.3048
    areas = np.linspace(100, 5000, n)
    rows = sheet_text.area_table(tops, tops + 0.3048, areas, "ft", most)
    assert len(rows) <= most
    assert sum(r.area for r in rows) * 4046.8564224 == pytest.approx(areas.sum())
    assert sum(r.percent for r in rows) == pytest.approx(100)
    assert [a.bottom for a in rows[:-1]] == pytest.approx([b.top for b in rows[1:]], abs=1e-5)


def test_parts_of_one_band_are_summed_and_the_deepest_may_be_open():
    rows = sheet_text.area_table([1, 0, 0], [np.inf, 1, 1], [1e4, 1e4, 2e4], "m")
    assert [(r.label, round(r.area, 6)) for r in rows] == [("0 – 1", 3), ("over 1", 1)]


def test_interval():
    assert sheet_text.interval([5, 1, 2, 2, 3]) == 1
    assert np.isnan(sheet_text.interval([4, 4]))


def test_dates():
    assert sheet_text.dates_text(["2025-07-02", "2025-05-12", "2025-07-02"]) == (
        "May 12 and July 2, 2025"
    )
    days = [f"2025-06-0{i}" for i in range(1, 7)]
    assert sheet_text.dates_text(days) == "June 1, 2025 to June 6, 2025 (6 days)"
    assert sheet_text.dates_text(["2025-05-12"]) == "May 12, 2025"
    assert sheet_text.dates_text(["2026-01-31", "2025-12-31", "2025-07-04", "2025-02-01"]) == (
        "February 1, July 4 and December 31, 2025; January 31, 2026"
    )
    assert sheet_text.dates_text([]) == ""


def test_datum_wording():
    tied = sheet_text.datum_statement("ft", "OHW, NAVD 88", 289.865)
    # 289.865 m / 0.3048 = 951.00 ft
    assert tied == "Depths in feet below lake level 951.00 ft (OHW, NAVD 88)."
    local = sheet_text.datum_statement("m", "staff gauge", 0.6)
    assert "0.60 m (staff gauge)" in local
    assert local.endswith("This level is not tied to a national vertical datum.")
    # A gauge is named where one was read.
    read = sheet_text.datum_statement("m", "staff", 0.6, (0.6, 0.6))
    assert read.endswith(
        "0.60 m on the same scale. The gauge is not tied to a national vertical datum."
    )
    assert "tied" not in sheet_text.datum_statement("m", "full pool", None)
    levels = sheet_text.datum_statement("m", "NAVD88", 100.0, (100.1, 100.25))
    assert "during the visits: 100.10 to 100.25 m on the same scale" in levels
    assert "not reduced" in sheet_text.datum_statement("ft", "", None)


@given(st.text(alphabet="abc \n", max_size=200), st.integers(3, 30))
def test_wrapped_lines_fit_and_lose_nothing(text, width):
    lines = page_layout.wrap(text, width, len)
    assert max(map(len, lines)) <= width
    assert "".join(lines).replace(" ", "") == "".join(text.split())


def test_columns_worked_by_hand():
    # 6 | 2 3 | 5: the tallest is 6; no cut does better than the tallest block.
    assert page_layout.columns([6, 2, 3, 5], 3) == [range(0, 1), range(1, 3), range(3, 4)]
    assert page_layout.columns([1, 1], 1) == [range(0, 2)]


@given(st.lists(st.floats(0.1, 100), min_size=1, max_size=8), st.integers(1, 4))
def test_columns_keep_order_and_never_exceed_one_column(heights, count):
    parts = page_layout.columns(heights, count)
    assert [i for part in parts for i in part] == list(range(len(heights)))
    assert len(parts) == count


def test_cautions_are_complete():
    text = " ".join(CAUTIONS)
    for needed in ("NOT FOR NAVIGATION", "never guaranteed safe", "Cold water", "Local rules"):
        assert needed in text


def test_curve_of_bands_by_hand():
    depth, area = hypsography.curve_of_bands(
        [0, 5, 5, 10], [5, 10, 10, np.inf], [40.0, 20.0, 10.0, 30.0]
    )
    assert depth.tolist() == [0, 5, 10]
    assert area.tolist() == [100, 60, 30]


@pytest.mark.parametrize(
    ("most", "marks"),
    [
        (60.5, [0, 20, 40, 60]),
        (36.2, [0, 10, 20, 30]),
        (1.0, [0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (100.0, [0, 20, 40, 60, 80, 100]),
        (0.07, [0, 0.02, 0.04, 0.06]),
    ],
)
def test_ticks_of_a_scale(most, marks):
    assert page_layout.ticks(most) == pytest.approx(marks)


def test_fill_leaves_what_finds_no_room():
    parts, first = page_layout.fill([4, 4, 3, 9, 1], 2, 8.0)
    assert [list(part) for part in parts] == [[0, 1], [2]]
    assert first == 3
    assert page_layout.fill([1, 1], 1, 8.0)[1] == 2


@pytest.mark.parametrize(
    ("name", "national"),
    [
        ("NAVD 88", True),
        ("NGVD29", True),
        ("OHW (IGLD 1985)", True),
        ("DHHN2016", True),
        ("DE_DHHN92_NH", True),
        ("RH 2000", True),
        ("1.5 m NAP", True),
        ("above MSL", True),
        ("Annapolis gauge", False),
        ("Snap Lake staff", False),
        ("EGMOND", False),
    ],
)
def test_a_national_datum_is_a_word_of_its_own(name, national):
    said = "not tied to a national vertical datum" in sheet_text.datum_statement("m", name, 1.0)
    assert said is not national


@given(st.floats(-0.049, 0.049), st.sampled_from(["ft", "m"]))
def test_depth_at_the_water_has_no_sign(depth, unit):
    assert sheet_text.depth_text(depth * LENGTH[unit], unit) == "0"


@pytest.mark.parametrize("extent", [(np.inf, 10.0), (np.nan, 10.0), (10.0, np.nan), (0.0, 0.0)])
def test_a_map_without_an_extent_is_refused(extent):
    with pytest.raises(LakefloorError, match="no extent"):
        page_layout.scale_denominator(*extent, 100.0, 100.0)


def test_a_pond_of_one_band_has_no_curve_and_nothing_no_marks():
    assert hypsography.curve_of_bands([0.0], [np.inf], [900.0]) is None
    assert page_layout.ticks(0.0).tolist() == [0.0]


def test_a_position_on_the_equator_has_no_southern_zero():
    assert sheet_text.position_text(-1e-7, -1e-7) == "00° 00.000′ N, 000° 00.000′ E"
    assert sheet_text.position_text(-0.5, -0.5) == "00° 30.000′ S, 000° 30.000′ W"


def test_datum_without_a_level_names_the_water_of_its_day():
    text = sheet_text.datum_statement("ft", "water level of 2026-05-14", None, level_known=False)
    assert text == (
        "Depths in feet below the water level of 2026-05-14. The lake level at that "
        "time is not known."
    )
    assert "gauge" not in text + sheet_text.datum_statement("m", "", None, level_known=False)
    assert "national" not in text
    # A visit that was fitted to a store of known datum does not make that unknown.
    assert "2.00 ft (dock)" in sheet_text.datum_statement("ft", "dock", 0.6096, level_known=False)


def test_what_was_assumed_is_said():
    base = "from=unknown;depth_unit=assumed m;time_offset_s=0;draft_m=0.3"
    speed = "sound_speed=1500->1459.2;sound_speed_sd=37.55"
    texts = [
        f"{base};{speed};level_offset_m=0.0000;datum=water level of May;level=unknown",
        f"{base};{speed};level_offset_m=-0.8000;datum=water level of May;level=unknown",
        "from=transducer;draft_m=0.3;sound_speed=1500->1480.0;datum=dock;datum_elev_m=1",
    ]
    soundings = Soundings.build(
        np.zeros(4),
        np.zeros(4),
        np.ones(4),
        visit=np.array(["May", "June", "July", "X"], object),
        corrections=np.array([*texts, "depth_unit=assumed ft"], object),
        status=np.array(["accepted"] * 3 + ["spike"], object),
    )
    assert assumed_sentences(soundings) == [
        "The logs state no depth unit, so meters are assumed.",
        "The logs do not say where depth counts from, so the transducer is assumed.",
        # 1.96 times 37.55.
        "No water temperature was logged. The sound speed is assumed to be 1459 ± 74 m/s.",
        "No lake level was read for June. Its depths are adjusted where tracks cross.",
    ]
    assert assumed_sentences(soundings.select([2])) == []


@given(st.floats(-50.0, 900.0), st.floats(20.0, 400.0), st.sampled_from([1.0, 1.4, 2.0]))
def test_scale_bars_fit_into_their_room(room, frame, k):
    lengths = page_layout.bar_lengths(room, frame, k)
    assert sum(length + page_layout.BAR_ROOM * k for length in lengths) <= max(room, 0.0) + 1e-5
    assert all(10.0 * k <= length <= 0.21 * frame + 1e-5 for length in lengths)
    assert (len(lengths) == 2) == (min(0.21 * frame, room / 2 - 14.0 * k) >= 10.0 * k)
