"""The report of bottom type as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from ..core.number_text import written
from . import plots
from .html_page import image, no_pictures, page, remark, table

_MOST_POINTS = 3000


def bottom_type_html(result) -> str:
    """Return the page of a :class:`..core.hardness.bottom_type.BottomType`."""
    notes = "".join(f"<li>{escape(note)}</li>" for note in result.notes)
    parts = [f"<ul>{notes}</ul>", f"<h2>{tr('Classes of bottom')}</h2>", *_classes(result)]
    if result.calibration is not None:
        parts += [f"<h2>{tr('Bottom samples')}</h2>", *_samples(result.calibration)]
    parts += [f"<h2>{tr('Dependence on depth and slope')}</h2>", *_trend(result)]
    parts += [f"<h2>{tr('Visits')}</h2>", *_visits(result)]
    if not plots.available():
        parts.append(no_pictures())
    return page(tr("Bottom type"), parts)


def _with_error(value, error, digits) -> str:
    if not np.isfinite(error):
        return tr("not known: it hardly varies")
    value, error = written(value, f"+.{digits}f"), written(error, f".{digits}f")
    return f"{value} &plusmn; {error}"


def _classes(result) -> list:
    parts = [_areas(result)] if result.classes else []
    parts += [
        _mixtures(result),
        remark(
            tr(
                "Mixtures of one, two and three classes were fitted to the observations. The one in "
                "bold is used. Its classes are at least two standard deviations apart, and it has "
                "the minimum Bayesian information criterion (BIC). The BIC counts independent "
                "observations only."
            )
        ),
    ]
    if plots.available():
        hardness = result.reduced[result.used]
        parts.append(
            image(
                tr("Histogram of hardness"),
                plots.hardness_mixture(hardness, result.mixture, result.thresholds),
            )
        )
    return parts


def _areas(result) -> str:
    area = np.isfinite(result.bottom.values).sum() * result.bottom.dx * result.bottom.dy
    edges = ["0", *(written(t, ".2f") for t in result.thresholds), "1"]
    return table(
        [tr("bottom"), tr("hardness"), tr("area (m&sup2;)"), tr("area (%)")],
        [
            [
                tr(name),
                f"{edges[i]} &ndash; {edges[i + 1]}",
                written(result.shares[name] * area, ",.0f"),
                f"{100 * result.shares[name]:.0f}",
            ]
            for i, name in enumerate(result.classes)
        ],
    )


def _mixtures(result) -> str:
    least = min(m.bic for m in result.tried)
    return table(
        [
            tr("classes"),
            tr("means of hardness"),
            tr("standard deviations"),
            tr("proportions"),
            tr("smallest distance between means"),
            tr("BIC above the minimum"),
        ],
        [
            [
                f"<b>{len(m)}</b>" if m is result.mixture else len(m),
                *(
                    ", ".join(written(v, ".2f") for v in values)
                    for values in (m.mean, m.sd, m.share)
                ),
                written(m.separation.min(), ".1f") if len(m) > 1 else "",
                f"{m.bic - least:.0f}",
            ]
            for m in result.tried
        ],
    )


def _samples(calibration) -> list:
    names = [tr(name) for name in calibration.present]
    return [
        table(
            [tr("sampled (down), mapped (across)"), *names],
            [[name, *row] for name, row in zip(names, calibration.confusion.tolist())],
        ),
        "<p>"
        + tr("Classified right: {:.0f}%, kappa {:.2f}.").format(
            100 * calibration.agreement, calibration.kappa
        )
        + "</p>",
        remark(tr("Each sample is classified by thresholds that were found without it.")),
    ]


def _trend(result) -> list:
    trend, obs, used = result.trend, result.logged.observations, result.used
    parts = [
        table(
            [tr("change of hardness"), ""],
            [
                [tr("at ten times the depth"), _with_error(trend.depth, trend.depth_error, 3)],
                [tr("per degree of slope"), _with_error(trend.slope, trend.slope_error, 4)],
            ],
        ),
        remark(
            tr(
                "The effects are estimated within the classes. So gravel that lies only in shallow "
                "water does not count as an effect of depth. Mapped hardness is that of flat bottom "
                "at a depth of {:.1f} m."
            ).format(trend.reference_depth)
        ),
    ]
    if not plots.available():
        return parts
    rows = np.flatnonzero(used)
    rows = rows[:: -(-len(rows) // _MOST_POINTS)]
    depth, slope, adjusted = obs.depth[rows], np.nan_to_num(obs.slope[rows]), result.adjusted[rows]
    for label, x, other, grid in (
        (
            tr("depth (m)"),
            depth,
            trend.at(trend.reference_depth, slope),
            np.linspace(*trend.depth_range, 80),
        ),
        (tr("slope (degrees)"), slope, trend.at(depth, 0.0), np.linspace(*trend.slope_range, 80)),
    ):
        curve = trend.at(grid, 0.0) if x is depth else trend.at(trend.reference_depth, grid)
        parts.append(
            image(
                tr("Hardness by {}").format(label),
                plots.hardness_trend(x, adjusted - other, grid, curve, result.mixture.mean, label),
            )
        )
    return parts


def _visits(result) -> list:
    gains, logged = result.gains, result.logged
    number = logged.observations.visit
    rows = []
    for v, visit in enumerate(gains.visit):
        if v == gains.reference:
            gain, offset = "1", "0"
        elif not gains.solved[v]:
            gain = offset = tr("left out")
        else:
            gain = tr("{:.2f} &plusmn; {:.2f}").format(gains.gain[v], gains.cov[v, 0, 0] ** 0.5)
            offset = written(gains.offset[v], "+.3f")
            if not gains.gain_free[v]:
                gain += " " + tr("(not adjusted)")
        rows.append(
            [
                escape(str(visit)),
                int((number == v).sum()),
                int(gains.places[v]),
                gain,
                offset,
                written(logged.noise[v], ".3f"),
                f"{100 * logged.saturated[v]:.0f}",
            ]
        )
    parts = [
        table(
            [
                tr("visit"),
                tr("observations"),
                tr("shared places"),
                tr("gain"),
                tr("offset"),
                tr("noise"),
                tr("saturated (%)"),
            ],
            rows,
        ),
        remark(
            tr(
                "Logged hardness is the offset plus the gain times adjusted hardness. One "
                "observation is the mean of the pings within a footprint. The median footprint "
                "is {:.1f} m wide."
            ).format(logged.footprint)
        ),
    ]
    if np.isfinite(gains.before):
        parts.append(
            "<p>"
            + tr(
                "Root mean square difference of two visits at one place: {:.3f} as logged, "
                "{:.3f} adjusted."
            ).format(gains.before, gains.after)
            + "</p>"
        )
    if plots.available() and gains.solved.sum() > 1:
        parts.append(image(tr("Gains of the visits"), plots.visit_gains(gains)))
    return parts
