"""How far crest and toe lie off the places where surveyed drop-offs bend most.

Run: ``/usr/bin/python3 tests/benchmarks/bench_crest.py [--before CHECKOUT] [--faces 18]``

Faces and surveys are those of ``tests/core/drop_off_surveys.py``: straight and curved, 8 to 40 m
wide, lanes of any course, positions off by 1 m, 5 cm of noise; with a narrow beam, and with one of
20 degrees that the map undoes. Offsets are of crest and toe together, positive away from the face:
the mean and its scatter over faces, the root mean square of all vertices, the share within a
quarter of the lane spacing, and the faces on which both lines were found. Another checkout, if
given, draws the same surveys.
"""

import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
FIRST_SEED = 41
SPACINGS = (10.0, 20.0, 40.0)


def drawn(soundings, method, spacing):
    from lakefloor.algorithms.core.grid import Surface
    from lakefloor.algorithms.core.surface import tiles
    from lakefloor.algorithms.core.surface.frame import frame
    from lakefloor.algorithms.core.surface.learning import learned_record

    f = frame(soundings, spacing=spacing)
    record = learned_record(f, method, {})
    parts = []
    tiles.draw(f, record, lambda rows, cols, bands: parts.append(bands))
    return Surface(*(f.grid.like(band) for band in parts[0]), spacing)


def measure(options):
    sys.path[:0] = [str(options.checkout / "tests")]
    import conftest  # noqa: F401  makes that checkout the package "lakefloor"

    sys.path[:0] = [str(HERE.parent / "core")]
    from drop_off_surveys import faces, offsets, survey

    from lakefloor.algorithms.core.correcting.first_return import with_beams
    from lakefloor.algorithms.core.structure.breaklines import breaklines

    found = []
    for number, face in enumerate(faces(options.seed, options.faces)):
        for spacing in options.spacings:
            for width in options.beams:
                soundings = survey(
                    face, spacing=spacing, seed=1000 * options.seed + number, width_deg=width
                )
                soundings = with_beams(soundings, dict.fromkeys(set(soundings.visit), width))
                for method in options.methods:
                    off = offsets(face, breaklines(drawn(soundings, method, spacing)))
                    row = {"spacing": spacing, "beam": width, "method": method}
                    row |= {"shape": face.shape, "width": face.width, "bent": face.radius < 1e6}
                    row |= {kind: values.tolist() for kind, values in off.items()}
                    found.append(row)
    print(json.dumps(found))


def show(rows, title):
    print(f"\n{title}")
    print(f"{'':34}  mean    (scatter)   rms, m  of spacing  within a quarter  found")
    keys = sorted({(r["method"], r["beam"], r["spacing"]) for r in rows}, reverse=True)
    for key in keys:
        here = [r for r in rows if (r["method"], r["beam"], r["spacing"]) == key]
        for shape in ("all", "ramp", "tanh", "round"):
            some = [r for r in here if shape in ("all", r["shape"])]
            both = [np.array(r["crest"] + r["toe"]) for r in some if r["crest"] and r["toe"]]
            if not both:
                continue
            means, spacing = np.array([off.mean() for off in both]), key[2]
            rms = float(np.sqrt(np.mean([np.mean(off**2) for off in both])))
            within = np.mean([np.mean(np.abs(off) <= spacing / 4.0) for off in both])
            print(
                f"{key[0]:7} {key[1]:3g} degrees {spacing:3g} m  {shape:6} {means.mean():8.2f} "
                f"({means.std():5.2f}) {rms:10.2f} {rms / spacing:9.2f} {within:12.2f} "
                f"{len(both):10}/{len(some)}"
            )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--before", type=Path)
    parser.add_argument("--checkout", type=Path)
    parser.add_argument("--faces", type=int, default=18)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--methods", nargs="*", default=["smooth"])
    parser.add_argument("--spacings", nargs="*", type=float, default=SPACINGS)
    parser.add_argument("--beams", nargs="*", type=float, default=(0.0, 20.0))
    options = parser.parse_args()
    if options.checkout:
        measure(options)
        return
    passed = ["--faces", str(options.faces), "--seed", str(options.seed)]
    for name in ("methods", "spacings", "beams"):
        passed += [f"--{name}", *(str(value) for value in getattr(options, name))]
    for title, checkout in (("Before", options.before), ("This checkout", HERE.parents[1])):
        if checkout:
            command = [sys.executable, __file__, "--checkout", str(checkout.resolve()), *passed]
            done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
            show(json.loads(done.stdout.splitlines()[-1]), title)


if __name__ == "__main__":
    main()
