"""The recorder on two pseudo-terminals: how late the times of arrival are, and what it takes.

    python3 tests/benchmarks/bench_recording.py [SECONDS] [RATE]

With the Python of QGIS; needs POSIX. A process of its own sends fixes and depths RATE times a second
(10) for SECONDS (60) and notes when. Told are how late the recorded times are, the processor time,
and the memory in the first and in the last quarter: once with the disk as it is, once with one that
takes a second for each file it brings to the disk, with a main thread that is held up for 300 ms
again and again. Then eight hours at 10 Hz are written as fast as they can be, and read back.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import mean

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

SLOW_S, BUSY_S = 1.0, 0.3
HOURS, HZ = 8, 10


def sentence(body):
    from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum

    return f"${body}*{sentence_checksum(body):02X}\r\n".encode()


def fix(seconds):
    clock = f"{int(seconds) // 3600:02d}{int(seconds) // 60 % 60:02d}{seconds % 60:06.3f}"
    place = f"{4500 + seconds * 1e-4:09.4f},N,09300.0000,W"
    rmc = sentence(f"GPRMC,{clock},A,{place},4.0,0.0,090726,,")
    return rmc + sentence(f"GPGGA,{clock},{place},1,9,1.0,200,M,,M,,")


def depth(number):
    return sentence(f"SDDBT,,f,{3 + number % 100 / 100:.2f},M,,F")


def send(seconds, rate, *ports):
    """Send to two ports (descriptors), and print when."""
    sent, start = ([], []), time.monotonic()
    for number in range(int(seconds * rate)):
        time.sleep(max(0.0, start + number / rate - time.monotonic()))
        for port, times, data in zip(ports, sent, (fix(number / rate), depth(number))):
            times.append(time.monotonic())
            os.write(port, data)
    print(json.dumps(sent))


def resident_mb():
    pages = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def made_lake(folder):
    from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
    from lakefloor.algorithms._lake.folder import LakeFolder

    write_facts(folder, LakeFacts("Lake Marrowby"))
    return LakeFolder(Path(folder))


def record(seconds, rate, is_slow):
    """Record what another process sends, and tell how that went."""
    import numpy as np
    from qgis.PyQt.QtCore import QCoreApplication, QTimer

    from lakefloor.algorithms._lake import append_only
    from lakefloor.plugin.water.recorder import Recorder
    from lakefloor.plugin.water.sources import SourceSpec

    pairs = [os.openpty() for _ in range(2)]
    fsync = os.fsync
    if is_slow:
        append_only.os.fsync = lambda descriptor: (time.sleep(SLOW_S), fsync(descriptor))[1]
    memory, counts, opened = [], [0, 0], set()
    with tempfile.TemporaryDirectory() as folder:
        recorder = Recorder()

        def hear(heard):
            counts[0] += 1
            counts[1] += len(heard.soundings)

        recorder.heard.connect(hear)
        recorder.state_changed.connect(
            lambda state: opened.update(k for k, (how, _) in state.sources.items() if how == "open")
        )
        specs = [SourceSpec("serial", os.ttyname(slave), 38400) for _, slave in pairs]
        recorder.start(made_lake(folder), specs, {})
        while len(opened) < len(pairs):
            QCoreApplication.processEvents()
        passed = [master for master, _ in pairs]
        command = [sys.executable, __file__, "send", str(seconds), str(rate), *map(str, passed)]
        cpu = time.process_time()
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, pass_fds=passed
        ) as sender:
            memory_at = QTimer()
            memory_at.timeout.connect(lambda: memory.append(resident_mb()))
            memory_at.start(500)
            end = time.monotonic() + seconds + 3.0
            while time.monotonic() < end:
                QCoreApplication.processEvents()
                time.sleep(BUSY_S if is_slow else 0.005)
            sent = json.loads(sender.stdout.read())
        cpu = time.process_time() - cpu
        append_only.os.fsync = fsync
        last = time.monotonic()
        recorder.stop()
        last = time.monotonic() - last
        late = []
        for key, times in zip(("source-1", "source-2"), sent):
            arrived = recorder.recording.arrivals(key).monotonic_us / 1e6
            # Pieces that came together have one time; the first counts from the earliest of them.
            at = np.searchsorted(times, arrived, side="right") - 1
            late.append(arrived - np.asarray(times)[at])
            print(f"  {key}: {len(times)} sent, {len(arrived)} recorded")
    late = 1e3 * np.concatenate(late)
    quarter = max(1, len(memory) // 4)
    print(
        "  late: median {:.2f}, 99 % {:.2f}, worst {:.2f} ms".format(
            *np.percentile(late, [50, 99, 100])
        )
    )
    print(
        f"  {counts[1]} soundings in {counts[0]} tellings; processor {cpu / seconds:.3f} s a second"
    )
    print(
        f"  memory {mean(memory[:quarter]):.0f} -> {mean(memory[-quarter:]):.0f} MB; end {last:.2f} s"
    )


def write_and_read():
    """Write eight hours as fast as they can be, go on, and read them back."""
    from lakefloor.algorithms._lake.recording import RecordingWriter
    from lakefloor.algorithms.core.reading.recorded_log import parse_recording

    with tempfile.TemporaryDirectory() as folder:
        sources = {"source-1": {}, "source-2": {}}
        writer = RecordingWriter.begin(made_lake(folder), sources, {})
        spent, memory = 0.0, resident_mb()
        for number in range(HOURS * 3600 * HZ):
            us, first, second = 100_000 * number, fix(number / HZ), depth(number)
            begun = time.process_time()
            writer.add("source-1", first, us, us)
            writer.add("source-2", second, us + 50_000, us)
            if number % 5 == 4:
                writer.free()
            if number % 500 == 499:
                writer.flush()
            spent += time.process_time() - begun
        grown = resident_mb() - memory
        writer.leave()
        begun = time.process_time()
        writer = RecordingWriter.resume(writer.recording)
        resumed = time.process_time() - begun
        begun = time.process_time()
        soundings = parse_recording(writer.recording.path, before_session=2).soundings
        read = time.process_time() - begun
        writer.leave()
        size = sum(path.stat().st_size for path in writer.recording.path.iterdir()) / 1e6
    print(
        f"{HOURS} h at {HZ} Hz, {size:.0f} MB: written in {spent:.1f} s of the processor, memory "
    )
    print(
        f"  {grown:+.1f} MB; gone on in {resumed:.3f} s; {len(soundings)} soundings in {read:.1f} s"
    )


def main(seconds=60.0, rate=10.0):
    from qgis.core import QgsApplication

    application = QgsApplication([], False)
    application.initQgis()
    for is_slow in (False, True):
        print("A disk that takes a second, a busy window:" if is_slow else "As it is:")
        record(seconds, rate, is_slow)
    write_and_read()


if __name__ == "__main__":
    import conftest  # noqa: F401

    if sys.argv[1:2] == ["send"]:
        send(float(sys.argv[2]), float(sys.argv[3]), *map(int, sys.argv[4:]))
    else:
        main(*map(float, sys.argv[1:]))
