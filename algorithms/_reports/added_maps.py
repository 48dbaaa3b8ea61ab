"""Maps of what visits added, as PNG in base64: uncertainty before and after, and changed depth."""

from __future__ import annotations

import numpy as np

from .._i18n import tr
from .._styling.look import FAINT, INK, WHITE
from .._styling.surface import PALETTES
from ..core.number_text import written
from ..core.units import LENGTH
from ..core.wording.amounts import WITHIN_95
from ..core.wording.page_layout import bar_segment
from .plots import png_of, tick_format

_CHANGE, _UNCERTAINTY = (PALETTES[name][1] for name in ("change", "uncertainty"))
#: Cells on the longer side of a picture; of a larger raster every so many are drawn.
_MOST_CELLS = 900
#: Dots an inch, and inches: 800 dots wide, room above for a title and below for the colors.
_DPI = 110
_WIDTH, _ABOVE, _BELOW = 800.0 / _DPI, 0.3, 0.62


def uncertainty_maps(added, shoreline, unit: str) -> str:
    """Draw the 95% uncertainty of depth before and after, on one scale, with the new tracks."""
    shown = [
        (title, figures.surface.uncertainty)
        for title, figures in ((tr("before"), added.before), (tr("after"), added.after))
        if figures is not None
    ]
    factor = WITHIN_95 / LENGTH[unit]
    most = max(factor * float(np.nanquantile(grid.values, 0.98)) for _, grid in shown)

    def draw(axes, number):
        title, grid = shown[number]
        image = _image(axes, grid, factor, _UNCERTAINTY, 0.0, most)
        if len(shown) > 1:
            axes.set_title(title, fontsize=10, color=INK)
        if number == len(shown) - 1:
            axes.plot(*added.track.T, color=INK, linewidth=0.8)
        return image

    return _maps(shoreline, len(shown), draw, tr("95% uncertainty of depth ({})").format(unit))


def change_map(added, shoreline, unit: str) -> str:
    """Draw the change of depth where it exceeds its uncertainty, and what is newly covered."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    difference = added.difference
    beyond = np.abs(difference.significance.values) == 1.0
    change = difference.change.like(np.where(beyond, difference.change.values, np.nan))
    sizes = np.abs(change.values[beyond]) / LENGTH[unit]
    most = float(np.quantile(sizes, 0.98)) if sizes.size else 1.0

    def draw(axes, number):
        new = _newly_covered(added)
        plain = difference.change.like(np.where(np.isfinite(difference.change.values), 0.0, np.nan))
        _image(axes, plain, 1.0, _CHANGE, -1.0, 1.0)
        if new.any():
            _hatched(axes, added.after.surface.depth, new)
        image = _image(axes, change, 1.0 / LENGTH[unit], _CHANGE, -most, most)
        if len(added.changed_places):
            axes.scatter(*added.changed_places.T, s=4, marker="x", color=INK, linewidths=0.5)
        return image

    signs = [Patch(facecolor=_CHANGE[1], edgecolor=FAINT, label=tr("no clear change"))]
    if _newly_covered(added).any():
        signs.append(
            Patch(facecolor=WHITE, edgecolor=FAINT, hatch="////", label=tr("no depth before"))
        )
    if len(added.changed_places):
        label = tr("superseded soundings")
        signs.append(Line2D([], [], marker="x", color=INK, linestyle="", markersize=4, label=label))
    label = tr("change of depth ({}), positive where deeper").format(unit)
    return _maps(shoreline, 1, draw, label, signs)


def _newly_covered(added):
    before, after = (
        np.isfinite(figures.surface.depth.values) for figures in (added.before, added.after)
    )
    return after & ~before


def _extent(grid):
    west, south, east, north = grid.bounds
    return west, east, south, north


def _step(grid) -> int:
    return max(1, -(-max(grid.shape) // _MOST_CELLS))


def _image(axes, grid, factor, stops, low, high):
    from matplotlib.colors import LinearSegmentedColormap

    step = _step(grid)
    return axes.imshow(
        factor * grid.values[::step, ::step],
        cmap=LinearSegmentedColormap.from_list("", stops),
        vmin=low,
        vmax=high,
        extent=_extent(grid),
        interpolation="nearest",
    )


def _hatched(axes, grid, cells):
    step = _step(grid)
    part = cells[::step, ::step].astype(float)
    if min(part.shape) > 1:
        x, y = grid.x[::step], grid.y[::step]
        axes.contourf(x, y, part, levels=[0.5, 1.5], colors="none", hatches=["////"])


def _maps(shoreline, count, draw, label, signs=()) -> str:
    """Return maps side by side, with a bar of their colors below and the signs on the right."""
    from matplotlib.figure import Figure

    from ..core.polygons import rings

    west, south, east, north = shoreline.bounds
    margin = 0.03 * max(east - west, north - south)
    # A single map leaves room for its signs.
    wide = _WIDTH / max(count, 1.5)
    high = wide * float(np.clip((north - south) / max(east - west, 1e-9), 0.35, 1.5))
    total = high + _ABOVE + _BELOW
    figure = Figure(figsize=(_WIDTH, total), dpi=_DPI)
    for number in range(count):
        axes = figure.add_axes(
            [number * wide / _WIDTH, _BELOW / total, wide / _WIDTH, high / total], facecolor=WHITE
        )
        image = draw(axes, number)
        for ring in rings(shoreline):
            axes.plot(*ring.T, color=INK, linewidth=1.0)
        axes.set_xlim(west - margin, east + margin)
        axes.set_ylim(south - 3.0 * margin, north + margin)
        axes.set_aspect("equal")
        axes.set_axis_off()
        _scale_bar(axes, west, south - 2.0 * margin, 0.3 * (east - west))
    place = figure.add_axes([0.02, 0.42 / total, min(wide, 4.0) / _WIDTH - 0.04, 0.14 / total])
    bar = figure.colorbar(image, cax=place, orientation="horizontal")
    bar.set_label(label, fontsize=9, color=INK)
    bar.ax.tick_params(labelsize=8)
    bar.formatter = tick_format()
    bar.update_ticks()
    if signs:
        figure.legend(
            handles=signs,
            frameon=False,
            fontsize=9,
            loc="upper left",
            bbox_to_anchor=(wide / _WIDTH, 1.0 - _ABOVE / total),
        )
    return png_of(figure)


def _scale_bar(axes, x, y, longest):
    length = bar_segment(longest)
    axes.plot([x, x + length], [y, y], color=INK, linewidth=2.0, solid_capstyle="butt")
    text = f"{written(length, 'g')} m" if length < 1000.0 else f"{written(length / 1000.0, 'g')} km"
    axes.annotate(text, (x + length, y), (4, 0), textcoords="offset points", fontsize=8,
                  va="center", color=INK)  # fmt: skip
