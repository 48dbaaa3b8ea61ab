"""Write the logs, gauge readings, shores and settings of a county of invented lakes.

    /usr/bin/python3 example_project/county/make_lakes.py FOLDER [LAKE ...]

Each lake gets a folder: lake.yaml, a shoreline, gauge readings, logs, and truth.csv with depths as they
really are. A file that is there with the same content stays untouched. The sounder, its errors, the
faults in the logs and the formats are those of Lake Marrowby (../generate.py).
"""

import argparse
import sys
import zlib
from pathlib import Path

import numpy as np
from shapely.affinity import rotate
from shapely.geometry import LineString
from shapely.prepared import prep

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
import generate as boat
import shapes
import truth as marrowby

#: Pings of one day on the water, 1 Hz.
DAY = 9000
#: What the days have in turn: their starts (UTC), water temperatures, °C, and levels, m.
DAYS = (("2026-06-13T13:05:10", 17.5, 0.24), ("2026-07-11T12:40:25", 22.5, 0.11))
DAYS += (("2026-08-08T12:20:40", 24.0, -0.06), ("2026-09-12T13:30:05", 18.0, -0.15))
#: Within these hours around a day's start the gauge is read; the level falls by 4 mm an hour.
READ_HOURS, FALL = (-1.0, 2.0, 5.0, 9.0), 0.004
#: The gauge reading at the lake datum and the unit of the gauge, by lake in turn.
GAUGES = ((2.0, "feet", 0.3048), (101.5, "meters", 1.0))
#: Draft of the transducer, m, as in the sounder of Lake Marrowby.
DRAFT = boat.DRAFT
#: Places whose true depth is written.
TRUE_PLACES = 4000


def courses(lake):
    """Return the runs of the boat in local coordinates: lanes, cross-lines, round the shores."""
    shallow = lake.width * np.arctanh(min(1.2 / lake.depth, 0.9))
    water = lake.polygon.buffer(-(shallow + 4.0))
    parts = getattr(water, "geoms", [water])
    spacing, heading = lake.lanes
    runs = lanes(water, spacing, heading) + lanes(water, 8.0 * spacing, heading + 90.0)
    for part in parts:
        runs += [np.asarray(r.coords) for r in (part.exterior, *part.interiors)]
    return joined(runs, prep(lake.polygon.buffer(-0.5 * shallow)))


def lanes(water, spacing, heading):
    """Return parallel runs to and fro over ``water``, longer than 15 m."""
    turned = rotate(water, -heading, origin=(0, 0))
    west, south, east, north = turned.bounds
    runs = []
    for i, y in enumerate(np.arange(south + spacing / 2.0, north, spacing)):
        cut = turned.intersection(LineString([(west, y), (east, y)]))
        pieces = [np.asarray(p.coords) for p in getattr(cut, "geoms", [cut]) if p.length > 15.0]
        pieces.sort(key=lambda p: p[0, 0])
        runs += [p[::-1] for p in pieces[::-1]] if i % 2 else pieces
    return [np.asarray(rotate(LineString(r), heading, origin=(0, 0)).coords) for r in runs]


def joined(runs, water):
    """Return the runs, those joined into one between which the boat goes straight through water."""
    pieces = [runs[0]]
    for run in runs[1:]:
        transit = LineString([pieces[-1][-1], run[0]])
        if transit.length < 120.0 and water.contains(transit):
            pieces[-1] = np.vstack([pieces[-1], run])
        else:
            pieces.append(run)
    return pieces


def sail(lake, rng, pieces, start, temp_c, level):
    """Return what the instruments saw on one day: :class:`generate.Outing`."""
    paths, times, at = [], [], 0.0
    for piece in pieces:
        path = boat.moving_mean(boat.densify(piece), 8)
        run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        travelled = np.arange(0.0, run[-1], boat.CRUISE)
        paths.append(np.column_stack([np.interp(travelled, run, path[:, k]) for k in (0, 1)]))
        times.append(at + np.arange(len(travelled)))
        # On the way to the next run the log is off.
        at = times[-1][-1] + 90.0
    path, seconds = np.vstack(paths), np.concatenate(times)
    n = len(path)
    path = path + 0.8 * boat.moving_mean(boat.wandering(rng, n, 20.0, 0.7), 7)
    water = lake.depth_m(*path.T) + level - FALL * seconds / 3600.0
    depth = (water - DRAFT) * boat.ASSUMED_SPEED / boat.sound_speed(temp_c)
    depth = depth + (0.03 + 0.003 * depth) * rng.standard_normal(n)
    moved = np.gradient(path, axis=0)
    outing = boat.Outing(
        time=np.datetime64(start, "s") + np.round(seconds).astype("timedelta64[s]"),
        position=path + lake.origin - marrowby.ORIGIN + boat.wandering(rng, n, 150.0, 0.6),
        depth=depth,
        temp=temp_c + 0.04 * rng.standard_normal(n),
        hardness=np.clip(0.4 + 0.05 * rng.standard_normal(n), 0.0, 1.0),
        speed=np.minimum(np.hypot(*moved.T), boat.CRUISE * 1.1),
        course=np.degrees(np.arctan2(moved[:, 0], moved[:, 1])) % 360.0,
        planted=np.full(n, "", dtype=object),
    )
    if water.min() < DRAFT + 0.15:
        raise RuntimeError(f"The boat ran aground in {lake.name}.")
    plant_faults(rng, outing)
    return outing


def plant_faults(rng, outing):
    """Put spikes and pings without depth into an outing, about one in 200."""
    n = len(outing.depth)
    any_depth = outing.depth > 0.0
    for rows in boat.plant(rng, outing, "spike", outing.depth > 1.5, n // 500):
        outing.depth[rows] *= 0.35 + 0.30 * rng.random()
    for rows in boat.plant(rng, outing, "spike", any_depth, n // 800):
        outing.depth[rows] += 2.5 + 3.0 * rng.random()
    boat.plant(rng, outing, "no_depth", any_depth, n // 900)
    boat.plant(rng, outing, "zero_depth", any_depth, n // 1500)


def days(pieces):
    """Return the runs of each day, about :data:`DAY` pings."""
    length = [np.hypot(*np.diff(p, axis=0).T).sum() / boat.CRUISE for p in pieces]
    day = (np.cumsum(length) - length[0]) // DAY
    return [[p for p, d in zip(pieces, day) if d == k] for k in np.unique(day)]


def logs(lake, number):
    """Yield the name and text of each day's log; the lakes have the formats in turn."""
    rng = boat.random_source(zlib.crc32(lake.key.encode()))
    for (start, temp, level), pieces in zip(DAYS, days(courses(lake))):
        outing = sail(lake, rng, pieces, start, temp, level)
        day, kind = f"logs/{start[:10]}", number % 3
        if kind == 0:
            yield f"{day}.nmea", boat.write_nmea(outing, range(len(outing.time)), {}, False)[0]
        elif kind == 1:
            yield f"{day}.csv", boat.write_table(outing)[0]
        else:
            yield f"{day}.gpx", boat.write_track(outing, lake.name)[0]


def gauge(zero, unit_m):
    """Return the gauge readings of all days as text."""
    rows = []
    for start, _, level in DAYS:
        for hour in READ_HOURS:
            time = np.datetime64(start, "s") + np.timedelta64(int(hour * 3600), "s")
            rows.append(f"{time}Z,{zero + (level - FALL * hour) / unit_m:.3f}\n")
    return "time_utc,level\n" + "".join(rows)


def shoreline(lake, number):
    """Return name, text and CRS of the shoreline; every fourth file does not state its CRS."""
    rings = [np.asarray(r.coords) for r in (lake.polygon.exterior, *lake.polygon.interiors)]
    if number % 4 == 3:
        grid = [", ".join(f"{x:.2f} {y:.2f}" for x, y in ring + lake.origin) for ring in rings]
        polygon = ", ".join(f"({ring})" for ring in grid)
        return "shoreline.csv", f'WKT,name\n"POLYGON({polygon})",{lake.name}\n', shapes.EPSG
    local = lake.origin - marrowby.ORIGIN
    degrees = [boat.ring_degrees(ring[:-1] + local) for ring in rings]
    text = boat.feature_collection([("Polygon", degrees, {"name": lake.name})])
    return "shoreline.geojson", text, None


def true_depths(lake):
    """Return longitudes, latitudes and true depths of places all over the lake as text."""
    x, y, depth = lake.sample(np.sqrt(lake.polygon.area / TRUE_PLACES))
    lon, lat = boat.lon_lat(np.column_stack([x, y]) + lake.origin - marrowby.ORIGIN)
    rows = [f"{a:.7f},{b:.7f},{c:.3f}\n" for a, b, c in zip(lon, lat, depth)]
    return "longitude,latitude,depth_m\n" + "".join(rows)


def settings(lake, shore, crs, zero, unit):
    """Return the text of lake.yaml."""
    cell = np.sqrt(lake.polygon.area / 250000.0)
    _, _, depth = lake.sample(cell)
    lines = [
        f"# {lake.name}, an invented lake. Files are looked for in this folder.",
        "model:",
        f"  TITLE: {lake.name}",
        "  LOG_FOLDER: logs",
        "  DEPTH_FROM: transducer",
        f"  DRAFT: {DRAFT}",
        f"  SHORELINE: {shore}",
        "  GAUGE: gauge.csv",
        f"  LEVEL_UNIT: {unit}",
        f"  DATUM_ELEVATION: {zero}",
        f"  INTERVAL: {1 if lake.depth < 8.0 else 2}",
    ]
    if shapes.COUNTY.index(lake) % 3 == 2:
        lines.append("  DEPTH_UNIT: meters  # the GPX track does not state it")
    if crs:
        lines.append(f"shoreline_crs: EPSG:{crs}  # the file does not state it")
    lines += [
        "truth:  # known of an invented lake only",
        "  depths: truth.csv",
        f"  area_m2: {lake.polygon.area:.0f}",
        f"  volume_m3: {depth.mean() * lake.polygon.area:.0f}",
        f"  max_depth_m: {depth.max():.2f}",
    ]
    return "\n".join(lines) + "\n"


def build(lake):
    """Return the text of each of a lake's files by its name."""
    number = shapes.COUNTY.index(lake)
    zero, unit, unit_m = GAUGES[number % 2]
    shore, text, crs = shoreline(lake, number)
    files = dict(logs(lake, number))
    files.update({shore: text, "gauge.csv": gauge(zero, unit_m), "truth.csv": true_depths(lake)})
    files["lake.yaml"] = settings(lake, shore, crs, zero, unit)
    return files


def main():
    parser = argparse.ArgumentParser(description="Write a county of invented lakes.")
    parser.add_argument("folder", type=Path)
    known = {lake.key: lake for lake in shapes.COUNTY}
    parser.add_argument("lakes", nargs="*", help="all, if none is named")
    arguments = parser.parse_args()
    if unknown := set(arguments.lakes) - set(known):
        parser.error(f"There is no lake '{unknown.pop()}'; there are {', '.join(known)}.")
    for key in arguments.lakes or known:
        files = build(known[key])
        for name, text in files.items():
            path = arguments.folder / key / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if not path.exists() or path.read_bytes() != text.encode():
                path.write_bytes(text.encode())
        print(f"{sum(map(len, files.values())):9d} bytes  {arguments.folder / key}")


if __name__ == "__main__":
    main()
