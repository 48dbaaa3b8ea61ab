"""Break the disk under every algorithm that writes, and see what is left.

The N-th write, flush, close, rename or removal within the folder of the results fails, or the
process is killed there, for N spread over all there are. The fault is injected by strace below
Python, so that GDAL, SQLite and Qt meet it too::

    .venv/bin/python tests/faults/run.py                     # every writer, 40 faults each
    .venv/bin/python tests/faults/run.py --most 200 mapsheet
    .venv/bin/python tests/faults/run.py --sample            # the 50 of the test suite

QGIS is started once; each run is a fork of that process, to which strace is attached. Afterwards
the folder must hold the results of the earlier run or of the new one, all of them and whole, as
read by other means than Lakefloor's own where there are any (poppler for PDF), and what was killed
must be put in order by what the next run does first.
"""

from __future__ import annotations

import argparse
import collections
import hashlib
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
import zipfile
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
if not os.environ.get("PROJ_DATA") and Path("/usr/share/proj/proj.db").exists():
    os.environ["PROJ_DATA"] = "/usr/share/proj"
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent.parent / ".ci"), "/usr/share/qgis/python/plugins"]

import checkout  # noqa: F401, I001
from osgeo import gdal, ogr
from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
)

from lakefloor.algorithms._io.named_crs import UTM_ZONES, name_for_files
from lakefloor.algorithms._io.staging import sweep
from writers import INPUTS, STORES, WRITERS, write_logs

CALLS = (
    "write",
    "pwrite64",
    "fsync",
    "fdatasync",
    "ftruncate",
    "close",
    "rename",
    "renameat",
    "renameat2",
    "link",
    "linkat",
    "unlink",
    "unlinkat",
    "mkdir",
    "mkdirat",
    "rmdir",
    "fallocate",
    "copy_file_range",
    "sendfile",
)
KINDS = ("ENOSPC", "EIO", "KILL")
TIMEOUT_S = 120.0

#: Writers of the test suite's sample, with the number of faults in each.
SAMPLE = {
    "depthcontours": 5,
    "depthcontours into a GeoPackage of others": 6,
    "bottomslope": 4,
    "lakestatistics": 4,
    "readlogs to GeoJSON": 6,
    "exportwaypoints": 5,
    "addtodatabase": 6,
    "areavolumebylevel": 4,
    "copytoshare": 10,
}


class Fault(NamedTuple):
    """One run: the ``number``-th ``call`` answers with an error, or ends the process (KILL)."""

    writer: str
    call: str
    number: int
    kind: str


class Outcome(NamedTuple):
    """What a run said (done, refused, killed, traceback, hung) and what it left.

    ``state`` is old, new or torn, after the next run has put things in order; ``at_once`` the same
    before that. ``left`` and ``swept`` count hidden folders before and after it.
    """

    fault: Fault
    said: str
    at_once: str
    state: str
    left: int
    swept: int
    text: str


# -- what is on the disk --------------------------------------------------------------------------


def state_of(folder):
    """Return a digest of the content of each file in a folder, or why it cannot be read."""
    found = {}
    for path in sorted(folder.rglob("*")):
        inner = path.relative_to(folder)
        if path.is_dir() or inner.parts[0].startswith(".lakefloor-"):
            continue
        if path.name.endswith(("-journal", "-wal", "-shm")):
            continue  # looked at by SQLite, which opens the file beside it
        if path.name.endswith(".aux.xml"):
            continue  # statistics, which QGIS writes beside a raster that it opens
        try:
            found[str(inner)] = hashlib.sha256(repr(_content(path)).encode()).hexdigest()
        except Exception as error:
            found[str(inner)] = f"torn: {error!r}"
    return found


def _content(path):
    kind = path.suffix.lower()
    if kind in (".gpkg", ".mbtiles"):
        return _rows(path)
    if kind in (".tif", ".img", ".png"):
        return _cells(path)
    if kind == ".pdf":
        read = subprocess.run(
            ["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True
        )
        if b"Error" in read.stderr:
            raise ValueError(read.stderr)
        return read.stdout
    if kind == ".qgz":
        with zipfile.ZipFile(path) as archive:
            if archive.testzip():
                raise ValueError("damaged archive")
            (name,) = [n for n in archive.namelist() if n.endswith(".qgs")]
            root = ElementTree.fromstring(archive.read(name))
        return root.findtext("title"), sorted(e.text for e in root.iter("layername") if e.text)
    return path.read_bytes()


_STORE_STATE = re.compile(r"store [0-9a-f]{32}, as of \S+")


def _rows(path):
    with closing(sqlite3.connect(str(path))) as db:
        if db.execute("PRAGMA integrity_check").fetchall() != [("ok",)]:
            raise ValueError("damaged database")
        tables = [
            name
            for (name,) in db.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
            )
        ]
        content = []
        for table in tables:
            if table.startswith(("rtree_", "sqlite_")):
                continue
            columns = [row[1] for row in db.execute(f'PRAGMA table_info("{table}")')]
            # Times of day at which something was done, and ids that QGIS makes up.
            passing = ("last_change", "added", "update_time", "styleQML", "styleSLD")
            columns = [
                c
                for c in columns
                if c not in passing
                and (table, c) not in (("history", "time"), ("layer_styles", "description"))
            ]
            names = ", ".join(f'"{c}"' for c in columns)
            rows = db.execute(f'SELECT {names} FROM "{table}"').fetchall()
            if table == "gpkg_contents":
                # The identity of a new store, and when it was changed.
                rows = [
                    tuple(_STORE_STATE.sub("store", v) if isinstance(v, str) else v for v in row)
                    for row in rows
                ]
            if table == "gpkg_ogr_contents":
                # No number of features is as good as the right one: GDAL counts them then.
                rows = [
                    (name, db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0])
                    if count is None
                    else (name, count)
                    for name, count in rows
                ]
            content.append((table, rows))
    return content


def _cells(path):
    dataset = gdal.Open(str(path))
    bands = [dataset.GetRasterBand(i + 1) for i in range(dataset.RasterCount)]
    cells = [band.ReadRaster() for band in bands]
    if not cells or None in cells:
        raise ValueError("damaged raster")
    return [
        (band.GetDescription(), hashlib.sha256(values).hexdigest())
        for band, values in zip(bands, cells)
    ]


# -- one run ----------------------------------------------------------------------------------


class _Feedback(QgsProcessingFeedback):
    def __init__(self):
        super().__init__(False)
        self.said = []

    def reportError(self, error, fatalError=False):
        self.said.append(error)


class Bench:
    """QGIS ready to run, the inputs made, and for each writer the old and the new state."""

    def __init__(self, folder, writers):
        self.folder = folder
        self.inputs = folder / "inputs"
        (self.inputs / "logs").mkdir(parents=True)
        write_logs(self.inputs)
        for path in self.inputs.glob("2025*.csv"):
            shutil.copy(path, self.inputs / "logs")
        self.app = QgsApplication([], False)
        self.app.initQgis()
        from processing.core.Processing import Processing

        Processing.initialize()
        from lakefloor.plugin.provider import LakefloorProvider

        self.provider = LakefloorProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)
        # Here once and not in each child, where what PROJ reads would be traced.
        for code in UTM_ZONES:
            name_for_files(QgsCoordinateReferenceSystem(f"EPSG:{code}"))
        inputs, stores = _needed(writers)
        for name, algorithm, given in inputs:
            made = self._algorithm(algorithm)
            output = next(d.name() for d in made.parameterDefinitions() if d.isDestination())
            self._must(algorithm, {**self._filled(given), output: str(self.inputs / name)})
        for name, soundings in stores:
            self._must(
                "addtodatabase",
                self._filled({"INPUT": soundings, "DATABASE": str(self.inputs / name)}),
            )
        _own_package(self.inputs)
        self._made = {}

    def _algorithm(self, name):
        return QgsApplication.processingRegistry().createAlgorithmById(f"lakefloor:{name}")

    def _filled(self, given, out=""):
        def fill(value):
            if isinstance(value, list):
                return [fill(v) for v in value]
            if isinstance(value, str):
                return value.replace("{out}", str(out)).replace("{}", str(self.inputs))
            return value

        return {name: fill(value) for name, value in given.items() if value is not None}

    def _must(self, algorithm, parameters):
        said, text = self._run(algorithm, parameters)
        if said != "done":
            raise SystemExit(f"{algorithm}: {said} {text}")

    def _run(self, algorithm, parameters, strace=None):
        """Run an algorithm in a fork; return what it said, and the words."""
        ours, theirs = socket.socketpair()
        words = self.folder / "stderr"
        pid = os.fork()
        if pid == 0:
            status = 1
            try:
                # Nothing is done before strace counts; a child that is forgotten ends by itself.
                signal.alarm(int(TIMEOUT_S))
                theirs.recv(1)
                ours.close()
                # What Python, Qt or GDAL print is looked at for tracebacks.
                descriptor = os.open(words, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND)
                os.dup2(descriptor, 1)
                os.dup2(descriptor, 2)
                feedback, context = _Feedback(), QgsProcessingContext()
                context.setProject(QgsProject.instance())
                _, ok = self._algorithm(algorithm).run(parameters, context, feedback)
                theirs.send(json.dumps([bool(ok), feedback.said]).encode())
                status = 0
            finally:
                os._exit(status)
        theirs.close()
        tracer = None
        try:
            if strace:
                tracer = subprocess.Popen(
                    ["strace", "-f", "-p", str(pid), *strace], stderr=subprocess.PIPE, text=True
                )
                line = tracer.stderr.readline()
                if "attached" not in line:
                    raise SystemExit(f"strace cannot attach: {line}")
            ours.send(b"g")
            status = _wait(pid)
            ours.setblocking(False)
            try:
                ok, said = json.loads(ours.recv(1 << 20))
            except (BlockingIOError, ValueError, ConnectionError):
                ok, said = None, []
        finally:
            ours.close()
            if tracer is not None:
                tracer.communicate()
        printed = words.read_text(errors="replace")
        if "Traceback (most recent call last)" in printed + "".join(said):
            return "traceback", printed + "".join(said)
        if status is None:
            return "hung", ""
        if os.WIFSIGNALED(status):
            number = os.WTERMSIG(status)
            return ("killed", "") if number == signal.SIGKILL else ("crashed", f"signal {number}")
        if ok is None:
            return "crashed", f"{status} {printed}"
        return ("done" if ok else "refused"), " ".join(said)

    # -- writers ------------------------------------------------------------------------------

    def _parameters(self, writer, earlier):
        given = {**writer.given, **(writer.earlier if earlier else {})}
        outputs = {
            name: file if file.startswith("ogr:") else "{out}/" + file
            for name, file in writer.outputs.items()
        }
        return self._filled({**given, **outputs}, self.folder / "out")

    def _fresh(self, earlier):
        shutil.rmtree(self.folder / "out", ignore_errors=True)
        shutil.copytree(earlier, self.folder / "out")

    def prepare(self, name):
        """Run a writer without a fault; return the states and what can be made to fail."""
        if name in self._made:
            return self._made[name]
        writer = WRITERS[name]
        out, earlier = self.folder / "out", self.folder / "earlier" / name
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir()
        for kept in writer.kept:
            shutil.copy(self.inputs / kept, out / kept)
        if writer.earlier and not (set(writer.kept) & {"both.gpkg"}):
            self._must(writer.algorithm, self._parameters(writer, True))
        shutil.copytree(out, earlier)
        old = state_of(out)
        record = self.folder / "record"
        said, text = self._run(
            writer.algorithm,
            self._parameters(writer, False),
            ["-y", "-s", "1", "-o", str(record), "-e", f"trace={','.join(CALLS)}"],
        )
        if said != "done":
            raise SystemExit(f"{name}: {said} {text}")
        new = state_of(out)
        targets = _targets(record, out)
        self._fresh(earlier)
        self._must(writer.algorithm, self._parameters(writer, False))
        again = state_of(out)
        odd = [
            file
            for file, content in again.items()
            if content.startswith("torn") or content != new.get(file)
        ]
        if odd or old == new:
            raise SystemExit(f"{name}: the states cannot be told apart {odd}")
        self._made[name] = old, new, targets, earlier
        return self._made[name]

    def faults(self, name, most):
        """Return at most so many faults, spread over calls and kinds."""
        by_call = self.prepare(name)[2]
        wanted = [
            Fault(name, call, number, kind)
            for call, numbers in by_call.items()
            for number in numbers
            for kind in KINDS
            if not (call in ("unlink", "unlinkat", "rmdir", "close") and kind == "ENOSPC")
        ]
        if len(wanted) <= most:
            return wanted
        # First and last of each call are where files begin and end.
        step = len(wanted) / most
        return [wanted[int(i * step)] for i in range(most)]

    def inject(self, fault) -> Outcome:
        """Run a writer with a fault, and look at what is left."""
        writer = WRITERS[fault.writer]
        old, new, _, earlier = self.prepare(fault.writer)
        self._fresh(earlier)
        what = "signal=KILL" if fault.kind == "KILL" else f"error={fault.kind}"
        said, text = self._run(
            writer.algorithm,
            self._parameters(writer, False),
            [
                "-o",
                "/dev/null",
                "-e",
                f"trace={fault.call}",
                "-e",
                f"inject={fault.call}:{what}:when={fault.number}",
            ],
        )
        out = self.folder / "out"

        def state():
            found = state_of(out)
            if found == new:
                return "new"
            return "old" if found == old else "torn"

        at_once, left = state(), len(list(out.glob(".lakefloor-*")))
        sweep(out)
        after, swept = state(), len(list(out.glob(".lakefloor-*")))
        if (said, after) in (("done", "old"), ("refused", "new")):
            after, text = "torn", f"{said}, but {after}: {text}"
        return Outcome(fault, said, at_once, after, left, swept, text)


def _needed(writers):
    """Return those of the inputs and stores that the writers need."""
    asked = json.dumps([(WRITERS[w].given, WRITERS[w].earlier, WRITERS[w].kept) for w in writers])
    stores = [row for row in STORES if row[0] in asked]
    asked += json.dumps(stores)
    inputs = []
    for row in reversed(INPUTS):
        if "{}/" + row[0] in asked:
            inputs.insert(0, row)
            asked += json.dumps(row[2])
    return inputs, stores


def _own_package(folder):
    """Make a GeoPackage as a user would: a shoreline drawn by hand."""
    source = ogr.Open(str(folder / "shoreline.geojson"))
    package = ogr.GetDriverByName("GPKG").CreateDataSource(str(folder / "own.gpkg"))
    layer = package.CopyLayer(source.GetLayer(0), "drawn by hand")
    assert layer.GetFeatureCount() == 1
    layer = package = source = None


def _targets(record, out):
    """Return the numbers of the calls within a folder, by name, from a record of strace."""
    counts, found = collections.Counter(), collections.defaultdict(list)
    for line in record.read_text(errors="replace").splitlines():
        match = re.match(r"(\d+) +(\w+)\(", line)
        if match and match[2] in CALLS:
            counts[match.groups()] += 1
            if str(out) in line:
                found[match[2]].append(counts[match.groups()])
    return {call: sorted(set(numbers)) for call, numbers in sorted(found.items())}


def _wait(pid):
    end = time.monotonic() + TIMEOUT_S
    while time.monotonic() < end:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return status
        time.sleep(0.005)
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return None


# -- the table --------------------------------------------------------------------------------


def table(outcomes) -> str:
    """Return the outcomes as a table in Markdown, a row a writer and their sum."""
    head = (
        "writer",
        "faults",
        "old whole",
        "new whole",
        "torn",
        "raw tracebacks",
        "hidden folders left",
        "after the next run",
    )
    rows = collections.defaultdict(list)
    for outcome in outcomes:
        rows[outcome.fault.writer].append(outcome)
        rows["all"].append(outcome)
    rows["all"] = rows.pop("all", [])
    lines = [f"| {' | '.join(head)} |", "|---" + "|---:" * (len(head) - 1) + "|"]
    for name, some in rows.items():
        states = collections.Counter(o.state for o in some)
        bad = sum(o.said in ("traceback", "hung", "crashed") for o in some)
        cells = (
            name,
            len(some),
            states["old"],
            states["new"],
            states["torn"],
            bad,
            sum(o.left > 0 for o in some),
            sum(o.swept > 0 for o in some),
        )
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("writers", nargs="*", help="all by default")
    parser.add_argument("--most", type=int, default=40, help="faults for each writer")
    parser.add_argument("--sample", action="store_true", help="the runs of the test suite")
    parser.add_argument("--record", type=Path, help="write each outcome to this file, as JSON")
    options = parser.parse_args()
    wanted = SAMPLE if options.sample else dict.fromkeys(options.writers or WRITERS, options.most)
    folder = Path(tempfile.mkdtemp(prefix="lakefloor-faults-"))
    outcomes, failed = [], False
    try:
        bench = Bench(folder, wanted)
        for name, most in wanted.items():
            begun, some = time.monotonic(), []
            try:
                faults = bench.faults(name, most)
            except SystemExit as error:
                print("!!", error, file=sys.stderr)
                failed = True
                continue
            for fault in faults:
                some.append(bench.inject(fault))
                last = some[-1]
                if (
                    last.state == "torn"
                    or last.swept
                    or last.said in ("traceback", "hung", "crashed")
                ):
                    print(
                        "!!",
                        *last.fault,
                        last.said,
                        last.at_once,
                        last.state,
                        last.swept,
                        last.text[-600:],
                        file=sys.stderr,
                    )
            outcomes += some
            if options.record:
                options.record.write_text(
                    json.dumps([(*o.fault, *o[1:]) for o in outcomes], indent=0)
                )
            print(
                f"{name}: {len(some)} in {time.monotonic() - begun:.0f} s",
                file=sys.stderr,
                flush=True,
            )
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    print(table(outcomes))
    sys.stdout.flush()
    os._exit(1 if failed else 0)


if __name__ == "__main__":
    main()
