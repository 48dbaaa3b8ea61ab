"""Error of maps from echoes of a wide beam: bias on slopes, band by slope and distance.

Run: ``/usr/bin/python3 tests/benchmarks/bench_echo.py [--before CHECKOUT] [--lakes 6]``

The lakes and their echoes are those of ``tests/core/echo_lakes.py``, from a seed on which nothing
was tuned: echoes counted ray by ray with a graded beam of 20 degrees, boat rolling by up to 5
degrees, positions off by 1 m, 5 cm of noise. Figures are means over lakes, in brackets from where
to where 95 % of the means lie when lakes are drawn again. Another checkout, if given, grids the
same soundings; one that knows no beam takes them as they are.
"""

import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
from scipy.stats import norm

HERE = Path(__file__).resolve().parent
CELL, FIRST_SEED = 2.5, 301
SLOPES, DISTANCES = (0.0, 0.05, 0.15, np.inf), (0.0, 1.0, 3.0, 6.0, np.inf)
CASES = {"narrow": 0.0, "20 degrees": None, "14": 14.0, "20": 20.0, "26": 26.0, "8": 8.0}


def crps(error, sd):
    """Continuous ranked probability score of normal laws, m (Gneiting and Raftery 2007, eq. 21).

    >>> round(float(crps(0.0, 1.0)), 4)
    0.2337
    """
    z = error / sd
    return sd * (z * (2.0 * norm.cdf(z) - 1.0) + 2.0 * norm.pdf(z) - 1.0 / np.sqrt(np.pi))


def gridded(soundings, method, spacing):
    from lakefloor.algorithms.core.surface import tiles
    from lakefloor.algorithms.core.surface.frame import frame

    options = {"power": 2.0, "neighbours": 12} if method == "idw" else {}
    f = frame(soundings, cell=CELL, spacing=spacing, max_gap=3.0 * spacing)
    try:
        from lakefloor.algorithms.core.surface.learning import learned_record

        record = learned_record(f, method, options)
    except ImportError:
        from lakefloor.algorithms.core.surface.surface_record import Record

        learned = tiles.learn(f, method, options)
        record = Record(method, options, f.grid.dx, f.spacing, f.max_gap, learned)
    parts = []
    tiles.draw(f, record, lambda rows, cols, bands: parts.append(bands))
    return f.grid, parts[0]


def stated(soundings, width):
    try:
        from lakefloor.algorithms.core.correcting.first_return import with_beams
    except ImportError:
        return soundings
    if width is None:
        return soundings
    return with_beams(soundings, dict.fromkeys(set(soundings.visit), width))


def figures(bottom, soundings, method, spacing):
    """RMSE, on slopes of more than 15 % too, bias and cover there; CRPS and cover by class."""
    grid, (depth, sd, away) = gridded(soundings, method, spacing)
    rows, cols = np.indices(depth.shape)
    x, y = grid.west + (cols + 0.5) * grid.dx, grid.north - (rows + 0.5) * grid.dy
    slope = np.hypot(
        bottom(x + 0.5, y) - bottom(x - 0.5, y), bottom(x, y + 0.5) - bottom(x, y - 0.5)
    )
    wet = np.isfinite(depth)
    error, sd, slope, away = (depth - bottom(x, y))[wet], sd[wet], slope[wet], away[wet]
    steep = slope >= 0.15

    def rms(values):
        return float(np.sqrt(np.mean(values**2)))

    classes = {}
    for name, of, edges in (("slope", slope, SLOPES), ("distance", away, DISTANCES)):
        for low, high in zip(edges, edges[1:]):
            here = (of >= low) & (of < high)
            if here.sum() > 200:
                e, s = error[here], sd[here]
                classes[f"{name} {low:g} to {high:g}"] = [
                    float(np.mean(np.abs(e) < s)),
                    float(np.mean(np.abs(e) < 2.0 * s)),
                    float(crps(e, s).mean()),
                    float(crps(e, np.full(len(e), rms(error))).mean()),
                ]
    return {
        "rmse": rms(error),
        "steep": rms(error[steep]),
        "bias": float(error[steep].mean()),
        "within 2": float(np.mean(np.abs(error[steep]) < 2.0 * sd[steep])),
        "classes": classes,
    }


def measure(options):
    sys.path[:0] = [str(options.checkout / "tests")]
    import conftest  # noqa: F401  makes that checkout the package "lakefloor"

    sys.path[:0] = [str(HERE.parent / "core")]
    from echo_lakes import lake, whole

    found = []
    for seed in range(FIRST_SEED, FIRST_SEED + options.lakes):
        bottom = lake(seed)
        for spacing in (20.0, 12.0):
            narrow = whole(bottom, spacing=spacing, seed=seed, width_deg=0.0, tilt_deg=0.0)
            wide = whole(bottom, spacing=spacing, seed=seed, width_deg=20.0)
            for method in options.methods:
                for case, width in CASES.items():
                    soundings = stated(narrow if case == "narrow" else wide, width)
                    row = figures(bottom, soundings, method, spacing)
                    found.append({"method": method, "spacing": spacing, "case": case, **row})
    print(json.dumps(found))


def between(values):
    """Return the mean of figures of lakes, and its interval over lakes drawn again."""
    rng = np.random.default_rng(1)
    means = rng.choice(values, (2000, len(values))).mean(axis=1)
    low, high = np.quantile(means, (0.025, 0.975))
    return f"{np.mean(values):6.3f} ({low:6.3f} to {high:6.3f})"


def show(rows, title):
    print(f"\n{title}")
    keys = dict.fromkeys((r["method"], r["spacing"], r["case"]) for r in rows)
    for key in keys:
        here = [r for r in rows if (r["method"], r["spacing"], r["case"]) == key]
        texts = [
            f"{name} {between([r[name] for r in here])}"
            for name in ("rmse", "steep", "bias", "within 2")
        ]
        print(f"{key[0]:7s} {key[1]:3g} m {key[2]:11s} " + "  ".join(texts))
    print("class                     case          within 1  within 2  CRPS / of a constant sd")
    for case in ("20 degrees", "20"):
        here = [r["classes"] for r in rows if r["case"] == case and r["method"] == "smooth"]
        for name in dict.fromkeys(name for classes in here for name in classes):
            one, two, score, constant = np.mean([c[name] for c in here if name in c], axis=0)
            print(f"{name:25s} {case:12s} {one:9.3f} {two:9.3f}  {score:.4f} / {constant:.4f}")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--before", type=Path)
    parser.add_argument("--checkout", type=Path)
    parser.add_argument("--lakes", type=int, default=6)
    parser.add_argument("--methods", nargs="*", default=["smooth"])
    options = parser.parse_args()
    if options.checkout:
        measure(options)
        return
    here = HERE.parents[1]
    for title, checkout in (("Before", options.before), ("This checkout", here)):
        if checkout:
            command = [sys.executable, __file__, "--checkout", str(checkout.resolve())]
            command += ["--lakes", str(options.lakes), "--methods", *options.methods]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            show(json.loads(done.stdout.splitlines()[-1]), title)


if __name__ == "__main__":
    main()
