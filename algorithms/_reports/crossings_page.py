"""The report of Check cross-lines as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from ..core.number_text import written
from ..core.units import LENGTH
from . import plots
from .html_page import image, no_pictures, page, remark, table


def crossing_html(report, unit: str) -> str:
    """Return the page; ``unit`` is a key of :data:`..core.units.LENGTH`."""
    scale = LENGTH[unit]
    crossings = report.crossings.select(report.tested)
    parts = []
    if report.notes:
        items = "".join(f"<li>{escape(note)}</li>" for note in report.notes)
        parts.append(f"<ul>{items}</ul>")
    parts += [f"<h2>{tr('All crossings')}</h2>", _summary(report, scale, unit)]
    if len(crossings):
        which = tr("between visits") if report.between.n else tr("within one visit")
        parts += [
            *_pictures(crossings, scale, unit, which),
            *_by_visits(report, scale, unit),
            *_by_depth(report, scale, unit, which),
            *_by_slope(report, scale, unit, which),
            *_by_standard(report, which),
        ]
    return page(tr("Depths where tracks cross"), parts)


def _by_visits(report, scale, unit):
    rows = [(" &minus; ".join(escape(v) for v in pair), m) for pair, m in report.by_visits]
    return [
        f"<h2>{tr('By pair of visits')}</h2>",
        _differences(tr("visits"), rows, scale, unit),
        remark(
            tr(
                "The difference is the depth of the first visit minus that of the second. "
                "Crossings of a visit with itself do not test the lake datum."
            )
        ),
    ]


def _by_depth(report, scale, unit, which):
    rows = [
        (f"{low / scale:.0f} &ndash; {high / scale:.0f}", m) for (low, high), m in report.by_depth
    ]
    return [
        f"<h2>{tr('By depth, crossings {}').format(which)}</h2>",
        _differences(tr("depth ({})").format(unit), rows, scale, unit),
    ]


def _by_slope(report, scale, unit, which):
    rows = [
        (
            f"{100 * low:.0f} &ndash; {100 * high:.0f}"
            if np.isfinite(high)
            else f"&gt; {100 * low:.0f}",
            m,
        )
        for (low, high), m in report.by_slope
    ]
    return [
        f"<h2>{tr('By slope of the bottom, crossings {}').format(which)}</h2>",
        _differences(tr("slope (%)"), rows, scale, unit),
    ]


def _by_standard(report, which):
    return [
        f"<h2>{tr('Against published standards, crossings {}').format(which)}</h2>",
        _standards(report.standards),
        remark(
            tr(
                "A crossing passes if the difference is at most the square root of 2 times the "
                "tolerance of one sounding at that depth. This is common practice, not a rule of "
                "the standards. It tests depth only, not position or coverage. The standards are "
                "S-44, edition 6 (total vertical uncertainty), and EM 1110-2-1003, 2002, table "
                "3-1. This report does not make a map fit for navigation."
            )
        ),
    ]


def _length(value, scale):
    return tr("too few") if value is None else written(value / scale, ".2f")


def _summary(report, scale, unit):
    both = (report.between, report.within)

    def row(label, name):
        return [label, *(_length(getattr(m, name), scale) for m in both)]

    rows = [
        [tr("crossings"), *(m.n for m in both)],
        row(tr("mean (bias)"), "mean"),
        [
            tr("its 95% confidence interval"),
            *(
                tr("too few")
                if m.low is None
                else f"{written(m.low / scale, '+.2f')} &hellip; {written(m.high / scale, '+.2f')}"
                for m in both
            ),
        ],
        [
            tr("bias significant"),
            *({None: tr("too few"), True: tr("yes"), False: tr("no")}[m.significant] for m in both),
        ],
        row(tr("standard deviation"), "sd"),
        row(tr("root mean square"), "rmse"),
        row(tr("95%: {} times root mean square, with bias").format(1.96), "rmse95"),
        row(tr("95% of the differences are within"), "percentile95"),
        row(tr("95% of a single sounding, without bias"), "sounding95"),
        row(tr("median"), "median"),
        row(tr("robust standard deviation"), "robust_sd"),
        [tr("outliers"), *(m.outliers for m in both)],
    ]
    head = [tr("depth difference ({})").format(unit), tr("between visits"), tr("within a visit")]
    return table(head, rows)


def _differences(label, rows, scale, unit):
    head = [
        label,
        tr("crossings"),
        tr("mean ({})").format(unit),
        tr("standard deviation"),
        tr("robust"),
        tr("95% within"),
        tr("bias significant"),
    ]
    words = {None: "", True: tr("yes"), False: tr("no")}
    return table(
        head,
        [
            [
                name,
                m.n,
                _length(m.mean, scale),
                _length(m.sd, scale),
                _length(m.robust_sd, scale),
                _length(m.percentile95, scale),
                words[m.significant],
            ]
            for name, m in rows
        ],
    )


def _standards(standards):
    return table(
        [tr("order or class"), tr("standard"), tr("crossings"), tr("pass"), tr("percentage")],
        [
            [
                escape(s.order),
                escape(s.standard),
                s.n,
                s.passed,
                f"{written(100.0 * s.share, '.1f')}%",
            ]
            for s in standards
        ],
    )


def _pictures(crossings, scale, unit, which):
    if not plots.available():
        return [no_pictures()]
    difference = crossings.difference / scale
    pictures = (
        (tr("Histogram, crossings {}").format(which), plots.difference_histogram(difference, unit)),
        (
            tr("Map, crossings {}").format(which),
            plots.difference_map(crossings.x, crossings.y, difference, unit),
        ),
    )
    return [f"<h2>{title}</h2>{image(title, png)}" for title, png in pictures]
