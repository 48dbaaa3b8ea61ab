"""Play logs with faults through the recorder, and compare what it kept with what was sent.

    python3 tests/stress/water_soak.py [SECONDS] [SPEED] [SEED]

With the Python of QGIS. For SECONDS (60) rounds of 15 s follow each other, SPEED (50) times as fast
as the boat was. By SEED (1) each draws a stretch of the example's logs, faults, and a way: TCP, UDP,
a pseudo-terminal, or two devices, each on its own port. A round goes wrong where

- a byte that was sent is not in the recording, or another one is (of pulled plugs: where what is
  there was not sent in that order);
- soundings heard while recording are not those of *Read logs* of the recording, row for row, though
  one sounder alone was there;
- *Read logs* of the recording has other depths than *Read logs* of the bytes as they were sent, where
  one line brought all of it and no plug was pulled.

Told are the rounds, what they lost, and the memory after the first and after the last. The exit
status is the number of rounds that went wrong.
"""

import os
import random
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / ".ci"))
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
if not os.environ.get("PROJ_DATA") and Path("/usr/share/proj/proj.db").exists():
    os.environ["PROJ_DATA"] = "/usr/share/proj"
import checkout  # noqa: F401
import numpy as np

ROUND_S = 15.0
#: Share of each fault that is drawn.
SHARES = {"bytes": 1e-3, "nodepth": 0.2, "nofix": 0.2, "silence": 0.2, "seconddepth": 1.0}
SHARES |= {"buffered": 0.3, "unplugged": 0.2, "olddate": 1.0}
USUAL_SHARE = 0.02
WAYS = ("tcp", "udp", "pty", "two") if os.name == "posix" else ("tcp", "udp")
#: Of these the choice of a sounder or the order in time may differ from that of the whole log.
CHANGES_CHOICE = {"seconddepth", "late"}


def resident_mb():
    pages = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def whole_log():
    from lakefloor.algorithms.core.playing.timeline import timeline

    return timeline(sorted((ROOT / "example_project" / "logs").iterdir()))


def drawn(whole, draw, speed):
    """Return the way, the faults and what each device sends in a round."""
    from lakefloor.algorithms.core.playing.faults import FAULTS, with_faults
    from lakefloor.algorithms.core.playing.timeline import on_two_devices

    way = draw.choice(WAYS)
    names = draw.sample(sorted(FAULTS), draw.randint(0, 5))
    begin = draw.uniform(0.0, whole.seconds[-1] - speed * ROUND_S)
    inside = (whole.seconds >= begin) & (whole.seconds < begin + speed * ROUND_S)
    part = whole.select(inside)
    part = type(part)(part.seconds - part.seconds[0], part.chunks)
    shares = {name: SHARES.get(name, USUAL_SHARE) for name in names}
    seed = draw.randrange(10**6)
    lines = on_two_devices(part) if way == "two" else [part]
    return way, names, [with_faults(line, shares, seed) for line in lines]


def outlets_of(way):
    from lakefloor.plugin.simulator import player

    if way == "udp":
        import socket

        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        return [player.UdpOutlet(port)]
    kinds = {"tcp": ["Tcp"], "pty": ["Pty"], "two": ["Tcp", "Pty"]}[way]
    return [getattr(player, f"{kind}Outlet")() for kind in kinds]


def play(app, lake, lines, outlets, speed):
    """Record what is played; return the recording and the soundings that were heard."""
    from lakefloor.plugin.simulator.player import Player
    from lakefloor.plugin.water.recorder import Recorder
    from lakefloor.plugin.water.sources import SourceSpec

    recorder, heard, told = Recorder(), [], []
    recorder.heard.connect(lambda h: heard.append(h.soundings))
    recorder.state_changed.connect(told.append)
    recorder.start(lake, [SourceSpec.from_dict(outlet.spec) for outlet in outlets], {})
    players = [Player(line, speed, outlet) for line, outlet in zip(lines, outlets)]
    waited(app, lambda: told and all(s == "open" for s, _ in told[-1].sources.values()), 20.0)
    for player in players:
        player.start()
    waited(app, lambda: not any(player.is_playing for player in players), 10.0 * ROUND_S)
    sent = sum(player.sent - getattr(player.outlet, "lost", 0) for player in players)
    waited(app, lambda: told[-1].bytes >= sent, 5.0)
    waited(app, lambda: False, 1.0)
    recorder.stop()
    for player in players:
        player.stop()
    return recorder.recording, [part for part in heard if len(part)]


def waited(app, said, seconds):
    until = time.monotonic() + seconds
    while not said() and time.monotonic() < until:
        app.processEvents()
        time.sleep(0.005)


def in_order(got, line):
    """Whether bytes are some of the pieces of a line, parts of them where a plug was pulled."""
    at, data = 0, line.data
    for piece in got.splitlines(keepends=True):
        at = data.find(piece, at)
        if at < 0:
            return False
        at += len(piece)
    return True


def wrong(recording, heard, names, lines, outlets):
    """Return what went wrong in a round, and how many bytes were lost with pulled plugs."""
    from lakefloor.algorithms.core.reading.recorded_log import parse_recording
    from lakefloor.algorithms.core.soundings import concatenate

    problems, lost = [], 0
    pulled = any(len(line.unplugged) for line in lines)
    for key, line, outlet in zip(sorted(recording.sources), lines, outlets):
        got = recording.raw(key).read_bytes()
        lost += len(line.data) - len(got)
        is_part = len(line.unplugged) or getattr(outlet, "lost", 0)
        if not (in_order(got, line) if is_part else got == line.data):
            problems.append(f"{key}: {len(got)} bytes kept of {len(line.data)} that were sent")
    home = parse_recording(recording.path).soundings
    if heard and not CHANGES_CHOICE & set(names) and not pulled:
        live = concatenate(heard)
        problems += [
            f"{name} heard differs from {name} read"
            for name in ("x", "y", "raw_depth", "time")
            if not np.array_equal(getattr(live, name), getattr(home, name)[: len(live)])
        ]
        if len(home) - len(live) > 50:
            problems.append(f"{len(live)} soundings heard of {len(home)}")
    if len(lines) == 1 and not pulled and not lost:
        problems += as_sent(lines[0], home)
    return problems, lost, len(home)


def as_sent(line, home):
    """Return how *Read logs* of the recording differs from that of the bytes as they were sent."""
    from lakefloor.algorithms.core.reading.nmea_log import parse_nmea_log

    there = parse_nmea_log(line.data).soundings
    if not np.array_equal(there.raw_depth, home.raw_depth):
        return [f"{len(home)} depths read of {len(there)} that were sent"]
    return []


def soak(seconds=60.0, speed=50.0, seed=1):
    from qgis.core import QgsApplication

    from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
    from lakefloor.algorithms._lake.folder import LakeFolder

    app = QgsApplication([], True)
    app.initQgis()
    draw, whole, failed, number, first = random.Random(seed), whole_log(), 0, 0, 0.0
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        number += 1
        way, names, lines = drawn(whole, draw, speed)
        with tempfile.TemporaryDirectory() as folder:
            write_facts(Path(folder), LakeFacts("Lake Marrowby"))
            outlets = outlets_of(way)
            recording, heard = play(app, LakeFolder(Path(folder)), lines, outlets, speed)
            problems, lost, count = wrong(recording, heard, names, lines, outlets)
        failed += bool(problems)
        first = first or resident_mb()
        size = sum(len(line.data) for line in lines)
        print(f"{number:3} {way:4} {size:8,} bytes {count:6,} soundings {lost:6,} lost", end=" ")
        print(", ".join(names) or "no fault", *problems, sep="\n      WRONG: ", flush=True)
    print(f"{failed} of {number} rounds went wrong; {first:.0f} MB, then {resident_mb():.0f} MB")
    return failed


if __name__ == "__main__":
    sys.exit(soak(*(kind(text) for kind, text in zip((float, float, int), sys.argv[1:]))))
