"""Lake statistics as a table of figures and as a page of HTML in plain words."""

from __future__ import annotations

import csv
import io
from html import escape

import numpy as np

from .. import _plots
from .._html import image, no_pictures, page, remark, table
from .._i18n import tr
from ..core.correcting.datums import is_water_of_a_day
from ..core.number_text import written
from ..core.share.lake_statistics import UNITS
from ..core.units import HECTARE, printed

#: Digits after the point where no uncertainty says how many are worth reading; other kinds
#: show three figures or more.
_DIGITS = {"percent": 1, "ratio": 2, "count": 0}


def to_unit(value, kind: str, unit: str):
    """Return a figure in the unit that is read; ``unit`` is that of depth, ft or m."""
    return None if value is None else value / UNITS[kind][unit][0]


def reading_unit(value, kind: str, unit: str) -> tuple:
    """Return the unit that a figure is read in: its SI units, and its sign."""
    if kind == "area" and unit == "m" and value >= HECTARE:
        return HECTARE, "ha"
    size, name = UNITS[kind][unit]
    return size, printed(name)


def bare(value, kind: str, size: float, sd=None) -> str:
    """Return a figure in a unit of so many SI units; the uncertainty decides the digits."""
    value /= size
    digits = _DIGITS.get(kind)
    if digits is None:
        digits = int(np.clip(2 - np.floor(np.log10(max(abs(value), 1e-3))), 0, 3))
    if sd:
        # The uncertainty keeps two figures where it begins with 1 or 2, else one.
        digits = int(np.clip(np.ceil(-np.log10(sd / size / 3.0)), 0, 3))
    return written(value, f",.{digits}f")


def text(value, kind: str, unit: str, sd=None) -> str:
    """Return a figure with its unit; the uncertainty decides the digits."""
    size, sign = reading_unit(value, kind, unit)
    return f"{bare(value, kind, size, sd)} {sign}".rstrip()


def setting(value, unit: str) -> str:
    """Return a depth that the user chose, with its unit."""
    return f"{written(round(to_unit(value, 'length', unit), 3), 'g')} {unit}"


def spread_text(figure, unit: str) -> str:
    """Return the standard uncertainty of a figure, or a dash."""
    if figure.sd is None:
        return "&ndash;"
    size, sign = reading_unit(figure.value, figure.kind, unit)
    return f"&plusmn; {bare(figure.sd, figure.kind, size, figure.sd)} {sign}".rstrip()


def statistics_csv(statistics, unit: str) -> str:
    """Return the figures as comma-separated text, in the units read and in SI units."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["figure", "value", "standard_uncertainty", "unit", "value_si",
                     "standard_uncertainty_si", "unit_si", "meaning"])

    def cell(value):
        return "" if value is None else f"{value:.10g}"

    writer.writerow(["level", cell(to_unit(statistics.level, "length", unit)), "",
                     UNITS["length"][unit][1], cell(statistics.level), "", "m",
                     tr("Water level above the datum")])
    for name, figure in statistics.figures.items():
        read = [cell(to_unit(v, figure.kind, unit)) for v in (figure.value, figure.sd)]
        writer.writerow([
            name, *read, UNITS[figure.kind][unit][1], cell(figure.value), cell(figure.sd),
            UNITS[figure.kind]["m"][1], tr(figure.label),
        ])
    return out.getvalue()


def sentences(statistics, unit: str, littoral_depth: float) -> list:
    """Return what the figures say, in plain words."""
    f = statistics.figures

    def say(name):
        return text(f[name].value, f[name].kind, unit, f[name].sd)

    lines = [
        tr("The lake covers {} and holds {} of water. It is {} deep on average and {} at its "
           "deepest point.").format(say("area"), say("volume"), say("mean_depth"),
                                    say("max_depth")),
        tr("{} of it, {}, is shallower than {}.").format(
            say("littoral_share"), say("littoral_area"), setting(littoral_depth, unit)),
        tr("Its shore is {} long, {:.2f} times that of a round lake of the same size.").format(
            say("shoreline"), f["development"].value),
    ]
    if f["islands"].value:
        which = tr("One island") if f["islands"].value == 1 else tr("{} islands").format(
            f["islands"].value)
        lines.append(tr("{} with {} of shore: no part of the area.").format(
            which, say("island_shoreline")))
    lines.append(tr("The bottom slopes by {} on average.").format(say("mean_slope")))
    fall = UNITS["length"]["ft"][0] if unit == "ft" else 0.5
    curve = statistics.curve
    depth = curve.depth + statistics.level
    if depth[-1] > fall:
        lost = [float(v[0] - np.interp(fall, depth, v)) for v in (curve.area, curve.volume)]
        lines.append(
            tr("If the water fell by {}, {} of bottom would come dry and {:.1f}% of the water "
               "would be gone.").format(
                setting(fall, unit), text(lost[0], "area", unit),
                100.0 * lost[1] / curve.volume[0])
        )
    if f["volume"].sd:
        low, high = (f["volume"].value + k * f["volume"].sd for k in (-2.0, 2.0))
        lines.append(
            tr("With the uncertainties stated, the volume lies between {} and {} (two standard "
               "uncertainties).").format(
                text(low, "volume", unit, f["volume"].sd),
                text(high, "volume", unit, f["volume"].sd))
        )
    basins = len(statistics.basins["area"])
    if basins:
        lines.append(tr("There are {} closed basins.").format(basins))
    return lines


def statistics_html(statistics, unit: str, littoral_depth: float, datum: str) -> str:
    """Return the report; ``datum`` is the name of the datum."""
    level = statistics.level
    unread = is_water_of_a_day(datum)
    datum = tr("the {}").format(datum) if unread else datum
    where = tr("at {}").format(datum)
    if level:
        side = tr("above") if level > 0 else tr("below")
        where = tr("{} {} {}").format(setting(abs(level), unit), side, datum)
    where = tr("Water level: {}.").format(where)
    if unread:
        where += " " + tr("No gauge was read: how high the lake stood then is not known.")
    parts = [f"<p>{escape(where)}</p>", "<ul>"]
    parts += [f"<li>{escape(s)}</li>" for s in sentences(statistics, unit, littoral_depth)]
    parts += [
        "</ul>", f"<h2>{tr('Figures')}</h2>",
        table(
            (tr("figure"), tr("value"), tr("standard uncertainty")),
            [(escape(tr(f.label)), text(f.value, f.kind, unit, f.sd), spread_text(f, unit))
             for f in statistics.figures.values()],
        ),
        f"<h2>{tr('Area and volume by depth')}</h2>", *_pictures(statistics, unit),
        _layers(statistics.layers, unit),
    ]
    if statistics.basins["area"]:
        parts += [f"<h2>{tr('Closed basins')}</h2>", _basins(statistics.basins, unit)]
    parts += [f"<h2>{tr('How to read this')}</h2>", "<ul>"]
    parts += [f"<li>{escape(note)}</li>" for note in statistics.notes]
    parts += ["</ul>", remark(tr("Not for navigation."))]
    return page(tr("Lake statistics"), parts)


def _pictures(statistics, unit) -> list:
    if not _plots.available():
        return [no_pictures()]
    curve = statistics.curve
    depth = to_unit(curve.depth + statistics.level, "length", unit)
    depth_unit = UNITS["length"][unit][1]
    pictures = []
    for title, kind, values, sd in (
        (tr("Hypsographic curve: area at a depth or deeper"), "area", curve.area, curve.area_sd),
        (tr("Volume curve: volume below a depth"), "volume", curve.volume, curve.volume_sd),
    ):
        size, sign = reading_unit(values.max(), kind, unit)
        label = f"{tr('area') if kind == 'area' else tr('volume')} ({sign})"
        png = _plots.curve_by_depth(depth, values / size, sd / size, depth_unit, label)
        pictures += [f"<h3>{title}</h3>", image(title, png)]
    return pictures


def _layers(layers, unit) -> str:
    whole, full = layers.area_top[0], layers.volume_below[0]
    area_size, area_unit = reading_unit(whole, "area", unit)
    volume_size, volume_unit = reading_unit(full, "volume", unit)

    def limit(depth):
        return written(to_unit(depth, "length", unit), ".1f")

    rows = [
        (
            f"{limit(top)} &ndash; {limit(bottom)}", bare(area, "area", area_size),
            written(100.0 * area / whole, ".1f"), bare(area_top, "area", area_size),
            bare(volume, "volume", volume_size, sd), bare(sd, "volume", volume_size, sd),
            written(100.0 * volume / full, ".1f"),
        )
        for top, bottom, area, area_top, volume, sd in zip(
            layers.top, layers.bottom, layers.area, layers.area_top, layers.volume,
            layers.volume_sd)
    ]
    return table(
        (
            tr("depth ({})").format(UNITS["length"][unit][1]),
            tr("area between ({})").format(area_unit), "%",
            tr("area at the upper depth ({})").format(area_unit),
            tr("volume ({})").format(volume_unit), "&plusmn;", "%",
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
            str(number), depth(closing), depth(deepest), bare(size, "area", area_size),
            bare(content, "volume", volume_size), f"{x:.0f}, {y:.0f}",
        )
        for number, (closing, deepest, size, content, x, y) in enumerate(
            zip(*(basins[name] for name in
                  ("closing_depth", "max_depth", "area", "volume", "x", "y"))), start=1)
    ]
    return table(
        (
            tr("basin"), tr("closed below ({})").format(length),
            tr("deepest ({})").format(length), tr("area ({})").format(area),
            tr("volume ({})").format(volume), tr("deepest point (easting, northing)"),
        ),
        rows,
    )
