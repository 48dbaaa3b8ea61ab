"""Lake statistics as a table of figures, as sentences, and as a page of HTML."""

from __future__ import annotations

import csv
import io
from html import escape

import numpy as np

from .._i18n import tr
from ..core.correcting.datums import is_water_of_a_day
from ..core.figures.figure import UNITS
from ..core.number_text import written
from ..core.units import FOOT
from ..core.wording.amounts import WITHIN_95
from ..core.wording.curve_drawing import curve_drawing
from ..core.wording.figure_text import (
    bare,
    figure_text,
    half_width,
    reading_unit,
    setting,
    to_unit,
    uncertainty_text,
)
from .curve_picture import curve_picture
from .html_page import page, picture, remark, table


def statistics_csv(statistics, unit: str) -> str:
    """Return the figures as comma-separated text, in the units read and in SI units."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        [
            "figure",
            "value",
            "standard_uncertainty",
            "unit",
            "value_si",
            "standard_uncertainty_si",
            "unit_si",
            "meaning",
        ]
    )

    def cell(value):
        return "" if value is None else f"{value:.10g}"

    writer.writerow(
        [
            "level",
            cell(to_unit(statistics.level, "length", unit)),
            "",
            UNITS["length"][unit][1],
            cell(statistics.level),
            "",
            "m",
            tr("Lake level above the datum"),
        ]
    )
    for name, figure in statistics.figures.items():
        read = [cell(to_unit(v, figure.kind, unit)) for v in (figure.value, figure.sd)]
        writer.writerow(
            [
                name,
                *read,
                UNITS[figure.kind][unit][1],
                cell(figure.value),
                cell(figure.sd),
                UNITS[figure.kind]["m"][1],
                tr(figure.label),
            ]
        )
    return out.getvalue()


def sentences(statistics, unit: str, littoral_depth: float) -> list:
    """Return what the figures say, in plain words."""
    f = statistics.figures

    def say(name):
        return figure_text(f[name].value, f[name].kind, unit, half_width(f[name]))

    lines = [
        tr(
            "The lake covers {} and holds {} of water. It is {} deep on average and {} deep at its "
            "deepest point."
        ).format(say("area"), say("volume"), say("mean_depth"), say("max_depth")),
        tr("{} of the lake, {}, is shallower than {}.").format(
            say("littoral_share"), say("littoral_area"), setting(littoral_depth, unit)
        ),
        tr("The shore is {} long.").format(say("shoreline")),
    ]
    if "development" in f:
        lines[-1] += " " + tr(
            "This is {:.2f} times the shore of a round lake of the same size."
        ).format(f["development"].value)
    islands = int(f["islands"].value)
    if islands == 1:
        lines.append(
            tr("One island with {} of shore is not part of the area.").format(
                say("island_shoreline")
            )
        )
    elif islands:
        lines.append(
            tr("{} islands with {} of shore are not part of the area.").format(
                islands, say("island_shoreline")
            )
        )
    lines.append(tr("The bottom slopes by {} on average.").format(say("mean_slope")))
    lines += _fall(statistics, unit)
    if f["volume"].sd:
        half = half_width(f["volume"])
        low, high = (
            figure_text(f["volume"].value + side, "volume", unit, half) for side in (-half, half)
        )
        lines.append(tr("With 95% confidence, the volume is between {} and {}.").format(low, high))
    basins = len(statistics.basins["area"])
    if basins:
        lines.append(tr("There are {} closed basins.").format(basins))
    return lines


def _fall(statistics, unit) -> list:
    """Return what a fall of the lake by one foot, or half a meter, uncovers."""
    fall = FOOT if unit == "ft" else 0.5
    curve = statistics.curve
    depth = curve.depth + statistics.level
    if depth[-1] <= fall:
        return []
    lost = [float(v[0] - np.interp(fall, depth, v)) for v in (curve.area, curve.volume)]
    return [
        tr(
            "If the water fell by {}, {} of bottom would fall dry and {:.1f}% of the water would "
            "be gone."
        ).format(
            setting(fall, unit),
            figure_text(lost[0], "area", unit),
            100.0 * lost[1] / curve.volume[0],
        )
    ]


def statistics_html(statistics, unit: str, littoral_depth: float, datum: str, notes: list) -> str:
    """Return the report; ``datum`` is the name of the datum, ``notes`` say how to read it."""
    level = statistics.level
    unread = is_water_of_a_day(datum)
    datum = tr("the {}").format(datum) if unread else datum
    where = tr("at {}").format(datum)
    if level:
        side = tr("above") if level > 0 else tr("below")
        where = tr("{} {} {}").format(setting(abs(level), unit), side, datum)
    where = tr("Lake level: {}.").format(where)
    if unread:
        where += " " + tr("The height of the lake at that time is not known.")
    parts = [f"<p>{escape(where)}</p>", "<ul>"]
    parts += [f"<li>{escape(s)}</li>" for s in sentences(statistics, unit, littoral_depth)]
    parts += [
        "</ul>",
        f"<h2>{tr('Figures')}</h2>",
        table(
            (tr("figure"), tr("value"), tr("95% uncertainty")),
            [
                (
                    escape(tr(f.label)),
                    figure_text(f.value, f.kind, unit, half_width(f)),
                    uncertainty_text(f, unit) or "&ndash;",
                )
                for f in statistics.figures.values()
            ],
        ),
        f"<h2>{tr('Area and volume by depth')}</h2>",
        *_pictures(statistics, unit),
        _layers(statistics.layers, unit),
    ]
    if statistics.basins["area"]:
        parts += [f"<h2>{tr('Closed basins')}</h2>", _basins(statistics.basins, unit)]
    parts += [f"<h2>{tr('How to read this')}</h2>", "<ul>"]
    parts += [f"<li>{escape(note)}</li>" for note in notes]
    parts += ["</ul>", remark(tr("Not for navigation."))]
    return page(tr("Lake statistics"), parts)


def _pictures(statistics, unit) -> list:
    curve = statistics.curve
    depth = to_unit(curve.depth + statistics.level, "length", unit)
    depth_unit = UNITS["length"][unit][1]
    pictures = []
    for title, axes, kind, values, sd in (
        (
            tr("Hypsographic curve"),
            tr("Area ({}) at each depth ({}) or deeper"),
            "area",
            curve.area,
            curve.area_sd,
        ),
        (
            tr("Volume curve"),
            tr("Volume ({}) below each depth ({})"),
            "volume",
            curve.volume,
            curve.volume_sd,
        ),
    ):
        size, sign = reading_unit(values.max(), kind, unit)
        drawing = curve_drawing(axes.format(sign, depth_unit), depth, values / size, sd / size)
        pictures += [f"<h3>{title}</h3>", picture(title, curve_picture(drawing), 520)]
    return [*pictures, remark(tr("The dark band is the 95% uncertainty."))]


def _layers(layers, unit) -> str:
    whole, full = layers.area_top[0], layers.volume_below[0]
    area_size, area_unit = reading_unit(whole, "area", unit)
    volume_size, volume_unit = reading_unit(full, "volume", unit)

    def limit(depth):
        return written(to_unit(depth, "length", unit), ".1f")

    rows = [
        (
            f"{limit(top)} &ndash; {limit(bottom)}",
            bare(area, "area", area_size),
            written(100.0 * area / whole, ".1f"),
            bare(area_top, "area", area_size),
            bare(volume, "volume", volume_size, half),
            bare(half, "volume", volume_size, half),
            written(100.0 * volume / full, ".1f"),
        )
        for top, bottom, area, area_top, volume, half in zip(
            layers.top,
            layers.bottom,
            layers.area,
            layers.area_top,
            layers.volume,
            WITHIN_95 * layers.volume_sd,
        )
    ]
    return table(
        (
            tr("depth ({})").format(UNITS["length"][unit][1]),
            tr("area between ({})").format(area_unit),
            "%",
            tr("area at the shallower depth ({})").format(area_unit),
            tr("volume ({})").format(volume_unit),
            tr("&plusmn; at 95%"),
            "%",
        ),
        rows,
    )


def _basins(basins, unit) -> str:
    area_size, area = reading_unit(basins["area"][0], "area", unit)
    volume_size, volume = reading_unit(basins["volume"][0], "volume", unit)
    length = UNITS["length"][unit][1]

    def depth(value):
        return written(to_unit(value, "length", unit), ".1f")

    rows = [
        (
            str(number),
            depth(closing),
            depth(deepest),
            bare(size, "area", area_size),
            bare(content, "volume", volume_size),
            f"{x:.0f}, {y:.0f}",
        )
        for number, (closing, deepest, size, content, x, y) in enumerate(
            zip(
                *(
                    basins[name]
                    for name in ("closing_depth", "max_depth", "area", "volume", "x", "y")
                )
            ),
            start=1,
        )
    ]
    return table(
        (
            tr("basin"),
            tr("closed below depth ({})").format(length),
            tr("deepest point ({})").format(length),
            tr("area ({})").format(area),
            tr("volume ({})").format(volume),
            tr("position of the deepest point (easting, northing)"),
        ),
        rows,
    )
