"""The report on an older map as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from ..core.blending.map_bias import SIGNIFICANCE
from ..core.number_text import phrase, written
from ..core.units import LENGTH
from . import html_page, plots


def bias_terms(found, scale, unit):
    """Yield label, value with standard error, unit and what was done, for each term."""
    for label, term, divisor, of in (
        (tr("offset"), found.offset, scale, unit),
        (tr("scale"), found.scale, 1.0, ""),
        (tr("shift east"), found.east, 1.0, "m"),
        (tr("shift north"), found.north, 1.0, "m"),
    ):
        if np.isfinite(term.uncert):
            digits = 3 if not of else 2 if divisor is scale and of == unit else 1
            value = phrase(
                "{:.{}f} \u00b1 {:.{}f}",
                term.value / divisor,
                digits,
                term.uncert / divisor,
                digits,
            )
            if term.removed:
                done = tr("significant, removed")
            elif term.p <= SIGNIFICANCE:
                done = tr("significant, not removed")
            else:
                done = tr("not significant, not removed")
        else:
            value, done = "-", tr("cannot be estimated")
        yield label, value, of, done


def older_map_html(found, unit: str) -> str:
    """Return the page that says how good the older map was."""
    scale = LENGTH[unit]
    notes = "".join(f"<li>{escape(note)}</li>" for note in found.notes)
    parts = [
        f"<ul>{notes}</ul>" if notes else "",
        *_overlap(found, scale, unit),
        *_bias(found, scale, unit),
        *_by_depth(found, scale, unit),
        html_page.remark(
            tr(
                "Beyond the survey the standard uncertainty is {} {} on a flat bottom and more on "
                "slopes. Not for navigation."
            ).format(_length(found.spread / scale), unit)
        ),
    ]
    return html_page.page(tr("How good was the older map"), parts)


def _length(value) -> str:
    return written(value, ".2f")


def _overlap(found, scale, unit) -> list:
    return [
        f"<h2>{tr('Where survey and older map overlap')}</h2>",
        html_page.table(
            [tr("older map minus survey ({})").format(unit), tr("as given"), tr("corrected")],
            [[tr("RMS"), _length(found.rmse_before / scale), _length(found.rmse_after / scale)]],
        ),
        html_page.remark(
            tr(
                "The overlap has {:,} cells. The map was corrected to fit here, and is worse "
                "elsewhere in the lake. Its differences are alike over about {:.0f} m. The overlap "
                "therefore holds only about {:.0f} independent samples of the map."
            ).format(found.cells, found.correlation, max(found.independent, 1.0))
        ),
    ]


def _bias(found, scale, unit) -> list:
    return [
        f"<h2>{tr('Bias of the older map')}</h2>",
        html_page.table(
            [
                tr("term"),
                tr("estimate and standard error"),
                tr("unit"),
                tr("at {:.0f}%").format(100.0 * SIGNIFICANCE),
            ],
            [list(row) for row in bias_terms(found, scale, unit)],
        ),
        html_page.remark(
            tr(
                "Older depth = offset + scale × survey depth, on a map moved by the shift. "
                "If the scale is above 1, the older map is too deep."
            )
        ),
    ]


def _by_depth(found, scale, unit) -> list:
    figures = html_page.table(
        [
            tr("depth ({})").format(unit),
            tr("cells"),
            tr("as given: mean ({})").format(unit),
            tr("RMS"),
            tr("corrected: mean ({})").format(unit),
            tr("RMS"),
        ],
        [
            [
                f"{c.low / scale:.0f} &ndash; {c.high / scale:.0f}",
                written(c.cells, ","),
                *(_length(v / scale) for v in c[3:]),
            ]
            for c in found.by_depth
        ],
    )
    picture = html_page.no_pictures()
    if plots.available():
        classes = np.array(found.by_depth) / scale
        picture = html_page.image(
            tr("Difference by depth"),
            plots.map_error_by_depth(
                classes[:, :2].mean(axis=1), classes[:, 3], classes[:, 5], unit
            ),
        )
    return [f"<h2>{tr('By depth')}</h2>", figures, picture]
