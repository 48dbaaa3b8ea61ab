"""Logs and gauge readings as the files that devices and people write."""

from pathlib import Path

import numpy as np


def write_text(log, path, depth_name="depth_m", times=True):
    """Write delimited text with a header; ``depth_name`` says, or hides, the unit."""
    columns = {
        "latitude": [f"{v:.7f}" for v in log.lat],
        "longitude": [f"{v:.7f}" for v in log.lon],
        depth_name: [f"{v:.3f}" for v in log.depth],
        "hardness": [f"{v:.3f}" for v in log.hardness],
        "water_temp_c": [f"{v:.1f}" for v in log.temp],
    }
    if times and not np.isnat(log.time).any():
        columns = {"time": [f"{t}Z" for t in log.time.astype("datetime64[ms]")], **columns}
    lines = [",".join(columns), *map(",".join, zip(*columns.values()))]
    return _write(path, lines)


def write_nmea(log, path):
    """Write NMEA 0183: DPT between two RMC, a tenth of a second before and after, seldom MTW."""
    lines, tenth = [], np.timedelta64(100, "ms")
    for k, (time, lat, lon, depth, temp) in enumerate(
        zip(log.time.astype("datetime64[ms]"), log.lat, log.lon, log.depth, log.temp)
    ):
        lines += [
            _position(time - tenth, lat, lon),
            _sentence(f"SDDPT,{depth:.2f},0.0"),
            _position(time + tenth, lat, lon),
        ]
        if k % 20 == 0:
            lines.append(_sentence(f"YXMTW,{temp:.1f},C"))
    return _write(path, lines)


def write_gpx(log, path):
    """Write a GPX track with depths in extensions."""
    lines = ['<?xml version="1.0"?>', '<gpx version="1.1" creator="hand"><trk><trkseg>']
    columns = (log.time, log.lat, log.lon, log.depth, log.hardness, log.temp)
    for time, lat, lon, depth, hard, temp in zip(*columns):
        lines.append(
            f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{time}Z</time><extensions>'
            f'<depth unit="m">{depth:.3f}</depth><hardness>{hard:.3f}</hardness>'
            f'<wtemp unit="C">{temp:.1f}</wtemp></extensions></trkpt>'
        )
    return _write(path, [*lines, "</trkseg></trk></gpx>"])


WRITERS = {"txt": write_text, "nmea": write_nmea, "gpx": write_gpx}


def write(log, path, **how):
    """Write a log in the format that the file's name ends in."""
    return WRITERS[Path(path).suffix[1:]](log, path, **how)


def _write(path, lines):
    Path(path).write_text("\n".join(lines) + "\n", encoding="ascii")
    return Path(path)


def _sentence(body):
    total = 0
    for letter in body.encode():
        total ^= letter
    return f"${body}*{total:02X}"


def _position(time, lat, lon):
    day, clock = str(time).split("T")
    clock, date = clock.replace(":", "")[:9], day[8:10] + day[5:7] + day[2:4]
    where = f"{_angle(lat, 2, 'NS')},{_angle(lon, 3, 'EW')}"
    return _sentence(f"GPRMC,{clock},A,{where},4.3,,{date},,,A")


def _angle(degrees, digits, sides):
    """Return degrees and minutes with their side, to 2 mm."""
    value = abs(degrees)
    whole = int(value)
    minutes = round((value - whole) * 60.0, 6)
    if minutes >= 60.0:
        whole, minutes = whole + 1, 0.0
    return f"{whole:0{digits}d}{minutes:09.6f},{sides[0] if degrees >= 0 else sides[1]}"
