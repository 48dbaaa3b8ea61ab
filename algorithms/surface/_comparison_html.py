"""The comparison of gridding methods in plain words and as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from .._reports import plots
from .._reports.html_page import image, no_pictures, page, remark, table
from ..core.number_text import written
from ..core.units import LENGTH


def method_names() -> dict:
    """Return what each method is called in the toolbox."""
    return {"tin": tr("TIN surface"), "idw": tr("IDW surface"), "smooth": tr("Smooth surface")}


def sentences(comparison, unit: str) -> list:
    """Return what the comparison says, in plain words."""
    scale, names = LENGTH[unit], method_names()
    best = comparison.scores[comparison.best]
    lines = [
        tr("{} is expected to err least with the lanes as they are.").format(
            names[comparison.best])
    ]
    others = [m for m in comparison.scores if m != comparison.best]
    if others and not comparison.clear:
        second = min(others, key=lambda m: comparison.scores[m].rmse_here)
        lines[0] = tr(
            "{} is expected to err least with the lanes as they are, but not clearly: on lanes "
            "left out its lead over {} is within what chance could do, and either will serve."
        ).format(names[comparison.best], names[second])
    lines += [
        tr("Error if lanes were twice as far apart: {:.2f} {} (root mean square; 95% within "
           "{:.2f} {}).").format(best.rmse / scale, unit, best.p95 / scale, unit),
        tr("Error to expect with the lanes as they are, {:.0f} m apart: {:.2f} {}.").format(
            comparison.spacing, best.rmse_here / scale, unit),
        _interval(comparison, unit),
        tr("{:.0f}% of the misfits lie within two of the standard deviations that {} states; it "
           "should be about 95%.").format(
            100.0 * best.within, names[comparison.best]),
    ]
    whole = int(comparison.whole.sum())
    pieces = comparison.left_out - whole
    if comparison.by_lanes:
        lines.append(
            tr("Left out and predicted: {:,} soundings of {} lanes, whole lanes at a time, and "
               "{:,} in short pieces of lanes.").format(whole, comparison.lanes, pieces)
        )
    else:
        lines.append(
            tr("The soundings carry too few lane numbers to leave whole lanes out: squares two "
               "lane spacings wide were left out instead, {:,} soundings, and {:,} in squares one "
               "lane spacing wide.").format(whole, pieces)
        )
    if comparison.unpredicted:
        lines.append(
            tr("{:,} more, mostly at the edge of the survey, could not be predicted by every "
               "method and do not count.").format(comparison.unpredicted)
        )
    lines.append(
        tr("An error that all soundings share, as of water level, draft or sound speed, does not "
           "show here; check crossing lines for it.")
    )
    return lines


def _interval(comparison, unit: str) -> str:
    here, wide = comparison.interval[unit], comparison.interval_wide[unit]
    if here is None:
        return tr("Not even the widest usual contour interval is supported: survey lanes closer "
                  "together before drawing contours.")
    text = tr("These data support contours every {:g} {} (nine depths in ten within half an "
              "interval).").format(here, unit)
    if wide is None:
        return text + " " + tr("With lanes twice as far apart no usual interval would be.")
    return text + " " + tr("With lanes twice as far apart it would be {:g} {}.").format(wide, unit)


def comparison_html(comparison, unit: str) -> str:
    """Return the report; ``unit`` is a key of :data:`..core.units.LENGTH`."""
    scale, names = LENGTH[unit], method_names()
    scores = comparison.scores

    def depth(value):
        return "&ndash;" if np.isnan(value) else written(value / scale, ".2f")

    parts = ["<ul>"]
    parts += [f"<li>{escape(line)}</li>" for line in sentences(comparison, unit)]
    parts += [
        "</ul>", f"<h2>{tr('Methods')}</h2>",
        table(
            (
                tr("method"), tr("expected with these lanes ({})").format(unit),
                tr("lanes twice as far apart ({})").format(unit), tr("mean ({})").format(unit),
                tr("95% within ({})").format(unit), tr("within two stated deviations (%)"),
            ),
            [(names[m], depth(s.rmse_here), depth(s.rmse), written(s.bias / scale, "+.2f"),
              depth(s.p95), f"{100.0 * s.within:.0f}") for m, s in scores.items()],
        ),
        remark(tr("Errors are root mean squares, surface less sounding, the noise of the "
                  "soundings in them. The mean is positive where the surface is too deep.")),
        f"<h2>{tr('By distance to the nearest sounding that was kept')}</h2>",
    ]
    if plots.available():
        parts.append(image(tr("Error by distance"), plots.error_by_distance(
            {names[m]: s.classes for m, s in scores.items()}, comparison.spacing, scale, unit)))
    else:
        parts.append(no_pictures())
    parts += [
        table(
            (tr("distance (m)"), tr("soundings"), tr("method"), tr("error ({})").format(unit),
             tr("mean ({})").format(unit), tr("95% within ({})").format(unit)),
            [row for of_class in zip(*(s.classes for s in scores.values()))
             for row in _rows(dict(zip(scores, of_class)), names, depth)],
        ),
        remark(tr("From whole lanes, and from short pieces of lanes, left out. Between lanes, no "
                  "place is farther than half the lane spacing from a sounding.")),
        remark(tr("Not for navigation.")),
    ]
    return page(tr("Gridding methods compared"), parts)


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
