"""Numbers in the signs of a language."""

import ast
import re
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.number_text import ENGLISH, Numbers, phrase, written, written_with
from lakefloor.algorithms.core.places import place_texts
from lakefloor.algorithms.core.wording import page_layout, plain_words, sheet_text
from lakefloor.algorithms.core.wording.amounts import AREA_UNITS
from lakefloor.algorithms.core.wording.structure_text import figure_lines

ALGORITHMS = Path(__file__).resolve().parents[2] / "algorithms"
GERMAN, SWISS, FRENCH = Numbers(",", "."), Numbers(".", "\u2019"), Numbers(",", "\u00a0")


def value_of(text, numbers):
    """Read a number back, as its reader does."""
    if numbers.group:
        text = text.replace(numbers.group, "")
    return float(text.replace(numbers.decimal, "."))


@given(st.floats(-1e9, 1e9), st.integers(0, 4), st.sampled_from((ENGLISH, GERMAN, SWISS, FRENCH)))
def test_a_reader_gets_the_number_back(value, digits, numbers):
    text = numbers.written(value, f",.{digits}f")
    assert value_of(text, numbers) == pytest.approx(value, abs=0.51 * 10.0**-digits)


@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(), st.text())
def test_english_is_as_python_writes(value, count, word):
    for template in ("{:.2f} m, {:,} of {}", "{:+.3g}: {} ({!r})", "{0:,.1f} {2} {1:d}"):
        assert phrase(template, value, count, word) == template.format(value, count, word)


def test_only_numbers_change_their_signs():
    said = GERMAN.phrase(
        "{}: {:.1f} m of {:,}, {:{}f} {} {}",
        "lake 2.5",
        36.2,
        6700,
        0.5,
        ".2",
        np.float32(0.25),
        True,
    )
    assert said == "lake 2.5: 36,2 m of 6.700, 0,50 0,25 True"


def test_signs_hold_in_their_thread_and_block_only():
    seen = []
    with written_with(GERMAN):
        assert written(1234.5, ",.1f") == "1.234,5"
        thread = threading.Thread(target=lambda: seen.append(written(0.5)))
        thread.start()
        thread.join()
        with pytest.raises(ZeroDivisionError), written_with(FRENCH):
            _ = 1 / 0
        assert written(0.5) == "0,5"
    assert [*seen, written(0.5)] == ["0.5", "0.5"]


def test_texts_of_sheets_and_reports():
    with written_with(GERMAN):
        assert sheet_text.depth_text(11.03376, "ft") == "36,2"
        assert sheet_text.band_label(0.0, 2.5, "m") == "0 – 2,5"
        assert sheet_text.datum_statement("ft", "gauge", 0.5, (0.41, 0.62)).startswith(
            "Depths in feet below lake level 1,64 ft (gauge). Lake level during the visits: 1,35 "
            "to 2,03 ft"
        )
        assert sheet_text.position_text(46.4561, -94.6059) == "46° 27,366′ N, 094° 36,354′ W"
        assert plain_words.about(1_234_567.0, 3) == "1.230.000"
        assert plain_words.about(0.25) == "0,25"
        assert plain_words.about(2.0, 3) == "2"
        assert figure_lines({"length_m": 1234.5, "area_m2": 9876.0, "score": 0.5}, "m") == [
            "Length: 1.234 m",
            "Area: 9.876 m²",
            "Score (0 to 1): 0,50",
        ]
        assert place_texts.fine_depth_text(0.25, "m") == "0,25 m"
        assert place_texts.rounded_depth_text(3.56, "m") == "3,6 m"
        # Names go to devices.
        assert place_texts.short_names("S", [3.56], "m") == ["S01 3.6M"]


def test_thousands_are_not_torn_apart_at_the_end_of_a_line():
    with written_with(FRENCH):
        text = phrase("about {:,} places", 12345)
    assert page_layout.wrap(text, 11, len) == ["about", "12\u00a0345", "places"]
    assert page_layout.wrap("a\r b\t\u2003c", 80, len) == ["a b c"]


def test_areas_are_read_in_the_units_of_the_trade():
    assert figure_lines({"area_m2": 12345.0}, "m") == ["Area: 1.23 ha"]
    assert AREA_UNITS["m"][1] == "ha"


#: f-strings that another program reads: `corrections`, a table, a style sheet, a file of points,
#: an item of a raster, a name, a field of a layer.
_FOR_PROGRAMS = {
    "_io/rasters.py: spacing:.6g",
    "_project/as_set.py: float(text):.10g",
    "_project/water_layers.py: depth:g",
    "_reports/plain_page.py: 2.0 * points:.1f",
    "_reports/statistics_page.py: value:.10g",
    "core/chart/contours.py: every.figure(step):g",
    "core/chart/contours.py: start:g",
    "core/chart/contours.py: stop:g",
    "core/correcting/corrections.py: beam_deg:g",
    "core/correcting/corrections.py: h:g",
    "core/correcting/corrections.py: time_offset_s:g",
    "core/correcting/first_return.py: widths[visit]:g",
    "core/correcting/water_column.py: assumed:g",
    "core/correcting/water_column.py: unknown_water_speed()[1]:.2f",
    "core/correcting/water_column.py: v:.1f",
    "core/correcting/datums.py: elevation:.4f",
    "core/correcting/lake_level.py: value / 1000.0:.3f",
    "core/days.py: value:g",
    "core/exchange/copied_depths.py: cell:g",
    "core/exchange/csv_file.py: value:.4f",
    "core/exchange/device_waypoints.py: depth:g",
    "core/exchange/gpx_file.py: depth:.4f",
    "core/exchange/gpx_file.py: point.elevation:.3f",
    "core/exchange/kml_file.py: value:.4f",
    "core/exchange/map_tiles.py: 0.5 * (south + north):.6f",
    "core/exchange/map_tiles.py: 0.5 * (west + east):.6f",
    "core/exchange/map_tiles.py: value:.6f",
    "core/exchange/waypoints.py: -180.0 if lon == 180.0 else lon:.8f",
    "core/exchange/waypoints.py: lat:.8f",
    "core/plan/survey_gaps.py: limit / meters:.2f",
    "core/plan/survey_gaps.py: sigma.mean() / meters:.2f",
    "core/playing/timeline.py: course:.1f",
    "core/playing/timeline.py: depth_m / FATHOM:.2f",
    "core/playing/timeline.py: depth_m / FOOT:.1f",
    "core/playing/timeline.py: depth_m:.2f",
    "core/playing/timeline.py: minutes:09.6f",
    "core/playing/timeline.py: soundings.hardness[i]:.3f",
    "core/playing/timeline.py: soundings.raw_depth[i]:.2f",
    "core/playing/timeline.py: soundings.water_temp[i]:.1f",
    "core/playing/timeline.py: speed:.2f",
    "core/reading/nmea_log.py: value:.3f",
    "core/visits/merging.py: b:.4f",
    "core/visits/visit_offsets.py: value + 0.0:.4f",
}


def _figures_in_f_strings(path):
    """Yield the numbers with decimals or thousands that the f-strings of a module write."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            spec = "".join(
                part.value if isinstance(part, ast.Constant) else "1"
                for part in node.format_spec.values
            )
            if re.search(r"\.[1-9]|,|g$", spec):
                yield f"{path.relative_to(ALGORITHMS).as_posix()}: {ast.unparse(node.value)}:{spec}"


def test_no_text_writes_its_numbers_by_itself():
    paths = sorted(ALGORITHMS.rglob("*.py"))
    assert len(paths) > 150
    found = {figure for path in paths for figure in _figures_in_f_strings(path)}
    assert found == _FOR_PROGRAMS
