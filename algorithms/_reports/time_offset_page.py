"""The report of Find time offset as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from ..core.number_text import written
from . import html_page, plots

#: Curves in the picture beside that of all visits; more cannot be told apart.
_MOST_CURVES = 5


def row_name(row) -> str:
    """Return the visit of a result, or that it is of all."""
    return row.name or tr("all visits")


def time_offset_html(found) -> str:
    """Return the page of a :class:`..core.correcting.time_offset.TimeOffset`."""
    rows = [
        [
            escape(row_name(r)),
            "&ndash;" if not r.determinable else written(r.offset_s, "+.2f"),
            "&ndash;" if not np.isfinite(r.uncert_s) else written(r.uncert_s, ".2f"),
            r.pairs,
            r.meetings,
            escape(r.verdict),
        ]
        for r in (*found.visits, found)
    ]
    head = [
        tr("visit"),
        tr("time offset (s)"),
        tr("standard uncertainty (s)"),
        tr("pairs of tracks"),
        tr("meeting places"),
        tr("verdict"),
    ]
    notes = "".join(f"<li>{escape(note)}</li>" for note in found.notes)
    parts = [html_page.table(head, rows), f"<ul>{notes}</ul>" if notes else ""]
    scans = [
        (row_name(r), r.scan_s, r.misfit_m)
        for r in (found, *found.visits[:_MOST_CURVES])
        if r.scan_s.size
    ]
    if len(found.visits) == 1:
        scans = scans[:1]
    if scans and plots.available():
        title = tr("Depth difference between tracks by time offset")
        parts += [
            f"<h2>{title}</h2>",
            html_page.image(title, plots.offset_scan(scans, found.offset_s, found.uncert_s)),
        ]
    elif scans:
        parts.append(html_page.no_pictures())
    parts.append(
        html_page.remark(
            tr(
                "The time offset is how much older the logged position is than the depth beside it. "
                "The minimum of the curve marks it. The difference that is left there is noise of the "
                "sounder and the positions."
            )
        )
    )
    return html_page.page(tr("Time offset between sounder and GPS"), parts)
