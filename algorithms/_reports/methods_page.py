"""The comparison of gridding methods in plain words and as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from ..core.number_text import written
from ..core.units import LENGTH
from . import plots
from .html_page import image, no_pictures, page, remark, table


def method_names() -> dict:
    """Return what each method is called in the toolbox."""
    return {"tin": tr("TIN surface"), "idw": tr("IDW surface"), "smooth": tr("Smooth surface")}


def sentences(comparison, unit: str) -> list:
    """Return what the comparison says, in plain words."""
    scale, names = LENGTH[unit], method_names()
    best = comparison.scores[comparison.best]
    lines = [
        tr("{} is expected to have the smallest error with these lanes.").format(
            names[comparison.best]
        )
    ]
    others = [m for m in comparison.scores if m != comparison.best]
    if others and not comparison.clear:
        second = min(others, key=lambda m: comparison.scores[m].rmse_here)
        lines[0] = tr(
            "{} is expected to have the smallest error with these lanes, but not clearly. On lanes "
            "left out its lead over {} may be chance, so use either."
        ).format(names[comparison.best], names[second])
    lines += [
        tr(
            "If lanes were twice as far apart, the RMS error would be {:.2f} {}, and 95% of the "
            "errors would be within {:.2f} {}."
        ).format(best.rmse / scale, unit, best.p95 / scale, unit),
        tr("With the lanes as they are, {:.0f} m apart, expect an RMS error of {:.2f} {}.").format(
            comparison.spacing, best.rmse_here / scale, unit
        ),
        _interval(comparison, unit),
        tr(
            "{:.0f}% of the errors are within twice the standard uncertainty of {}. It should be "
            "about 95%."
        ).format(100.0 * best.within, names[comparison.best]),
    ]
    whole = int(comparison.whole.sum())
    pieces = comparison.left_out - whole
    if comparison.by_lanes:
        lines.append(
            tr(
                "{:,} soundings of {} lanes were left out and predicted, whole lanes at a time. "
                "{:,} more were left out in short pieces of lanes."
            ).format(whole, comparison.lanes, pieces)
        )
    else:
        lines.append(
            tr(
                "The soundings have too few lane numbers to leave whole lanes out. Instead, {:,} "
                "soundings were left out in squares two lane spacings wide. {:,} more were left out "
                "in squares one lane spacing wide."
            ).format(whole, pieces)
        )
    if comparison.unpredicted:
        lines.append(
            tr(
                "Not counted are {:,} soundings that not every method could predict, mostly at the "
                "edge of the survey."
            ).format(comparison.unpredicted)
        )
    lines.append(
        tr(
            "An error that all soundings share, such as a wrong lake level, draft or sound speed, "
            "does not show here. Run Check cross-lines to find it."
        )
    )
    return lines


def _interval(comparison, unit: str) -> str:
    here, wide = comparison.interval[unit], comparison.interval_wide[unit]
    if here is None:
        return tr(
            "The data do not support even the widest usual contour interval. Survey lanes "
            "closer together before you draw contours."
        )
    text = tr(
        "The data support contours every {:g} {} (nine depths in ten are right within half "
        "an interval)."
    ).format(here, unit)
    if wide is None:
        return (
            text + " " + tr("With lanes twice as far apart they would support no usual interval.")
        )
    return (
        text
        + " "
        + tr("With lanes twice as far apart they would support {:g} {}.").format(wide, unit)
    )


def comparison_html(comparison, unit: str) -> str:
    """Return the report; ``unit`` is a key of :data:`..core.units.LENGTH`."""
    scale = LENGTH[unit]

    def depth(value):
        return "&ndash;" if np.isnan(value) else written(value / scale, ".2f")

    parts = [
        "<ul>",
        *(f"<li>{escape(line)}</li>" for line in sentences(comparison, unit)),
        "</ul>",
        f"<h2>{tr('Methods')}</h2>",
        _by_method(comparison, scale, unit, depth),
        remark(
            tr(
                "Errors are RMS values of surface minus sounding, and include the noise of the "
                "soundings. The mean is positive where the surface is too deep."
            )
        ),
        f"<h2>{tr('By distance to the nearest sounding that was kept')}</h2>",
        _picture(comparison, scale, unit),
        _by_distance(comparison, unit, depth),
        remark(
            tr(
                "Whole lanes and short pieces of lanes were left out. Between lanes, no place is "
                "farther than half the lane spacing from a sounding."
            )
        ),
        remark(tr("Not for navigation.")),
    ]
    return page(tr("Comparison of gridding methods"), parts)


def _by_method(comparison, scale, unit, depth) -> str:
    names = method_names()
    return table(
        (
            tr("method"),
            tr("expected with these lanes ({})").format(unit),
            tr("lanes twice as far apart ({})").format(unit),
            tr("mean ({})").format(unit),
            tr("95% within ({})").format(unit),
            tr("within 2 uncertainties (%)"),
        ),
        [
            (
                names[m],
                depth(s.rmse_here),
                depth(s.rmse),
                written(s.bias / scale, "+.2f"),
                depth(s.p95),
                f"{100.0 * s.within:.0f}",
            )
            for m, s in comparison.scores.items()
        ],
    )


def _picture(comparison, scale, unit) -> str:
    if not plots.available():
        return no_pictures()
    names = method_names()
    classes = {names[m]: s.classes for m, s in comparison.scores.items()}
    return image(
        tr("Error by distance"), plots.error_by_distance(classes, comparison.spacing, scale, unit)
    )


def _by_distance(comparison, unit, depth) -> str:
    names, scores = method_names(), comparison.scores
    return table(
        (
            tr("distance (m)"),
            tr("soundings"),
            tr("method"),
            tr("error ({})").format(unit),
            tr("mean ({})").format(unit),
            tr("95% within ({})").format(unit),
        ),
        [
            row
            for of_class in zip(*(s.classes for s in scores.values()))
            for row in _rows(dict(zip(scores, of_class)), names, depth)
        ],
    )


def _rows(classes, names, depth):
    """Yield a row for each method of a class of distance that holds soundings."""
    for number, (method, row) in enumerate(classes.items()):
        low, high = row["distance_from"], row["distance_to"]
        span = f"&gt; {written(low, '.1f')}"
        if np.isfinite(high):
            span = f"{written(low, '.1f')} &ndash; {written(high, '.1f')}"
        if row["count"]:
            head = (span, written(row["count"], ",")) if number == 0 else ("", "")
            yield (*head, names[method], *(depth(row[name]) for name in ("rmse", "bias", "p95")))
