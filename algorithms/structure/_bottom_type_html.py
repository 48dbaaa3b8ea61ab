"""The report of bottom type as a page of HTML."""

from __future__ import annotations

from html import escape

import numpy as np

from .._i18n import tr
from .._reports import plots
from .._reports.html_page import image, no_pictures, page, remark, table
from ..core.number_text import written

_MOST_POINTS = 3000


def bottom_type_html(result) -> str:
    """Return the page of a :class:`..core.structure.bottom_type.BottomType`."""
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
        return tr("not told: it hardly varies")
    value, error = written(value, f"+.{digits}f"), written(error, f".{digits}f")
    return f"{value} &plusmn; {error}"


def _classes(result) -> list:
    chosen, parts = result.mixture, []
    if result.classes:
        area = np.isfinite(result.bottom.values).sum() * result.bottom.dx * result.bottom.dy
        edges = ["0", *(written(t, ".2f") for t in result.thresholds), "1"]
        parts.append(table(
            [tr("bottom"), tr("hardness"), tr("area (m&sup2;)"), tr("share (%)")],
            [[tr(name), f"{edges[i]} &ndash; {edges[i + 1]}",
              written(result.shares[name] * area, ",.0f"), f"{100 * result.shares[name]:.0f}"]
             for i, name in enumerate(result.classes)],
        ))
    parts.append(table(
        [tr("classes"), tr("means of hardness"), tr("standard deviations"), tr("shares"),
         tr("least distance of means"), tr("BIC, less the lowest")],
        [[f"<b>{len(m)}</b>" if m is chosen else len(m), *(
            ", ".join(written(v, ".2f") for v in values) for values in (m.mean, m.sd, m.share)),
          written(m.separation.min(), ".1f") if len(m) > 1 else "",
          f"{m.bic - min(t.bic for t in result.tried):.0f}"] for m in result.tried],
    ))
    parts.append(remark(tr(
        "Mixtures of one, two and three classes fitted to the observations; the one in bold has "
        "the lowest Bayesian information criterion (BIC) of those whose means lie more than two "
        "standard deviations apart. The BIC counts independent observations only.")))
    if plots.available():
        parts.append(image(tr("Histogram of hardness"), plots.hardness_mixture(
            result.reduced[result.used], chosen, result.thresholds)))
    return parts


def _samples(calibration) -> list:
    names = [tr(name) for name in calibration.present]
    return [
        table(
            [tr("sampled, down; told, across"), *names],
            [[name, *row] for name, row in zip(names, calibration.confusion.tolist())],
        ),
        "<p>" + tr("Told right: {:.0f}%, kappa {:.2f}.").format(
            100 * calibration.agreement, calibration.kappa) + "</p>",
        remark(tr("Each sample is told by thresholds found without it.")),
    ]


def _trend(result) -> list:
    trend, obs, used = result.trend, result.logged.observations, result.used
    parts = [
        table([tr("change of hardness"), ""], [
            [tr("for ten times the depth"), _with_error(trend.depth, trend.depth_error, 3)],
            [tr("for one degree of slope"), _with_error(trend.slope, trend.slope_error, 4)],
        ]),
        remark(tr(
            "Estimated within the classes, all at once, so that gravel that happens to lie in "
            "shallow water only does not count as an effect of depth. Hardness is given as at "
            "{:.1f} m on level bottom.").format(trend.reference_depth)),
    ]
    if not plots.available():
        return parts
    rows = np.flatnonzero(used)
    rows = rows[:: -(-len(rows) // _MOST_POINTS)]
    depth, slope, level = obs.depth[rows], np.nan_to_num(obs.slope[rows]), result.levelled[rows]
    for label, x, other, grid in (
        (tr("depth (m)"), depth, trend.at(trend.reference_depth, slope),
         np.linspace(*trend.depth_range, 80)),
        (tr("slope (degrees)"), slope, trend.at(depth, 0.0),
         np.linspace(*trend.slope_range, 80)),
    ):
        curve = trend.at(grid, 0.0) if x is depth else trend.at(trend.reference_depth, grid)
        parts.append(image(
            tr("Hardness by {}").format(label),
            plots.hardness_trend(x, level - other, grid, curve, result.mixture.mean, label),
        ))
    return parts


def _visits(result) -> list:
    levels, logged = result.levels, result.logged
    number = logged.observations.visit
    rows = []
    for v, visit in enumerate(levels.visit):
        if v == levels.reference:
            gain, offset = "1", "0"
        elif not levels.solved[v]:
            gain = offset = tr("left out")
        else:
            gain = tr("{:.2f} &plusmn; {:.2f}").format(
                levels.gain[v], levels.cov[v, 0, 0] ** 0.5)
            offset = written(levels.offset[v], "+.3f")
            if not levels.gain_free[v]:
                gain += " " + tr("(not told)")
        rows.append([
            escape(str(visit)), int((number == v).sum()), int(levels.places[v]), gain, offset,
            written(logged.noise[v], ".3f"), f"{100 * logged.saturated[v]:.0f}",
        ])
    parts = [
        table([tr("visit"), tr("observations"), tr("shared places"), tr("gain"), tr("offset"),
               tr("noise"), tr("saturated (%)")], rows),
        remark(tr("Logged hardness is offset plus gain times levelled hardness. One observation is "
                  "the mean of the pings within a footprint, {:.1f} m in the median.").format(
                      logged.footprint)),
    ]
    if np.isfinite(levels.before):
        parts.append(
            "<p>" + tr("Difference of two visits at one place, root mean square: {:.3f} as logged, "
                       "{:.3f} levelled.").format(levels.before, levels.after) + "</p>"
        )
    if plots.available() and levels.solved.sum() > 1:
        parts.append(image(tr("Gains of the visits"), plots.visit_gains(levels)))
    return parts
