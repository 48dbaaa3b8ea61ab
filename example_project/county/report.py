"""The summary table and the one-page report of all lakes.

/usr/bin/python3 report.py OUTPUT_FOLDER feet|meters FIGURES_JSON ...
"""

import csv
import html
import json
import sys
from pathlib import Path

#: Headings of summary.csv and the figures under them.
COLUMNS = {
    "Lake": "title",
    "Folder": "lake",
    "Result": "result",
    "Area (m²)": "area_m2",
    "Area, standard uncertainty (m²)": "area_m2_sd",
    "Volume (m³)": "volume_m3",
    "Volume, standard uncertainty (m³)": "volume_m3_sd",
    "Maximum depth (m)": "max_depth_m",
    "Maximum depth, standard uncertainty (m)": "max_depth_m_sd",
    "Mean depth (m)": "mean_depth_m",
    "Mean depth, standard uncertainty (m)": "mean_depth_m_sd",
    "Mapped (% of area)": "mapped_percent",
    "Soundings": "soundings",
    "Accepted soundings": "accepted",
    "Cell size (m)": "cell_m",
    "Supported contours (% of length)": "supported_percent",
    "Depth, median standard uncertainty (m)": "uncertainty_m",
    "Depth error, RMS (m)": "error_rms_m",
    "Depth error, mean (m)": "error_mean_m",
    "Depth error, 95% below (m)": "error_95_m",
    "Errors within 2 standard uncertainties (%)": "error_within_percent",
    "Area error (%)": "area_error_percent",
    "Volume error (%)": "volume_error_percent",
    "Maximum depth error (m)": "max_depth_error_m",
    "Time (s)": "seconds",
    "Processor time (s)": "processor_seconds",
    "Peak memory (MB)": "peak_memory_mb",
    "Warnings": "warning_count",
    "Why not mapped": "error",
}
#: A lake is mapped in part where less of its area than this has a depth, percent.
WHOLE = 98.0
#: Depth, area and volume in the units of the page: words, and one of them in SI units.
UNITS = {
    "feet": (("ft", 0.3048), ("acres", 4046.8564224), ("acre-feet", 1233.48183754752)),
    "meters": (("m", 1.0), ("ha", 1e4), ("1000 m³", 1e3)),
}
#: 95% of a normal distribution lies within so many standard uncertainties.
CONFIDENT = 1.96
SIDE, RAMP = 210, ("#e7f2f9", "#8cb8d9", "#3a78b0", "#0b2545")

STYLE = """
body{font:15px/1.5 sans-serif;color:#0b2545;max-width:1000px;margin:24px auto;padding:0 16px}
h1{font-size:26px;margin-bottom:0}h2{font-size:19px;margin:28px 0 8px}
table{border-collapse:collapse;width:100%;font-size:13px}
th,td{padding:4px 8px;text-align:right;border-bottom:1px solid #c8d3de;vertical-align:top}
th:first-child,td:first-child,td.text{text-align:left}
figure{display:inline-block;width:215px;margin:0 16px 16px 0;vertical-align:bottom}
figcaption{font-size:13px}
.caution{border-left:4px solid #7a3300;padding:2px 12px;background:#faf4ee}
"""


def completed(found):
    """Return the figures of a lake with those that follow from them."""
    lake = dict(found)
    lake["warning_count"] = len(lake.get("warnings", []))
    lake["result"] = "mapped"
    if lake["error"]:
        lake["result"] = "not mapped"
    elif lake["mapped_percent"] < WHOLE:
        lake["result"] = "mapped in part"
    for name in ("area_m2", "volume_m3"):
        if true := lake.get(f"true_{name}"):
            lake[f"{name[:-3]}_error_percent"] = 100.0 * (lake[name] / true - 1.0)
    if true := lake.get("true_max_depth_m"):
        lake["max_depth_error_m"] = lake["max_depth_m"] - true
    return lake


def write_summary(lakes, path):
    """Write the table of all lakes, one row each."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for lake in lakes:
            row = (lake.get(name) for name in COLUMNS.values())
            writer.writerow("" if v is None else _exact(v) for v in row)


def _exact(value):
    return f"{value:.7g}" if isinstance(value, float) else value


def color(part):
    """Return the color of a depth, given as a part of the deepest, 0 to 1."""
    at = min(max(part, 0.0), 1.0) * (len(RAMP) - 1)
    k = min(int(at), len(RAMP) - 2)
    pairs = zip(*([int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in RAMP[k : k + 2]))
    return "#" + "".join(f"{round(a + (at - k) * (b - a)):02x}" for a, b in pairs)


def picture(lake, deepest):
    """Return the map of a lake as SVG, in colors that are the same for all lakes."""
    (width, height), areas = lake["outline"]["size"], lake["outline"]["areas"]
    scale = (SIDE - 10) / max(width, height)
    paths = []
    for depth, rings in areas:
        points = (
            " ".join(f"{5 + x * scale:.1f},{5 + (height - y) * scale:.1f}" for x, y in ring)
            for ring in rings
        )
        fill = color(depth / deepest)
        path = "".join(f"M{ring}Z" for ring in points)
        paths.append(f'<path d="{path}" fill="{fill}" stroke="{fill}" fill-rule="evenodd"/>')
    name = html.escape(f"Depth map of {lake['title']}")
    return (
        f'<svg viewBox="0 0 {SIDE} {round(height * scale) + 10}" role="img" aria-label="{name}" '
        f'stroke-width="1.5">{"".join(paths)}</svg>'
    )


def number(value, digits):
    """Return a number with ``digits`` decimals, its thousands set off."""
    return f"{value:,.{digits}f}"


def signed(percent):
    """Return a percentage with its sign; nothing has none."""
    return f"{percent:+.1f}%" if abs(percent) >= 0.05 else "0.0%"


def row(lake, units):
    """Return the cells of a lake in the table of the page."""
    (_, depth), (_, area), (_, volume) = units
    shares = (lake["supported_percent"], lake["mapped_percent"])
    return [
        number(lake["area_m2"] / area, 1),
        number(lake["volume_m3"] / volume, 0),
        f"± {CONFIDENT * 100 * lake['volume_m3_sd'] / lake['volume_m3']:.1f}%",
        number(lake["max_depth_m"] / depth, 1),
        number(lake["mean_depth_m"] / depth, 1),
        f"± {number(CONFIDENT * lake['uncertainty_m'] / depth, 1)}",
        number(lake["accepted"], 0),
        *("" if share is None else f"{share:.0f}%" for share in shares),
    ]


def table(head, rows):
    """Return an HTML table; its first column is text."""
    cells = "".join(f"<th>{html.escape(h)}</th>" for h in head)
    lines = ("<tr>" + "".join(f"<td>{html.escape(str(c))}</td>" for c in r) + "</tr>" for r in rows)
    return f"<table><tr>{cells}</tr>{''.join(lines)}</table>"


def counted(count, one, many):
    return f"{count} {one if count == 1 else many}"


def lead(lakes, mapped, units):
    """Return the first paragraph of the page."""
    _, (acres, area), (acre_feet, volume) = units
    if not mapped:
        return "No lake is mapped."
    verb = "is" if len(mapped) == 1 else "are"
    every = counted(len(lakes), "lake", "lakes")
    return (
        f"{len(mapped)} of {every} {verb} mapped. Together they cover "
        f"{number(sum(x['area_m2'] for x in mapped) / area, 0)} {acres} and hold "
        f"{number(sum(x['volume_m3'] for x in mapped) / volume, 0)} {acre_feet} of water, from "
        f"{number(sum(x['accepted'] for x in mapped), 0)} soundings."
    )


def maps(mapped, units):
    """Return the pictures of all lakes."""
    if not mapped:
        return ""
    (ft, depth), (acres, area), _ = units
    deepest = max(lake["max_depth_m"] for lake in mapped)
    figures = "".join(
        f"<figure>{picture(lake, deepest)}<figcaption><b>{html.escape(lake['title'])}</b><br>"
        f"{number(lake['area_m2'] / area, 1)} {acres}, deepest {number(lake['max_depth_m'] / depth, 1)}"
        f" {ft}</figcaption></figure>"
        for lake in mapped
    )
    ramp = ", ".join(RAMP)
    return (
        f"<h2>The maps</h2>{figures}"
        f'<p>Depth: 0 <span style="display:inline-block;width:160px;height:10px;'
        f'background:linear-gradient(to right, {ramp})"></span> {number(deepest / depth, 0)} {ft}, '
        "the same colors for all lakes. Each lake is drawn as large as its frame allows, so the "
        "scales differ. North is up.</p>"
    )


def not_mapped(lakes):
    """Return which lakes have no map, or a map of a part, and why."""
    rows = [
        (x["title"], x["error"] or f"Only {x['mapped_percent']:.0f}% of the lake has a depth.")
        for x in lakes
        if x["result"] != "mapped"
    ]
    if not rows:
        return ""
    items = "".join(f"<li><b>{html.escape(a)}</b>: {html.escape(b)}</li>" for a, b in rows)
    return f"<h2>Lakes to look after</h2><ul>{items}</ul>"


def warnings(lakes):
    """Return what the runs have warned of, each sentence once a lake."""
    items = "".join(
        f"<li><b>{html.escape(lake['title'])}</b>: {html.escape(said)}</li>"
        for lake in lakes
        if (said := " ".join(dict.fromkeys(lake["warnings"])))
    )
    return f"<h2>Warnings</h2><ul>{items}</ul>" if items else ""


def accuracy(mapped, units):
    """Return how far the maps of invented lakes are from the truth."""
    checked = [lake for lake in mapped if "error_rms_m" in lake]
    if not checked:
        return ""
    (ft, depth), _, _ = units
    head = ("Lake", f"Typical error ({ft})", f"95% are below ({ft})", "Volume error")
    rows = [
        (
            lake["title"],
            number(lake["error_rms_m"] / depth, 2),
            number(lake["error_95_m"] / depth, 2),
            signed(lake["volume_error_percent"]) if "volume_error_percent" in lake else "",
        )
        for lake in checked
    ]
    return (
        "<h2>How far the maps are from the truth</h2><p>The true depths of these lakes are known. "
        "The typical error is the root mean square of the differences between map and truth.</p>"
        + table(head, rows)
    )


def page(lakes, unit):
    """Return the page."""
    units = UNITS[unit]
    (ft, _), (acres, _), (acre_feet, _) = units
    mapped = [lake for lake in lakes if not lake["error"]]
    head = (
        "Lake", f"Area ({acres})", f"Volume ({acre_feet})", "Its 95% uncertainty",
        f"Maximum depth ({ft})", f"Mean depth ({ft})", f"95% uncertainty of depth ({ft})",
        "Soundings", "Supported contours", "Mapped",
    )  # fmt: skip
    rows = [(lake["title"], *row(lake, units)) for lake in mapped]
    parts = [
        f"<h1>Lake maps</h1><p>{lead(lakes, mapped, units)}</p>",
        '<p class="caution">These maps are not for navigation. Depths count from the lake datum '
        "of each lake. Look at the rejected soundings before you trust a map.</p>",
        not_mapped(lakes),
        maps(mapped, units),
        f"<h2>The figures</h2>{table(head, rows)}"
        "<p>A contour is supported where the uncertainty of the depths allows its interval. "
        "The uncertainty of depth is the median over the lake.</p>",
        accuracy(mapped, units),
        warnings(mapped),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Lake maps</title>'
        f"<style>{STYLE}</style></head><body>{''.join(parts)}</body></html>\n"
    )


def main():
    output, unit, *names = sys.argv[1:]
    if unit not in UNITS:
        sys.exit(f"The unit of the report is '{unit}'. Choose feet or meters.")
    lakes = [completed(json.loads(Path(name).read_text(encoding="utf-8"))) for name in names]
    write_summary(lakes, Path(output) / "summary.csv")
    (Path(output) / "report.html").write_text(page(lakes, unit), encoding="utf-8")


if __name__ == "__main__":
    main()
