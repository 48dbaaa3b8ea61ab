"""Write the logs, gauge readings, shoreline, old map and marks of Lake Marrowby.

    /usr/bin/python3 example_project/generate.py [--output DIR]

The lake, its people and its gauge are invented. The same files come out byte for
byte on every run. Needs numpy, shapely and pyproj, and nothing of the plugin, so
that the example is an independent check of it.
"""

import argparse
import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import truth
from pyproj import Transformer

FOOT, FATHOM, MPH, KNOT = 0.3048, 1.8288, 0.44704, 1852.0 / 3600.0
#: The transducer below the surface, m, and the speed of sound that the instruments assume, m/s.
DRAFT, ASSUMED_SPEED = 0.30, 1500.0
#: The gauge reading, ft, at which the water stands at lake datum.
DATUM_READING_FT = 2.00
#: Cruising speed, m/s: 5 mph.
CRUISE = 5.0 * MPH

#: Water level above lake datum, m, at times UTC; straight lines in between.
LEVELS = (
    ("2025-05-10T13:05:00", 0.268),
    ("2025-05-17T12:40:00", 0.216),
    ("2025-05-17T21:50:00", 0.213),
    ("2025-05-17T23:30:00", 0.210),
    ("2025-05-18T01:20:00", 0.206),
    ("2025-05-18T13:10:00", 0.202),
    ("2025-06-14T14:00:00", 0.121),
    ("2025-07-12T13:30:00", 0.020),
    ("2025-08-09T11:55:00", -0.049),
    ("2025-08-09T13:00:00", -0.050),
    ("2025-08-09T14:30:00", -0.051),
    ("2025-08-09T20:15:00", -0.054),
    ("2025-09-20T14:20:00", -0.118),
    ("2026-05-16T13:45:00", 0.402),
    ("2026-06-20T12:30:00", 0.333),
    ("2026-06-20T14:05:00", 0.331),
    ("2026-06-20T15:30:00", 0.328),
    ("2026-06-20T19:40:00", 0.325),
)


def random_source(seed):
    """Return a generator whose ``random`` and ``standard_normal`` streams do not change."""
    return np.random.Generator(np.random.PCG64(seed))


def level_m(time):
    """Return the true water level above lake datum, m, at UTC times (datetime64)."""
    knots = np.array([t for t, _ in LEVELS], dtype="datetime64[s]").astype(float)
    seconds = np.asarray(time, dtype="datetime64[s]").astype(float)
    return np.interp(seconds, knots, [level for _, level in LEVELS])


def sound_speed(temp_c):
    """Return the speed of sound in fresh water, m/s: Bilaniuk and Wong (1993), 148 points.

    With the coefficients of the erratum of 1996 (J. Acoust. Soc. Am. 93:1609, 99:3257).
    """
    c = (1402.38744, 5.03836171, -5.81172916e-2, 3.34638117e-4, -1.48259672e-6, 3.16585020e-9)
    return np.polynomial.polynomial.polyval(temp_c, c)


# The boat's path: points in local coordinates of the lake, m.


def depth_at(path):
    """Return the true depth at local points, shape (n, 2), m; 0 on land."""
    return np.nan_to_num(truth.depth_m(*(path + truth.ORIGIN).T))


def densify(vertices, step=0.5):
    """Return points ``step`` apart along a line."""
    vertices = np.asarray(vertices, dtype=float)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
    at = np.linspace(0.0, run[-1], int(run[-1] / step) + 2)
    return np.column_stack([np.interp(at, run, vertices[:, k]) for k in (0, 1)])


def straight(start, end, least=0.8):
    """Return the run between two points, cut to water of ``least`` m and led round the island."""
    path = densify([start, end])
    c, s = np.cos(truth.ISLAND["turn"]), np.sin(truth.ISLAND["turn"])
    frame = np.array([[c, -s], [s, c]]) * (1.7 * truth.ISLAND["a"], 1.7 * truth.ISLAND["b"])
    centre = (truth.ISLAND["x"], truth.ISLAND["y"])
    # In the frame where the keep-off ellipse is the unit circle, a chord moves out to the arc.
    p = np.linalg.solve(frame, (path - centre).T).T
    ahead = (p[-1] - p[0]) / np.hypot(*(p[-1] - p[0]))
    along, aside = p @ ahead, p @ np.array([-ahead[1], ahead[0]])
    near = along**2 + aside**2 < 1.0
    out = np.copysign(np.sqrt(np.maximum(1.0 - along**2, 0.0)), aside)
    aside = np.where(near, out, aside)
    p = along[:, None] * ahead + aside[:, None] * np.array([-ahead[1], ahead[0]])
    path = (frame @ p.T).T + centre
    deep = np.flatnonzero(depth_at(path) >= least)
    return path[deep[0] : deep[-1] + 1]


def lanes(axis, positions, start, end):
    """Return parallel runs to and fro: north-south at each x, or east-west at each y."""
    runs = []
    for i, at in enumerate(positions):
        ends = [(at, start), (at, end)] if axis == "north" else [(start, at), (end, at)]
        run = straight(*ends)
        run = run[::-1] if i % 2 else run
        while runs and depth_at(densify([runs[-1][-1], run[0]])).min() < 0.7:
            # Turn a little earlier where a straight turn would touch the shore.
            runs[-1], run = runs[-1][:-2], run[2:]
        runs.append(run)
    return runs


def moving_mean(values, half):
    """Return the mean over 2 ``half`` + 1 rows, the ends held."""
    pad = [values[:1]] * half + [values] + [values[-1:]] * half
    total = np.cumsum(np.concatenate([np.zeros_like(values[:1]), *pad]), axis=0)
    width = 2 * half + 1
    return (total[width:] - total[:-width]) / width


def wandering(rng, n, seconds, sigma):
    """Return a first-order autoregressive series at 1 Hz, shape (n, 2)."""
    keep = np.exp(-1.0 / seconds)
    kicks = rng.standard_normal((n, 2)) * sigma
    out = np.empty((n, 2))
    out[0] = kicks[0]
    for i in range(1, n):
        out[i] = keep * out[i - 1] + np.sqrt(1.0 - keep**2) * kicks[i]
    return out


@dataclass
class Outing:
    """What the instruments saw at 1 Hz; arrays of shape (n,) or (n, 2), SI units."""

    time: np.ndarray
    position: np.ndarray
    depth: np.ndarray
    temp: np.ndarray
    hardness: np.ndarray
    speed: np.ndarray
    course: np.ndarray
    planted: np.ndarray


def sail(rng, runs, start, temp_c, hardness_gain=(1.0, 0.0), stop=None, ping_after=0.0):
    """Return the outing along ``runs``.

    ``stop`` is (place, seconds) of a halt to fish; the sounder pings ``ping_after``
    seconds after each fix.
    """
    path = moving_mean(densify(np.vstack(runs)), 8)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    n = int(run[-1] / (0.9 * CRUISE))
    advance = CRUISE * (1.0 + 0.04 * wandering(rng, n, 40.0, 1.0)[:, 0])
    stopped = np.zeros(n, dtype=bool)
    if stop:
        place, seconds = stop
        travelled = np.cumsum(advance)
        nearest = np.argmin(np.hypot(*(path - place).T))
        at = np.searchsorted(travelled, run[nearest])
        advance = np.insert(advance, at, np.full(seconds, 0.06))
        stopped = np.insert(stopped, at, np.full(seconds, True))
    travelled = np.cumsum(advance) - advance[0]
    n = np.searchsorted(travelled, run[-1])
    travelled, stopped = travelled[:n], stopped[:n]
    true_path = np.column_stack([np.interp(travelled, run, path[:, k]) for k in (0, 1)])
    true_path = true_path + 1.5 * moving_mean(wandering(rng, n, 20.0, 0.7), 7)
    time = np.datetime64(start, "s") + np.arange(n)

    moved = np.gradient(true_path, axis=0)
    x, y = (true_path + ping_after * moved + truth.ORIGIN).T
    water = truth.depth_m(x, y) + level_m(time)
    if np.nanmin(water) < DRAFT + 0.15 or np.isnan(water).any():
        raise RuntimeError("the boat ran aground")
    depth = (water - DRAFT) * ASSUMED_SPEED / sound_speed(temp_c)
    depth = depth + (0.03 + 0.003 * depth) * rng.standard_normal(n)
    gain, offset = hardness_gain
    hardness = gain * truth.hardness_truth(x, y) + offset + 0.03 * rng.standard_normal(n)
    return Outing(
        time=time,
        position=true_path + wandering(rng, n, 150.0, 0.6),
        depth=depth,
        temp=temp_c + 0.04 * rng.standard_normal(n),
        hardness=np.clip(hardness, 0.0, 1.0),
        speed=np.hypot(*moved.T),
        course=np.degrees(np.arctan2(moved[:, 0], moved[:, 1])) % 360.0,
        planted=np.where(stopped, "stopped", "").astype(object),
    )


def visit_a(rng):
    """The whole lake, lanes 20 m apart across the drop-off and three cross-lines."""
    runs = lanes("north", np.arange(-300.0, 361.0, 20.0), -240.0, 240.0)
    runs += [straight((380.0, 145.0), (-300.0, 145.0)), straight((-300.0, 40.0), (380.0, 40.0))]
    runs += [straight((380.0, -35.0), (-400.0, -35.0))]
    return sail(rng, runs, "2025-05-17T22:36:08", 11.0, ping_after=0.5)


def visit_b(rng):
    """The point with its drop-off and the hump, lanes 10 m apart and three cross-lines."""
    runs = lanes("north", np.arange(-175.0, 36.0, 10.0), -112.0, 118.0)
    runs += [straight((45.0, 85.0), (-185.0, 85.0)), straight((-185.0, 35.0), (45.0, 35.0))]
    runs += [straight((45.0, -60.0), (-185.0, -60.0))]
    stop = ((truth.HUMP["x"], truth.HUMP["y"]), 90)
    return sail(rng, runs, "2025-08-09T12:31:40", 24.0, stop=stop)


def visit_c(rng):
    """The bay, along the crest, the flat, twice round the island and back along the toe."""
    crest = truth.face_parallel(-5.0, -190.0, 190.0) - truth.ORIGIN
    toe = truth.face_parallel(8.0, -190.0, 190.0)[::-1] - truth.ORIGIN
    bay = [straight((-230.0, 110.0), (-345.0, 195.0)), straight((-325.0, 165.0), (-225.0, 85.0))]
    flat = lanes("east", (-55.0, -15.0, 25.0, 65.0), 215.0, 380.0)
    loops = [truth.island_ring(90, scale) - truth.ORIGIN for scale in (2.6, 1.8)]
    runs = [*bay, crest, *flat, *(np.vstack([ring, ring[:3]]) for ring in loops), toe]
    return sail(rng, runs, "2026-06-20T13:12:27", 21.0, hardness_gain=(0.92, 0.03))


# What is wrong in the logs on purpose.


def free_runs(rng, outing, eligible, count, length):
    """Return ``count`` runs of ``length`` pings each, away from anything planted before."""
    n = len(outing.time)
    taken = outing.planted != ""
    runs = []
    for i in np.argsort(rng.random(n), kind="stable"):
        if len(runs) == count:
            break
        rows = slice(i, i + length)
        if 30 < i < n - 30 and eligible[rows].all() and not taken[i - 15 : i + length + 15].any():
            runs.append(rows)
            taken[rows] = True
    return runs


def plant(rng, outing, kind, eligible, count, length=1):
    """Mark runs of pings as ``kind`` and return them."""
    runs = free_runs(rng, outing, eligible, count, length)
    if len(runs) < count:
        raise RuntimeError(f"no room for {count} x {kind}")
    for rows in runs:
        outing.planted[rows] = kind
    return runs


def plant_spikes(rng, outing, fish, weeds, burst=0):
    """Plant false shallow echoes (single, then in threes) and false deep ones."""
    deep = outing.depth > 4.0
    for rows in [
        *plant(rng, outing, "spike", deep, fish),
        *plant(rng, outing, "spike", deep, burst, 3),
    ]:
        outing.depth[rows] *= 0.35 + 0.30 * rng.random()
    for rows in plant(rng, outing, "spike", outing.depth > 1.0, weeds):
        outing.depth[rows] += 2.5 + 3.0 * rng.random()


def plant_double_echoes(rng, outing, count, length):
    """Plant runs where the sounder locks on the second echo, over the shelf."""
    shelf = (outing.depth > 1.5) & (outing.depth < 2.6)
    for rows in plant(rng, outing, "double_echo", shelf, count, length):
        outing.depth[rows] = 2.0 * outing.depth[rows] + DRAFT


# Writers. Each returns the file's text and, for what is planted, line numbers and kinds.

TO_WGS84 = Transformer.from_crs(truth.EPSG, 4326, always_xy=True)


def lon_lat(local):
    """Return longitudes and latitudes, degrees, of local points, shape (n, 2)."""
    return TO_WGS84.transform(*(np.asarray(local) + truth.ORIGIN).T)


def sentence(body):
    """Return an NMEA 0183 sentence: body, checksum, carriage return and line feed."""
    checksum = 0
    for char in body.encode("ascii"):
        checksum ^= char
    return f"${body}*{checksum:02X}\r\n"


def minutes(degrees, width):
    """Return degrees as NMEA's dddmm.mmmmm."""
    whole, rest = divmod(round(float(abs(degrees)) * 6_000_000), 6_000_000)
    return f"{whole:0{width}d}{rest / 1e5:08.5f}"


def depth_bodies(depth, kind):
    """Return the bodies of the DPT and DBT sentences of one ping."""
    if kind == "no_depth":
        return "SDDPT,,0.0", "SDDBT,,f,,M,,F"
    depth = 0.0 if kind == "zero_depth" else depth
    return (
        f"SDDPT,{depth:.2f},0.0",
        f"SDDBT,{depth / FOOT:.1f},f,{depth:.1f},M,{depth / FATHOM:.1f},F",
    )


def fix_bodies(clock, date, lat, lon, knots, course, level, kind):
    """Return the bodies of the GGA, RMC and VTG sentences of one fix."""
    if kind == "no_fix":
        return (
            f"GPGGA,{clock},,,,,0,03,,,M,,M,,",
            f"GPRMC,{clock},V,,,,,,,{date},,,N",
            "GPVTG,,T,,M,,N,,K,N",
        )
    where = f"{minutes(lat, 2)},N,{minutes(lon, 3)},W"
    return (
        f"GPGGA,{clock},{where},1,09,0.9,{level:.1f},M,-28.6,M,,",
        f"GPRMC,{clock},A,{where},{knots:.2f},{course:.1f},{date},,,A",
        f"GPVTG,{course:.1f},T,,M,{knots:.2f},N,{knots * 1.852:.2f},K,A",
    )


#: What is planted in a ping's position; everything else is in its depth.
FIX_KINDS = ("position_jump", "no_fix")


def spoil(line):
    """Return a sentence with one digit misread and its checksum left as it was."""
    body, _, rest = line.partition("*")
    at = max(i for i, char in enumerate(body) if char.isdigit())
    return body[:at] + str((int(body[at]) + 5) % 10) + body[at + 1 :] + "*" + rest


def write_nmea(outing, rows, spoiled, cut_short):
    """Return one NMEA 0183 log of pings ``rows``; ``spoiled`` maps a ping to a sentence type."""
    lines, planted = [], []
    lon, lat = lon_lat(outing.position)
    for i in rows:
        kind = outing.planted[i]
        stamp = str(outing.time[i])
        clock = stamp[11:].replace(":", "") + ".00"
        date = stamp[8:10] + stamp[5:7] + stamp[2:4]
        fix = fix_bodies(
            clock,
            date,
            lat[i],
            lon[i],
            outing.speed[i] / KNOT,
            outing.course[i],
            395.8 + level_m(outing.time[i]) + 0.3,
            kind,
        )
        bodies = [*fix, *depth_bodies(outing.depth[i], kind)]
        if i % 10 == 0:
            bodies.append(f"YXMTW,{outing.temp[i]:.1f},C")
        for body in bodies:
            line, sort = sentence(body), body[2:5]
            if spoiled.get(i) == sort:
                line = spoil(line)
                planted.append((len(lines) + 1, "bad_checksum"))
            elif sort in (("GGA", "RMC") if kind in FIX_KINDS else ("DPT", "DBT")) and kind:
                planted.append((len(lines) + 1, kind))
            lines.append(line)
    if cut_short:
        lines.append(sentence(bodies[0])[:31])
        planted.append((len(lines), "half_line"))
    return "".join(lines), planted


def write_table(outing):
    """Return the delimited log: US Central time with its offset, feet, Fahrenheit, mph."""
    lines, planted = ["time,lat,lon,depth_ft,hardness,water_temp_f,speed_mph\n"], []
    lon, lat = lon_lat(outing.position)
    for i, kind in enumerate(outing.planted):
        local_time = str(outing.time[i] - np.timedelta64(5, "h")).replace("T", " ") + "-05:00"
        depth = {"no_depth": "", "zero_depth": "0.0", "not_a_number": "---"}.get(
            kind, f"{outing.depth[i] / FOOT:.1f}"
        )
        line = (
            f"{local_time},{lat[i]:.7f},{lon[i]:.7f},{depth},{outing.hardness[i]:.2f},"
            f"{outing.temp[i] * 1.8 + 32.0:.1f},{outing.speed[i] / MPH:.1f}\n"
        )
        lines.append(line)
        if kind and kind != "duplicate":
            planted.append((len(lines), kind))
        if kind == "duplicate":
            lines.append(line)
            planted.append((len(lines), kind))
    return "".join(lines), planted


def write_track(outing, name):
    """Return the GPX track, one point a line, depth and the rest as extensions."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>\n',
        '<gpx version="1.1" creator="Lake Marrowby example" '
        'xmlns="http://www.topografix.com/GPX/1/1" xmlns:s="https://example.org/sounding/1">\n',
        f"<trk><name>{name}</name><trkseg>\n",
    ]
    planted = []
    lon, lat = lon_lat(outing.position)
    for i, kind in enumerate(outing.planted):
        depth = "" if kind == "no_depth" else f"<s:depth>{outing.depth[i]:.2f}</s:depth>"
        lines.append(
            f'<trkpt lat="{lat[i]:.7f}" lon="{lon[i]:.7f}"><time>{outing.time[i]}Z</time>'
            f"<extensions>{depth}<s:hardness>{outing.hardness[i]:.2f}</s:hardness>"
            f"<s:watertemp>{outing.temp[i]:.1f}</s:watertemp>"
            f"<s:speed>{outing.speed[i]:.2f}</s:speed></extensions></trkpt>\n"
        )
        if kind:
            planted.append((len(lines), kind))
    lines.append("</trkseg></trk></gpx>\n")
    return "".join(lines), planted


def ring_degrees(local):
    """Return a closed ring of [lon, lat] pairs, 7 decimals."""
    ring = [[round(float(a), 7), round(float(b), 7)] for a, b in zip(*lon_lat(local))]
    return [*ring, ring[0]]


def feature_collection(features):
    """Return GeoJSON text, one feature a line, of (geometry type, coordinates, properties)."""
    rows = [
        json.dumps(
            {
                "type": "Feature",
                "properties": properties,
                "geometry": {"type": kind, "coordinates": coordinates},
            },
            separators=(",", ":"),
        )
        for kind, coordinates, properties in features
    ]
    return '{"type":"FeatureCollection","features":[\n' + ",\n".join(rows) + "\n]}\n"


def shoreline():
    """Return the shoreline polygon at lake datum as GeoJSON."""
    rings = [truth.shore_ring() - truth.ORIGIN, truth.island_ring()[::-1] - truth.ORIGIN]
    properties = {
        "name": "Lake Marrowby",
        "level_m": 0.0,
        "level_note": "shore at lake datum, dock gauge 2.00 ft",
    }
    return feature_collection([("Polygon", [ring_degrees(r) for r in rings], properties)])


def old_contours():
    """Return the old club map: 5 ft contours, smoothed, up to 8 m off, depths 10 % too deep.

    Whoever drew it had a lead line and a few dozen casts: no hump, no inside turn.
    """
    angle = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    radius = np.arange(0.0, 420.0, 1.0)
    features = []
    hole = (truth.MAIN_HOLE["x"], truth.MAIN_HOLE["y"])
    rings = [*((ft, (0.0, 0.0)) for ft in (5, 10, 15, 20, 25, 30)), (35, hole)]
    for depth_ft, centre in rings:
        x = centre[0] + radius * np.cos(angle)[:, None]
        y = centre[1] + radius * np.sin(angle)[:, None]
        place = x + truth.ORIGIN[0], y + truth.ORIGIN[1]
        drawn = 1.10 * np.nan_to_num(truth.depth_m(*place, hump_height=0.0))
        deep = drawn >= depth_ft * FOOT
        outermost = np.array([radius[np.flatnonzero(row)[-1]] for row in deep])
        half = 2
        # The mean of running minima: the draughtsman's line stays clear of the shore.
        least = np.min([np.roll(outermost, k) for k in range(-half, half + 1)], axis=0)
        wrapped = np.concatenate([least[-half:], least, least[:half]])
        smoothed = moving_mean(wrapped, half)[half:-half]
        local = np.column_stack([smoothed * np.cos(angle), smoothed * np.sin(angle)])
        local = local + centre + min(depth_ft / 20.0, 1.0) * np.array([6.5, -4.5])
        properties = {"depth_ft": depth_ft, "source": "club map, about 1962, drawn from casts"}
        features.append(("LineString", ring_degrees(local), properties))
    return feature_collection(features)


#: The user's own marks: name, local x and y, note.
MARKS = (
    ("LANDING", -322.0, -20.0, "gravel landing, trailer turns here"),
    ("HUMP", -60.0, 62.0, "top of the hump, gravel"),
    ("POINT TIP", -45.0, -42.0, "last of the shelf off the point"),
    ("INSIDE TURN", 78.0, -113.0, "deep water comes in close"),
    ("DEEP HOLE", 80.0, 15.0, "deepest water"),
    ("SADDLE", -93.0, -11.0, "between the point and the hump"),
    ("ISLAND S", 158.0, 72.0, "steep on this side"),
    ("FLAT", 285.0, 15.0, "even bottom, weeds in August"),
)


def marks():
    """Return the marks as GPX waypoints."""
    lon, lat = lon_lat([(x, y) for _, x, y, _ in MARKS])
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>\n',
        '<gpx version="1.1" creator="Lake Marrowby example" '
        'xmlns="http://www.topografix.com/GPX/1/1">\n',
    ]
    for (name, _, _, note), a, b in zip(MARKS, lon, lat):
        lines.append(
            f'<wpt lat="{b:.6f}" lon="{a:.6f}"><name>{name}</name><desc>{note}</desc></wpt>\n'
        )
    return "".join([*lines, "</gpx>\n"])


def gauge():
    """Return the gauge readings, ft above the dock gauge's zero, times UTC."""
    rows = [f"{t}Z,{DATUM_READING_FT + level / FOOT:.2f}\n" for t, level in LEVELS]
    return "time_utc,level_ft\n" + "".join(rows)


def build():
    """Return the text of every file by its name, and the rows of planted.csv."""
    files, planted = {}, []

    rng = random_source(17052025)
    a = visit_a(rng)
    plant_spikes(rng, a, fish=9, weeds=7, burst=2)
    plant_double_echoes(rng, a, count=2, length=6)
    any_depth = a.depth > 0.0
    plant(rng, a, "no_depth", any_depth, 3, 6)
    plant(rng, a, "zero_depth", any_depth, 2, 4)
    plant(rng, a, "no_fix", any_depth, 1, 4)
    for rows in plant(rng, a, "position_jump", any_depth, 1, 3):
        a.position[rows] += (160.0, -90.0)
    sorts = ("DPT", "DPT", "DPT", "DBT", "GGA", "GGA", "RMC", "VTG")
    pings = [rows.start for rows in free_runs(rng, a, any_depth, len(sorts), 1)]
    spoiled = dict(zip(pings, sorts))
    half = 3600
    for name, rows, cut in (
        ("logs/2025-05-17_1.nmea", range(half), False),
        ("logs/2025-05-17_2.nmea", range(half, len(a.time)), True),
    ):
        files[name], found = write_nmea(a, rows, spoiled, cut)
        planted += [(name, *row) for row in found]

    rng = random_source(9082025)
    b = visit_b(rng)
    plant_spikes(rng, b, fish=5, weeds=3)
    plant_double_echoes(rng, b, count=1, length=5)
    any_depth = b.depth > 0.0
    for kind, count in (("no_depth", 5), ("zero_depth", 4), ("not_a_number", 3), ("duplicate", 3)):
        plant(rng, b, kind, any_depth, count)
    files["logs/2025-08-09.csv"], found = write_table(b)
    planted += [("logs/2025-08-09.csv", *row) for row in found]

    rng = random_source(20062026)
    c = visit_c(rng)
    plant_spikes(rng, c, fish=3, weeds=2)
    plant(rng, c, "no_depth", c.depth > 0.0, 3)
    files["logs/2026-06-20.gpx"], found = write_track(c, "Bay, drop-off, flat and island")
    planted += [("logs/2026-06-20.gpx", *row) for row in found]

    files["shoreline.geojson"] = shoreline()
    files["old_contours.geojson"] = old_contours()
    files["marks.gpx"] = marks()
    files["gauge.csv"] = gauge()
    table = io.StringIO()
    csv.writer(table, lineterminator="\n").writerows([("file", "line", "kind"), *planted])
    files["planted.csv"] = table.getvalue()
    return files


def main():
    parser = argparse.ArgumentParser(description="Write the files of the Lake Marrowby example.")
    parser.add_argument("--output", type=Path, default=Path(__file__).resolve().parent)
    output = parser.parse_args().output
    for name, text in build().items():
        path = output / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode("utf-8"))
        print(f"{len(text):9d} bytes  {path}")


if __name__ == "__main__":
    main()
