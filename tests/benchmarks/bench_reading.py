"""How fast logs become soundings, beside the floor, a peer and an earlier checkout.

    .venv/bin/python tests/benchmarks/bench_reading.py [--pings 142536] [--before FOLDER]
                                                       [--kinds nmea damaged csv gpx] [--memory]

A boat runs lanes at 10 pings a second. "nmea" has DPT and DBT with every ping, GGA, RMC and VTG
with each third, MTW with each tenth: 16.4 MB. "damaged" is the same with a second receiver and
every hundredth line spoiled, "csv" and "gpx" are the same pings. Figures are MB/s of processor
time, median of five (of the peer one): of ``read_logs``, from the file to soundings in a metric
CRS with visits and lanes; "parsed" leaves out the file, the projection and the lanes. "cold" is
wall-clock time with the file out of the cache of the disk. ``--before`` is the folder of another
checkout, read in the same process, turn by turn; its soundings must be the same to the bit.
``--memory`` measures the peak of a process of its own, less what it takes before it reads.

The floor is to read the bytes, once: 16.4 MB in some 3 ms warm. pynmea2 parses sentence by
sentence, without any soundings. Of the processor time for "nmea", two thirds are parsed; of that a
quarter goes into finding sentences with their checksums, a tenth into finding their cells, a
quarter into digits, a fifth into what the cells mean, a fifth into joining the pieces and into
times and positions. After it lanes take a seventh of the whole, the projection, names of visits,
dates and checks as much together. In text half the time goes into lines and cells, one by one; in
GPX half into XML.
"""

import argparse
import contextlib
import importlib.util
import os
import statistics
import subprocess
import sys
import tempfile
import time
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parents[1]))
import conftest  # noqa: F401  makes the repository the package "lakefloor"

from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.reading.nmea_log import parse_nmea_log

KINDS = {"nmea": "nmea", "damaged": "nmea", "csv": "csv", "gpx": "gpx"}
RUNS = 5


def sentence(body):
    return f"${body}*{reduce(xor, body.encode()):02X}\r\n"


def minutes(degrees, width):
    return f"{int(degrees):0{width}d}{degrees % 1 * 60:08.5f}"


def track(pings):
    """Return time of day (s), latitude, west longitude and depth of pings on lanes 20 m apart."""
    i = np.arange(pings)
    lane, along = divmod(i, 2000)
    along = 0.25 * np.where(lane % 2, 2000 - along, along)
    lat = 45.0 + lane * 20.0 / 111_320.0 + 4e-7 * np.sin(i / 37.0)
    noise = np.random.default_rng(1).normal(0.0, 0.02, pings)
    depth = 8.0 + 3.0 * np.sin(along / 60.0) + noise
    return 36_000.0 + i * 0.1, lat, 93.1 - along / 78_700.0, depth


def nmea(pings, damaged):
    lines = []
    for i, (seconds, lat, lon, depth) in enumerate(zip(*(c.tolist() for c in track(pings)))):
        day, seconds = 9 + int(seconds // 86_400), seconds % 86_400
        clock = f"{int(seconds // 3600):02d}{int(seconds // 60 % 60):02d}{seconds % 60:05.2f}"
        where = f"{minutes(lat, 2)},N,{minutes(lon, 3)},W"
        if i % 3 == 0:
            course = 90.0 if i // 2000 % 2 == 0 else 270.0
            lines += [
                f"GPGGA,{clock},{where},1,09,0.9,281.3,M,-28.6,M,,",
                f"GPRMC,{clock},A,{where},4.86,{course},{day:02d}0726,,,A",
                f"GNVTG,{course},T,,M,4.86,N,9.00,K,A",
            ]
        lines.append(f"SDDPT,{depth:.2f},0.0")
        lines.append(f"SDDBT,{depth / 0.3048:.1f},f,{depth:.2f},M,{depth / 1.8288:.1f},F")
        if i % 10 == 0:
            lines.append(f"YXMTW,{18.0 + depth / 50.0:.1f},C")
            if damaged:
                lines.append(f"IIGLL,{where},{clock},A,A")
    lines = [sentence(line) for line in lines]
    if damaged:
        for k, i in enumerate(range(0, len(lines), 100)):
            line = lines[i]
            lines[i] = (line[:25], line.replace("*", "*1"), line.replace(",", ", "), line[9:])[
                k % 4
            ]
    return "".join(lines)


def clock_of(seconds):
    return f"{np.datetime64('2026-07-09', 'ms') + round(seconds * 1000)}Z"


def csv(pings):
    rows = zip(*(c.tolist() for c in track(pings)))
    return "lon,lat,time,depth_m,water_temp_c\n" + "".join(
        f"{-lon:.7f},{lat:.7f},{clock_of(seconds)},{depth:.2f},{18.0 + depth / 50.0:.1f}\n"
        for seconds, lat, lon, depth in rows
    )


def gpx(pings):
    rows = zip(*(c.tolist() for c in track(pings)))
    points = "".join(
        f'<trkpt lat="{lat:.7f}" lon="{-lon:.7f}"><time>{clock_of(seconds)}</time><extensions>'
        f"<depth>{depth:.2f}</depth></extensions></trkpt>\n"
        for seconds, lat, lon, depth in rows
    )
    head = '<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
    return f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>"


def write(kind, pings, path):
    text = {"csv": csv, "gpx": gpx}.get(kind, lambda n: nmea(n, kind == "damaged"))(pings)
    path.write_text(text, encoding="ascii", newline="")


def reader_of(folder):
    """Return ``read_logs`` of another checkout."""
    name, root = "lakefloor_before", Path(folder)
    spec = importlib.util.spec_from_file_location(
        name, root / "__init__.py", submodule_search_locations=[str(root)]
    )
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
    return importlib.import_module(f"{name}.algorithms.core.reading.logs").read_logs


def read_bytes(path):
    """The floor."""
    return path.read_bytes()


def pynmea2_sentences(path):
    """The peer: sentence after sentence, as far as they are whole."""
    import pynmea2

    for line in path.read_text(encoding="ascii").splitlines():
        with contextlib.suppress(pynmea2.ParseError):
            pynmea2.parse(line, check=True)


def parsed(path):
    return parse_nmea_log(path.read_bytes())


def forget(path):
    """Take a file out of the cache of the disk."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def measure(ways, path, runs):
    """Return the median processor time of each way, s, turn by turn, and the last results."""
    times, results = {name: [] for name in ways}, {}
    for _ in range(runs):
        for name, way in ways.items():
            start = time.process_time()
            results[name] = way(path)
            times[name].append(time.process_time() - start)
    return {name: statistics.median(t) for name, t in times.items()}, results


def cold(way, path, runs):
    times = []
    for _ in range(runs):
        forget(path)
        start = time.perf_counter()
        way(path)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def peak_memory():
    """Return the peak of this process, MB; that of ``resource`` begins with its parent's."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return float(status.partition("VmHWM:")[2].split()[0]) / 1e3


def peak(folder, path):
    """Return what reading a log adds to the peak of a process, MB."""
    command = [sys.executable, str(HERE), "--one", str(path)] + (
        ["--before", folder] if folder else []
    )
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def same(a, b):
    """Tell whether two readings have the same soundings, to the bit, and say the same."""
    for name, values in vars(a.soundings).items():
        other = getattr(b.soundings, name)
        if values.dtype == object or values.dtype.kind == "M":
            if not (values.astype(str) == other.astype(str)).all():
                return False
        elif values.tobytes() != other.tobytes():
            return False
    return a.describe() == b.describe() and list(map(vars, a.unread)) == list(map(vars, b.unread))


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--pings", type=int, default=142_536)
    parser.add_argument("--before", default="")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--memory", action="store_true")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    options = parser.parse_args()
    before = reader_of(options.before) if options.before else None
    if options.one:
        start = peak_memory()
        (before or read_logs)(options.one)
        print(peak_memory() - start)
        return
    with tempfile.TemporaryDirectory() as folder:
        for kind in options.kinds:
            path = Path(folder) / f"2026-07-09 {kind}.{KINDS[kind]}"
            write(kind, options.pings, path)
            report(kind, path, before, options)


def report(kind, path, before, options):
    size = path.stat().st_size / 1e6
    ways = {"read_bytes": read_bytes, "ours": read_logs}
    if KINDS[kind] == "nmea":
        ways["parsed"] = parsed
    if before:
        ways["before"] = before
    seconds, results = measure(ways, path, RUNS)
    if KINDS[kind] == "nmea":
        seconds["pynmea2"] = measure({"": pynmea2_sentences}, path, 1)[0][""]
    print(f"{kind}: {size:.1f} MB, {len(results['ours'].soundings):,} soundings")
    for name, taken in seconds.items():
        share = f"  {taken / seconds['ours']:6.2f} of ours" if name != "ours" else ""
        print(f"  {name:10s} {taken:7.3f} s  {size / max(taken, 1e-9):8.1f} MB/s{share}")
    print(f"  ours, cold {cold(read_logs, path, RUNS):7.3f} s of wall-clock time")
    if before:
        print(f"  the same as before to the bit: {same(results['ours'], results['before'])}")
    if options.memory:
        print(f"  memory     {peak('', path):7.0f} MB more at the peak", end="")
        print(f", before {peak(options.before, path):.0f} MB" if before else "", flush=True)


if __name__ == "__main__":
    main()
