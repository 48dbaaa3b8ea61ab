"""Play a log as if a boat were out: python3 simulate.py LOG --tcp 10110 --speed 10"""

import argparse
import importlib.util
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
EXAMPLE = HERE / "example_project" / "logs" / "2025-05-17_1.nmea"


def _package():
    """Load the plugin's package, whatever its folder is called; it needs no QGIS here."""
    name = "lakefloor_simulator"
    spec = importlib.util.spec_from_file_location(
        name, HERE / "__init__.py", submodule_search_locations=[str(HERE)]
    )
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
    return name


def _asked(faults):
    parser = argparse.ArgumentParser(
        description="Plays a log of a sounder and a GPS receiver, as fast as you like, for trying an "
        "outing at a desk."
    )
    parser.add_argument("logs", nargs="*", type=Path, help="logs; the example's first if none")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--tcp", type=int, default=10110, metavar="PORT", help="serve this port")
    where.add_argument("--udp", type=int, metavar="PORT", help="send to this port")
    where.add_argument(
        "--pty", action="store_true", help="make a port that looks like a serial one"
    )
    parser.add_argument(
        "--two",
        action="store_true",
        help="send what the GPS receiver says here, and what the sounder says to the next port",
    )
    parser.add_argument("--speed", type=float, default=1.0, help="1 to 50 times as fast")
    parser.add_argument(
        "--as-text", action="store_true", help="send the lines of a text log as they are"
    )
    parser.add_argument("--loop", action="store_true", help="begin again at the end")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME=SHARE",
        help="put a fault in, such as checksum=0.01; may be given several times",
    )
    parser.add_argument("--seed", type=int, default=0, help="the same seed gives the same faults")
    parser.add_argument("--list-faults", action="store_true", help="list the faults, and end")
    asked = parser.parse_args()
    if asked.list_faults:
        for name, (_, text) in faults.items():
            print(f"{name:12} {text}")
        parser.exit()
    if not 1.0 <= asked.speed <= 50.0:
        parser.error("the speed is 1 to 50")
    return parser, asked


def main():
    """Play until the log ends or Ctrl-C."""
    name = _package()
    faults = importlib.import_module(f"{name}.algorithms.core.playing.faults")
    lines = importlib.import_module(f"{name}.algorithms.core.playing.timeline")
    errors = importlib.import_module(f"{name}.algorithms.core.errors")
    players = importlib.import_module(f"{name}.plugin.simulator.player")
    parser, asked = _asked(faults.FAULTS)
    try:
        wanted = {n: float(v or 0.01) for n, _, v in (f.partition("=") for f in asked.fault)}
        logs = lines.logs_of(asked.logs or [EXAMPLE])
        whole = lines.timeline(logs, as_text=asked.as_text)
        whole = faults.with_faults(whole, wanted, asked.seed)
    except (errors.LakefloorError, ValueError) as error:
        parser.error(str(error))
    devices = lines.on_two_devices(whole) if asked.two else [whole]
    playing = []
    try:
        for log in logs:
            print(f"Log: {log}")
        for number, line in enumerate(devices):
            outlet = _outlet(players, asked, number)
            playing.append(players.Player(line, asked.speed, outlet, loops=asked.loop, waits=True))
            _tell(playing[-1])
        for player in playing:
            player.start()
        _follow(playing)
    except KeyboardInterrupt:
        print()
    for player in playing:
        player.stop()


def _outlet(players, asked, number):
    if asked.pty:
        return players.PtyOutlet()
    if asked.udp is not None:
        return players.UdpOutlet(asked.udp + number)
    return players.TcpOutlet(asked.tcp + number if asked.tcp else 0)


def _tell(player):
    """Say where to connect."""
    if player.outlet.is_elsewhere:
        print("Another program uses that port, so another port is used.")
    minutes = player.length / player.speed / 60.0
    print(f"Playing {minutes:.1f} minutes over {player.outlet.spec['kind']}: {player.place}")
    sys.stdout.flush()


def _follow(playing):
    """Say under which name a port comes back, until the logs have ended."""
    places = [player.place for player in playing]
    while any(player.is_playing for player in playing):
        time.sleep(0.2)
        for number, player in enumerate(playing):
            if player.place != places[number]:
                places[number] = player.place
                print(f"Unplugged, and back as {player.place}", flush=True)
    print("The log has ended.")


if __name__ == "__main__":
    main()
