"""What visits added to the map of a lake, as sentences and as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from ..core.cautions import CAUTIONS
from ..core.number_text import counted, phrase, written
from ..core.units import FOOT, LENGTH
from ..core.wording.amounts import WITHIN_95
from ..core.wording.figure_text import figure_text, figure_within, setting
from ..core.wording.sheet_text import dates_text
from . import added_maps, plots
from .html_page import image, no_pictures, page, remark, table

_MILE = 5280.0 * FOOT
#: Figures of a lake that are set side by side.
_FIGURES = ("mapped_share", "volume", "mean_depth", "max_depth")


def added_sentences(added, scale) -> list:
    """Return what visits added, in plain words."""
    unit = scale.unit
    lines = [*_surveyed(added, unit), *_covered(added, scale)]
    if added.before is not None and np.isfinite(added.common[0]):
        before, after = (
            f"{written(WITHIN_95 * sd / LENGTH[unit], '.2f')} {unit}" for sd in added.common
        )
        lines.append(
            tr(
                "Where both maps have a depth, its median uncertainty (95%) was {} before and is {} "
                "now."
            ).format(before, after)
        )
    lines += _changed(added, unit)
    return lines


def _surveyed(added, unit) -> list:
    """Return the sentences on the boat's work."""
    measured = int(added.total("soundings"))
    if not measured:
        return [tr("No sounding of these visits is accepted, so the map is as it was before.")]
    depths = [v for v in added.visits if v.soundings]
    shallowest = _depth(min(v.shallowest for v in depths), unit)
    deepest = _depth(max(v.deepest for v in depths), unit)
    driven = added.total("track_m")
    lines = [
        tr("The depth was measured at {}, from {} to {}.").format(
            counted(measured, tr("place")), shallowest, deepest
        )
    ]
    if driven:
        lines.insert(0, tr("The boat drove {}.").format(_way(driven, unit)))
    return lines


def _covered(added, scale) -> list:
    """Return the sentences on the bottom that is newly on the map, and on its contours."""
    unit, lines = scale.unit, []
    if added.before is None:
        lines.append(
            tr("This is the first map of the lake. It shows {} of bottom.").format(
                figure_text(added.after.area, "area", unit)
            )
        )
    elif added.new_area:
        lines.append(
            tr("The map shows {} of bottom that had no depth before.").format(
                figure_text(added.new_area, "area", unit)
            )
        )
    else:
        lines.append(tr("All bottom on the map had a depth before."))
    share = added.after.supported_share
    if share is not None:
        text = tr("The data support {} of the length of contours every {}.").format(
            _percent(share), setting(scale.interval * LENGTH[unit], unit)
        )
        earlier = added.before and added.before.supported_share
        if earlier is not None:
            text += " " + tr("Before, it was {}.").format(_percent(earlier))
        lines.append(text)
    return lines


def _changed(added, unit) -> list:
    """Return the sentences on where the map differs, and where the bottom has changed."""
    lines, difference = [], added.difference
    if difference is not None:
        over = [
            tr("{} over {}").format(word, figure_text(area, "area", unit))
            for word, area in (
                (tr("deeper"), difference.area_deeper),
                (tr("shallower"), difference.area_shallower),
            )
            if area
        ]
        if over:
            lines.append(tr("The map is now clearly {}.").format(tr(", and clearly ").join(over)))
        else:
            lines.append(tr("Nowhere does the map differ clearly from the map before."))
    if added.superseded:
        count = sum(s.soundings for s in added.superseded)
        lines.append(
            tr("The bottom has changed: {} no longer hold.").format(
                counted(count, tr("older sounding"))
            )
        )
    return lines


def added_html(added, scale, title: str, known: str, notes: list) -> str:
    """Return the page.

    Parameters
    ----------
    added : WhatWasAdded
    scale : Scale
    title : str
    known : str
        Which two states of the lake are compared, in a sentence.
    notes : list of str
        Further sentences on how to read it.
    """
    days = sorted({day for v in added.visits for day in v.days})
    parts = [f"<p>{escape(dates_text(days))}</p>" if days else ""]
    parts += ["<ul>", *(f"<li>{escape(s)}</li>" for s in added_sentences(added, scale)), "</ul>"]
    parts += [*_pictures(added, scale), *_before_and_after(added, scale)]
    parts += [f"<h2>{tr('The visits')}</h2>", _visits(added, scale.unit)]
    parts += _bottom(added, scale.unit)
    parts += [f"<h2>{tr('How to read this')}</h2>", "<ul>"]
    parts += [f"<li>{escape(s)}</li>" for s in (known, *_notes(added, scale), *added.notes, *notes)]
    parts += ["</ul>", remark(" ".join(escape(caution) for caution in CAUTIONS))]
    return page(escape(title), parts)


def _pictures(added, scale) -> list:
    heading = f"<h2>{tr('How sure the depths are')}</h2>"
    if not plots.available():
        return [heading, no_pictures()]
    title = tr("Uncertainty of depth before and after")
    found = [
        heading,
        image(title, added_maps.uncertainty_maps(added, scale.shoreline, scale.unit)),
        remark(
            tr(
                "The lines are the tracks of these visits. They show where the boat went: think of "
                "that before you publish this page."
            )
        ),
    ]
    if added.difference is not None:
        title = tr("Where the map differs from before")
        found += [
            f"<h2>{title}</h2>",
            image(title, added_maps.change_map(added, scale.shoreline, scale.unit)),
            remark(
                tr(
                    "Colors show where the depth differs by more than its 95% uncertainty. The bottom "
                    "has changed there, or the map was wrong before."
                )
            ),
        ]
    return found


def _before_and_after(added, scale) -> list:
    maps = [f for f in (added.before, added.after) if f is not None]
    unit = scale.unit

    def row(label, text):
        return [label, *([] if added.before else ["&ndash;"]), *(text(f) for f in maps)]

    rows = [
        row(tr("accepted soundings"), lambda f: written(f.soundings, ",")),
        row(tr("bottom with a depth"), lambda f: figure_text(f.area, "area", unit)),
        row(
            tr("of it, where contours are supported"),
            lambda f: figure_text(f.supported_area, "area", unit),
        ),
        row(
            tr("supported length of contours"),
            lambda f: "&ndash;" if f.supported_share is None else _percent(f.supported_share),
        ),
        row(tr("median uncertainty of depth (95%)"), lambda f: _within(f.uncertainty, unit)),
    ]
    if np.isfinite(added.common[0]):
        both = (_within(sd, unit) for sd in added.common)
        rows.append([tr("the same, where both maps have a depth"), *both])
    for name in _FIGURES:
        label = tr(added.after.statistics.figures[name].label)
        rows.append(
            row(escape(label), lambda f, name=name: figure_within(f.statistics.figures[name], unit))
        )
    return [
        f"<h2>{tr('Before and after')}</h2>",
        table((tr("figure"), tr("before"), tr("after")), rows),
        remark(
            tr(
                "Volume and mean depth are those of the part of the lake that has a depth, with "
                "their 95% uncertainty. They grow with that part."
            )
        ),
    ]


def _visits(added, unit) -> str:
    head = [
        tr("visit"),
        tr("day"),
        tr("accepted"),
        tr("not accepted"),
        tr("track"),
        tr("depths ({})").format(unit),
        tr("visit offset (95%)"),
    ]
    removed = any(v.removed for v in added.visits)
    if removed:
        head.append(tr("removed before (95%)"))
    rows = []
    for v in added.visits:
        texts = [
            escape(dates_text(v.days)) or "&ndash;",
            written(v.soundings, ","),
            written(v.rejected, ","),
            _way(v.track_m, unit) if v.track_m else "&ndash;",
            _range(v, unit),
            _offset(v.offset, v.offset_sd, unit),
        ]
        if removed:
            texts.append(_offset(v.removed, v.removed_sd, unit) if v.removed else "&ndash;")
        rows.append([_name(v.name), *(text.replace(" ", "&nbsp;") for text in texts)])
    return table(head, rows)


def _range(visit, unit) -> str:
    if not visit.soundings:
        return "&ndash;"
    ends = (visit.shallowest, visit.deepest)
    return " &ndash; ".join(written(depth / LENGTH[unit], ".1f") for depth in ends)


def _bottom(added, unit) -> list:
    if not added.superseded:
        return []
    rows = [
        (
            _name(s.older),
            _name(s.by),
            written(s.soundings, ","),
            "&ndash;" if np.isnan(s.change) else f"{_signed(s.change, unit)} {unit}",
            f"{s.x:.0f}, {s.y:.0f}",
        )
        for s in added.superseded
    ]
    head = (
        tr("older visit"),
        tr("superseded by"),
        tr("soundings"),
        tr("change of depth"),
        tr("middle (easting, northing)"),
    )
    return [
        f"<h2>{tr('Where the bottom has changed')}</h2>",
        table(head, rows),
        remark(tr("A positive change is deeper now.")),
    ]


def _notes(added, scale) -> list:
    """Return the sentences on how the page was made."""
    cell = added.after.surface.depth.dx
    return [
        tr(
            "Both maps are smooth surfaces with cells of {:g} m. They are drawn with the same "
            "settings, so that they differ by the soundings alone."
        ).format(cell),
        tr(
            "A contour is supported where nine depths in ten are right within half of the contour "
            "interval."
        ),
        tr(
            "A visit offset says by how much a visit reads deeper than the earlier ones where their "
            "tracks meet. Without a figure, they meet in too few places. What was removed before is "
            "the offset that was found and taken off when the visit was entered."
        ),
    ]


def _name(visit) -> str:
    """Return the name of a visit, on one line unless it is long, as a date should be."""
    text = escape(visit)
    return text if len(visit) > 24 else f'<span style="white-space: nowrap">{text}</span>'


def _depth(value, unit) -> str:
    return f"{written(value / LENGTH[unit], '.1f')} {unit}"


def _within(sd, unit) -> str:
    return f"\u00b1 {written(WITHIN_95 * sd / LENGTH[unit], '.2f')} {unit}"


def _percent(share) -> str:
    return f"{written(100.0 * share, '.0f')}%"


def _signed(value, unit) -> str:
    return written(value / LENGTH[unit], "+.2f")


def _offset(value, sd, unit) -> str:
    if np.isnan(value):
        return "&ndash;"
    half = WITHIN_95 * sd / LENGTH[unit]
    return phrase("{:+.2f} \u00b1 {:.2f} {}", value / LENGTH[unit], half, unit)


def _way(meters, unit) -> str:
    size, sign = (_MILE, "mi") if unit == "ft" else (1000.0, "km")
    return f"{written(meters / size, '.1f')} {sign}"
