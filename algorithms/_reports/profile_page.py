"""The report of depth profiles."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from ..core.number_text import written
from ..core.places.place_texts import class_name
from ..core.structure.depth_profile import summary
from ..core.units import LENGTH
from . import html_page, plots

#: Rows of the table of one line; the layer has them all.
_ROWS = 60


def profile_html(profile, names, interval: float, unit: str) -> str:
    """Return a page with a picture, figures and a table for each line.

    Parameters
    ----------
    profile : dict
        As :func:`..core.structure.depth_profile.depth_profiles` returns it.
    names : list of str
        Of the lines, in order; empty where a line has none.
    interval : float
        Contour interval in ``unit``.
    unit : str
        ``ft`` or ``m``.
    """
    parts = []
    for number, name in enumerate(names, start=1):
        of_line = {key: values[profile["line"] == number] for key, values in profile.items()}
        title = escape(name) or tr("Line {}").format(number)
        parts.append(f"<h2>{title}</h2>")
        if not np.isfinite(of_line["depth_m"]).any():
            parts.append(html_page.remark(tr("This line lies off the mapped bottom.")))
            continue
        meters = LENGTH[unit]
        if plots.available():
            parts.append(
                html_page.image(
                    title,
                    plots.depth_profile(
                        of_line["distance_m"] / meters,
                        of_line["depth_m"] / meters,
                        of_line["uncert_m"] / meters,
                        of_line["bottom"],
                        interval,
                        unit,
                    ),
                )
            )
        else:
            parts.append(html_page.no_pictures())
        parts += [_figures(summary(profile, number), unit), _table(of_line, unit)]
    parts.append(
        html_page.remark(
            tr(
                "Depths come from the depth surface. The line has a gap where the surface has one. The "
                "band around the line is the 95% uncertainty. Slope is along the line, "
                "positive where it "
                "gets deeper. The bottom may be steeper in other directions. The vertical scale is "
                "exaggerated. Not for navigation."
            )
        )
    )
    return html_page.page(tr("Depth profile"), parts)


def _text(value, digits=1) -> str:
    return written(value, f".{digits}f") if np.isfinite(value) else "\u2013"


def _figures(figures, unit) -> str:
    meters = LENGTH[unit]
    rows = [
        (tr("length"), f"{figures['length_m'] / meters:.0f} {unit}"),
        (tr("length on mapped bottom"), f"{figures['mapped_m'] / meters:.0f} {unit}"),
        (tr("shallowest depth"), f"{_text(figures['shallowest_m'] / meters)} {unit}"),
        (tr("deepest depth"), f"{_text(figures['deepest_m'] / meters)} {unit}"),
        (tr("mean depth"), f"{_text(figures['mean_m'] / meters)} {unit}"),
        (tr("maximum slope along the line"), f"{_text(figures['steepest_pct'], 0)}%"),
    ]
    return html_page.table((tr("figure"), tr("value")), rows)


def _table(line, unit) -> str:
    meters = LENGTH[unit]
    head = (
        tr("distance ({})").format(unit), tr("depth ({})").format(unit),
        tr("standard uncertainty ({})").format(unit), tr("nearest sounding ({})").format(unit),
        tr("slope (%)"), tr("bottom"),
    )  # fmt: skip
    count = len(line["distance_m"])
    every = -(-count // _ROWS)
    shown = sorted({*range(0, count, every), count - 1})
    rows = [
        (
            f"{line['distance_m'][i] / meters:.0f}",
            _text(line["depth_m"][i] / meters),
            _text(line["uncert_m"][i] / meters, 2),
            _text(line["sounding_m"][i] / meters, 0),
            _text(line["slope_pct"][i], 0),
            class_name(line["bottom"][i]) or "\u2013",
        )
        for i in shown
    ]
    parts = html_page.table(head, rows)
    if every > 1:
        parts += html_page.remark(
            tr("The table shows one sample in {}. The layer has all {}.").format(every, count)
        )
    return parts
