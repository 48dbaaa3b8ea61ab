"""Pictures for reports, as PNG in base64."""

from __future__ import annotations

import base64
import io

import numpy as np

from .._i18n import tr
from .._styling.look import DROP_OFF, INK, depth_color
from ..core.number_text import written
from ..core.wording.amounts import WITHIN_95

_DEEP = depth_color(1.0).name()


def available() -> bool:
    """Tell whether this QGIS has matplotlib, which draws the pictures."""
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        return False
    return True


def tick_format():
    """Return matplotlib's format of the figures along an axis, in the signs of the user."""
    from matplotlib.ticker import ScalarFormatter

    class Ticks(ScalarFormatter):
        def __call__(self, x, pos=None):
            # One point at most, and no thousands parted: the sign of decimals is all there is.
            return super().__call__(x, pos).replace(".", written(0.5, ".1f")[1])

    return Ticks(useOffset=False)


def _plain(name) -> str:
    """Return a name as matplotlib shows it; what stands between dollar signs is no formula."""
    return str(name).replace("$", r"\$")


def _picture(width, height, draw) -> str:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=110)
    axes = figure.add_subplot(1, 1, 1)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(tick_format())
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    draw(axes)
    figure.tight_layout()
    return png_of(figure)


def png_of(figure) -> str:
    """Return a figure of matplotlib as PNG in base64."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    buffer = io.BytesIO()
    # No time stamp: the same data give the same file.
    FigureCanvasAgg(figure).print_png(buffer, metadata={"Software": None})
    return base64.b64encode(buffer.getvalue()).decode("ascii")


def difference_histogram(difference, unit: str) -> str:
    """Draw the histogram of depth differences, given in ``unit``."""
    size = max(float(np.percentile(np.abs(difference), 99)), 1e-3)
    count = int(np.clip(2.0 * np.cbrt(difference.size), 9, 41)) // 2 * 2 + 1

    def draw(axes):
        # Differences beyond the 99th percentile are counted in the outermost bars.
        axes.hist(np.clip(difference, -size, size), bins=count, range=(-size, size), color=_DEEP)
        axes.axvline(0.0, color=INK, linewidth=0.8)
        axes.axvline(
            float(difference.mean()),
            color=DROP_OFF,
            linewidth=1.4,
            linestyle="--",
            label=tr("mean"),
        )
        axes.set_xlabel(tr("depth difference ({})").format(unit))
        axes.set_ylabel(tr("crossings"))
        axes.legend(frameon=False)

    return _picture(6.4, 3.2, draw)


def difference_map(x, y, difference, unit: str) -> str:
    """Draw where depth differences lie: up for deeper, down for shallower, larger for worse."""
    size = max(float(np.percentile(np.abs(difference), 95)), 1e-3)
    order = np.argsort(np.abs(difference), kind="stable")
    x, y, d = x[order], y[order], difference[order]
    area = 10.0 + 60.0 * np.minimum(np.abs(d) / size, 1.0)

    def draw(axes):
        for mark, rows, color, label in (
            ("v", d >= 0, _DEEP, tr("first visit deeper")),
            ("^", d < 0, DROP_OFF, tr("first visit shallower")),
        ):
            axes.scatter(
                x[rows],
                y[rows],
                s=area[rows],
                marker=mark,
                color=color,
                alpha=0.75,
                linewidths=0,
                label=label,
            )
        axes.set_aspect("equal", adjustable="datalim")
        axes.set_xlabel(tr("easting (m)"))
        axes.set_ylabel(tr("northing (m)"))
        axes.ticklabel_format(style="plain", useOffset=False)
        axes.tick_params(labelsize=7)
        axes.locator_params(nbins=5)
        axes.set_title(tr("Largest symbols: {:.2f} {} or more").format(size, unit), fontsize=9)
        axes.legend(frameon=False, fontsize=8)

    return _picture(6.4, 5.6, draw)


def offset_scan(scans, offset, uncert) -> str:
    """Draw the depth difference between tracks against the time offset tried.

    Parameters
    ----------
    scans : list of (str, array, array)
        Label, offsets in s and differences in m; the first is drawn strongest.
    offset, uncert : float
        The offset found and its standard uncertainty, s; NaN where it was not found.
    """

    def draw(axes):
        if np.isfinite(offset):
            half = WITHIN_95 * uncert
            axes.axvspan(offset - half, offset + half, color=DROP_OFF, alpha=0.18, linewidth=0)
            axes.axvline(
                offset,
                color=DROP_OFF,
                linewidth=1.4,
                linestyle="--",
                label=tr("offset found, with its 95% uncertainty"),
            )
        styles = ("-", "--", ":", "-.")
        for i, (label, tried, difference) in enumerate(scans):
            color = _DEEP if i == 0 else depth_color(0.35 + 0.5 * i / len(scans)).name()
            axes.plot(
                tried,
                difference,
                color=color,
                linewidth=2.2 if i == 0 else 1.0,
                linestyle=styles[i % len(styles)],
                label=_plain(label),
            )
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel(tr("time offset (s)"))
        axes.set_ylabel(tr("depth difference between tracks (m)"))
        axes.legend(frameon=False, fontsize=8)

    return _picture(6.4, 3.6, draw)


def error_by_distance(classes, spacing: float, scale: float, unit: str) -> str:
    """Draw the error of gridding methods by distance to the nearest sounding.

    Parameters
    ----------
    classes : dict of str to list of dict
        By label: ``distance_from``, ``distance_to``, ``rmse`` (m) and ``count`` of each class.
    spacing : float
        Lane spacing, m.
    scale : float
        Meters in the ``unit`` in which errors are read.
    """

    def draw(axes):
        for i, (label, rows) in enumerate(classes.items()):
            shown = [row for row in rows if row["count"]]
            # A class without an upper bound is drawn at its lower one.
            x = [
                0.5 * (r["distance_from"] + r["distance_to"])
                if np.isfinite(r["distance_to"])
                else r["distance_from"]
                for r in shown
            ]
            axes.plot(
                x,
                [row["rmse"] / scale for row in shown],
                label=label,
                color=(_DEEP, DROP_OFF, INK)[i % 3],
                marker="os^D"[i % 4],
                linestyle=("-", "--", ":", "-.")[i % 4],
                linewidth=1.6,
                markersize=6,
            )
        axes.axvspan(
            0.0,
            0.5 * spacing,
            color=depth_color(0.3).name(),
            alpha=0.4,
            linewidth=0,
            label=tr("distances in the survey itself"),
        )
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel(tr("distance to the nearest sounding kept (m)"))
        axes.set_ylabel(tr("error, RMSE ({})").format(unit))
        axes.grid(color=INK, alpha=0.15, linewidth=0.6)
        axes.legend(frameon=False, fontsize=8)

    return _picture(6.4, 3.8, draw)


def map_error_by_depth(depth, before, after, depth_unit: str) -> str:
    """Draw the mean error of an older map by depth, as it was and corrected.

    Parameters
    ----------
    depth, before, after : array, shape (n,)
        Middle of each class of depth, and the mean of older map minus survey, in ``depth_unit``.
    """

    def draw(axes):
        axes.axvline(0.0, color=INK, linewidth=0.8)
        for value, color, mark, style, label in (
            (before, DROP_OFF, "o", "--", tr("as given")),
            (after, _DEEP, "s", "-", tr("corrected")),
        ):
            axes.plot(
                value, depth, color=color, marker=mark, linestyle=style, linewidth=1.6, label=label
            )
        axes.invert_yaxis()
        axes.set_xlabel(tr("older map minus survey, mean ({})").format(depth_unit))
        axes.set_ylabel(tr("depth ({})").format(depth_unit))
        axes.grid(color=INK, alpha=0.15, linewidth=0.6)
        axes.legend(frameon=False, fontsize=8)

    return _picture(5.2, 3.8, draw)


def depth_profile(along, depth, sd, bottom, interval: float, unit: str) -> str:
    """Draw depth along a line, depth downward, over a ribbon of the type of the bottom.

    Parameters
    ----------
    along, depth, sd : array, shape (n,)
        Distance, depth and its standard uncertainty in ``unit``; NaN in gaps.
    bottom : array, shape (n,)
        1 soft, 2 medium, 3 hard; NaN where not known.
    interval : float
        Contour interval, for the lines of equal depth.
    """
    known = np.isfinite(depth)
    deepest = max(float(depth[known].max()), interval) if known.any() else interval
    # Every second, fifth, tenth ... line, so that there are at most about twelve.
    decade = 10.0 ** np.floor(np.log10(max(deepest / (12.0 * interval), 1.0)))
    step = (
        interval
        * decade
        * next(k for k in (1.0, 2.0, 5.0, 10.0) if deepest <= 12.001 * k * decade * interval)
    )
    foot = 1.1 * deepest
    kinds = [(1, tr("soft"), "#efe6d5", ".."), (2, tr("medium"), "#b79a6a", "//"),
             (3, tr("hard"), "#4a2a0c", "")]  # fmt: skip

    def draw(axes):
        if np.isfinite(sd).any():
            axes.fill_between(
                along,
                depth - WITHIN_95 * sd,
                depth + WITHIN_95 * sd,
                linewidth=0,
                color=depth_color(0.45).name(),
                alpha=0.7,
                label=tr("95% uncertainty"),
            )
        axes.plot(along, depth, color=_DEEP, linewidth=1.6)
        for number, label, color, hatch in kinds:
            of_kind = known & (bottom == number)
            if of_kind.any():
                # As far as the next sample, where another kind may be drawn over it.
                reach = (of_kind | np.append(False, of_kind[:-1])) & known & np.isfinite(bottom)
                axes.fill_between(
                    along,
                    1.04 * foot,
                    1.12 * foot,
                    where=reach,
                    step="mid",
                    facecolor=color,
                    edgecolor=INK,
                    hatch=hatch,
                    linewidth=0.0,
                    label=tr("{} bottom").format(label),
                )
        axes.set_xlim(float(along[0]), float(along[-1]))
        axes.set_ylim(1.14 * foot if (known & np.isfinite(bottom)).any() else foot, 0.0)
        axes.set_yticks(np.arange(0.0, foot, step))
        axes.set_xlabel(tr("distance along the line ({})").format(unit))
        axes.set_ylabel(tr("depth ({})").format(unit))
        axes.grid(axis="y", color=INK, alpha=0.25, linewidth=0.6)
        if axes.get_legend_handles_labels()[0]:
            axes.legend(
                frameon=False, fontsize=8, loc="upper center", ncol=4, bbox_to_anchor=(0.5, 1.12)
            )

    return _picture(8.0, 4.2, draw)


def hardness_mixture(hardness, mixture, thresholds) -> str:
    """Draw the histogram of hardness with the classes of a mixture and the limits between them."""
    low, high = np.percentile(hardness, (0.2, 99.8))
    edges = np.linspace(low, high, 61)
    at = np.linspace(low, high, 400)

    def draw(axes):
        axes.hist(
            hardness,
            bins=edges,
            density=True,
            color=depth_color(0.45).name(),
            label=tr("observations"),
        )
        density = (
            mixture.share
            / mixture.sd
            / np.sqrt(2.0 * np.pi)
            * np.exp(-0.5 * ((at[:, None] - mixture.mean) / mixture.sd) ** 2)
        )
        for k, part in enumerate(density.T):
            axes.plot(
                at,
                part,
                color=INK,
                linewidth=1.0,
                linestyle="--",
                label=tr("class") if k == 0 else None,
            )
        axes.plot(at, density.sum(axis=1), color=INK, linewidth=1.6, label=tr("all classes"))
        for k, limit in enumerate(thresholds):
            axes.axvline(
                limit,
                color=DROP_OFF,
                linewidth=1.4,
                linestyle=":",
                label=tr("threshold") if k == 0 else None,
            )
        axes.set_xlabel(tr("relative hardness, freed from depth and slope"))
        axes.set_ylabel(tr("density"))
        axes.legend(frameon=False, fontsize=8)

    return _picture(6.4, 3.4, draw)


def hardness_trend(x, hardness, at, curve, means, label: str) -> str:
    """Draw hardness against depth or slope, with the trend through the mean of each class.

    Parameters
    ----------
    x, hardness : array, shape (n,)
        Observations, freed from the other of the two.
    at, curve : array, shape (m,)
        What the trend adds.
    means : array, shape (k,)
    label : str
        The quantity of ``x`` and its unit.
    """

    def draw(axes):
        axes.scatter(x, hardness, s=4, color=depth_color(0.6).name(), alpha=0.35, linewidths=0)
        for k, mean in enumerate(means):
            axes.plot(
                at,
                mean + curve,
                color=DROP_OFF,
                linewidth=1.8,
                label=tr("trend of each class") if k == 0 else None,
            )
        axes.set_xlabel(label)
        axes.set_ylabel(tr("relative hardness"))
        axes.set_ylim(*(np.percentile(hardness, (0.2, 99.8)) + (-0.05, 0.05)))
        axes.legend(frameon=False, fontsize=8)

    return _picture(6.4, 3.4, draw)


def visit_gains(levels) -> str:
    """Draw what each visit logs against adjusted hardness."""

    def draw(axes):
        axes.plot(
            (0, 1), (0, 1), color=INK, linewidth=1.8, label=_plain(levels.visit[levels.reference])
        )
        styles = ("--", ":", "-.")
        others = [v for v in np.flatnonzero(levels.solved) if v != levels.reference]
        for i, v in enumerate(others):
            axes.plot(
                (0, 1),
                levels.offset[v] + levels.gain[v] * np.array([0.0, 1.0]),
                color=(DROP_OFF, _DEEP)[i % 2],
                linestyle=styles[i % 3],
                linewidth=1.4,
                label=_plain(levels.visit[v]),
            )
        axes.set_xlabel(tr("adjusted hardness"))
        axes.set_ylabel(tr("logged hardness"))
        axes.grid(color=INK, alpha=0.15, linewidth=0.6)
        axes.legend(frameon=False, fontsize=8)

    return _picture(5.2, 3.8, draw)
