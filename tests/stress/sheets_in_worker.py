"""Draw sheets in workers, in a real window whose map moves all the while, and compare the pictures.

    python3 tests/stress/sheets_in_worker.py [TIMES] [ALGORITHM]

With the Python of QGIS, and Xvfb where there is no display. The example lake is mapped and shown;
ALGORITHM (mapsheet, or structuresheets, lakereport, lakeproject, phonepackage) draws it once in the
main thread, then TIMES times (200) in workers, two at once, as the plugin's background runs do it.
Meanwhile the map pans and zooms, layers change their style and opacity, and the main thread makes
and drops layouts of its own. Told are the results that differ from the first, by picture or by
what the PDF draws, what Qt and QGIS complained of, and how long the window stood still at most.
"""

import json
import re
import shutil
import sys
import time
import zlib
from collections import Counter
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))
import window

EXAMPLE = ROOT / "example_project"
#: Where results that differ are kept, beside what they should be.
DIFFER = ROOT / "build" / "sheets_that_differ"
#: What Qt writes when a thread touches what it must not.
_COMPLAINT = re.compile(r"^(Warning: |Critical: )?Q[A-Z]\w*(::|: )|thread|Traceback", re.MULTILINE)


def start(times, algorithm):
    """Let a QGIS with its window work, and print what it found."""
    status, said, found = window.in_a_window(__file__, "in_qgis", times, algorithm)
    print(json.dumps(found.get("found"), indent=1) if found else said[-3000:])
    complaints = Counter(line[:150] for line in said.splitlines() if _COMPLAINT.search(line))
    print("exit status", status)
    for line, count in complaints.most_common(20):
        print(f"{count:6} {line}")
    print(f"{sum(complaints.values())} complaints")
    return status


def drawn(path):
    """Return all that a PDF draws, each line of it; equal labels have no order among them."""
    lines = []
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", path.read_bytes(), re.DOTALL):
        with suppress(zlib.error):
            lines += zlib.decompressobj().decompress(stream).split(b"\n")
    return sorted(lines)


class Stress:
    """What happens in QGIS."""

    def __init__(self, iface, folder, times, algorithm):
        from qgis.core import QgsApplication
        from qgis.PyQt.QtCore import QElapsedTimer, Qt, QTimer

        self.iface, self.folder = iface, Path(folder)
        self.times, self.algorithm = times, algorithm
        self.outcome, self.ticks, self.longest = Counter(), 0, 0.0
        self.messages = Counter()
        QgsApplication.messageLog().messageReceived.connect(self._note)
        self.clock = QElapsedTimer()
        self.still, self.restless = QTimer(), QTimer()
        self.still.setTimerType(Qt.TimerType.PreciseTimer)
        self.still.timeout.connect(self._tick)
        self.restless.timeout.connect(self._disturb)
        self.draws = 0
        iface.mapCanvas().mapCanvasRefreshed.connect(self._drawn)

    def _note(self, text, tag, level):
        if level:
            self.messages[f"{tag}: {text[:120]}"] += 1

    def _drawn(self):
        self.draws += 1

    def _tick(self):
        self.longest = max(self.longest, self.clock.restart() / 1000.0)

    # -- the lake -----------------------------------------------------------------

    def map_lake(self):
        import processing
        from qgis.core import QgsApplication, QgsProject, QgsRasterLayer, QgsVectorLayer

        out = {
            "soundings": ("uncertaintybudget:Soundings", "gpkg"),
            "surface": ("smoothsurface:Smooth surface", "tif"),
            "contours": ("depthcontours:Depth contours", "gpkg"),
            "areas": ("depthareas:Depth areas", "gpkg"),
            "breaks": ("breaklines:Breaklines", "gpkg"),
        }
        files = {key: str(self.folder / f"{key}.{end}") for key, (_, end) in out.items()}
        model = QgsApplication.processingRegistry().algorithmById("lakefloor:logstolakemap")
        asked = [d.name() for d in model.destinationParameterDefinitions()]
        processing.run(
            "lakefloor:logstolakemap",
            {
                **dict.fromkeys(asked, "TEMPORARY_OUTPUT"),
                "LOG_FOLDER": str(EXAMPLE / "logs"),
                "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
                "GAUGE": str(EXAMPLE / "gauge.csv"),
                "LEVEL_UNIT": "feet",
                "DATUM_ELEVATION": 2.0,
                **{name: files[key] for key, (name, _) in out.items()},
            },
        )
        files["shoreline"] = str(EXAMPLE / "shoreline.geojson")
        from lakefloor.algorithms._styling import apply_style

        self.layers = {}
        for key in ("surface", "areas", "soundings", "contours", "breaks", "shoreline"):
            kind = QgsRasterLayer if key == "surface" else QgsVectorLayer
            layer = self.layers[key] = kind(files[key], key)
            style = {"areas": "depth_areas", "breaks": "break_lines"}.get(key, key)
            apply_style(layer, style)
            QgsProject.instance().addMapLayer(layer)
        QgsProject.instance().setCrs(self.layers["surface"].crs())
        self.extent = self.layers["surface"].extent()
        self.iface.mapCanvas().setExtent(self.extent)

    def parameters(self, folder):
        folder.mkdir()
        ids = {key: layer.id() for key, layer in self.layers.items()}
        values = {
            "CONTOURS": ids["contours"],
            "SHORELINE": ids["shoreline"],
            "DEPTH_AREAS": ids["areas"],
            "SURFACE": ids["surface"],
            "BREAKLINES": ids["breaks"],
            "SOUNDINGS": ids["soundings"],
            "DRAW_SOUNDINGS": True,
            "TITLE": "Stress",
            "OUTPUT": str(folder / "sheet.pdf"),
        }
        if self.algorithm == "mapsheet":
            values["PICTURE"] = str(folder / "sheet.png")
        if self.algorithm == "lakeproject":
            values["OUTPUT"] = str(folder / "lake.qgz")
        if self.algorithm == "lakereport":
            values["WEB_PAGE"] = str(folder / "report.html")
        if self.algorithm == "phonepackage":
            values.update(OUTPUT=str(folder / "package"), MAX_ZOOM=16)
        return values

    # -- the window ----------------------------------------------------------------

    def _disturb(self):
        """Do what a user does, and more: pan, zoom, restyle, make layouts."""
        from qgis.core import QgsPointXY, QgsPrintLayout, QgsProject

        self.ticks += 1
        if self.ticks % 32 >= 16:
            return  # the map may come to its end
        canvas, box = self.iface.mapCanvas(), self.extent
        share = (self.ticks % 17) / 17.0
        canvas.setCenter(
            QgsPointXY(
                box.xMinimum() + share * box.width(), box.yMinimum() + (1.0 - share) * box.height()
            )
        )
        canvas.zoomByFactor(0.8 if self.ticks % 8 < 4 else 1.25)
        canvas.refresh()
        if self.ticks % 5 == 0:
            # The sheets have styles of their own, and do not draw the surface below the areas.
            self.layers["surface"].setOpacity(0.3 + 0.7 * share)
            for layer in self.layers.values():
                layer.setRenderer(layer.renderer().clone())
                layer.triggerRepaint()
        if self.ticks % 3 == 0:
            # Its life is that of a window which is opened and closed.
            self.layout = QgsPrintLayout(QgsProject.instance())
            self.layout.initializeDefaults()

    # -- the comparison --------------------------------------------------------------

    def content(self, folder):
        """Return what is compared of a folder of results: pixels, texts, streams."""
        from qgis.PyQt.QtGui import QImage

        found = {}
        for path in sorted(folder.rglob("*")):
            if path.suffix == ".png":
                image = QImage(str(path)).convertToFormat(QImage.Format.Format_RGB32)
                found[path.name] = bytes(image.constBits().asarray(image.sizeInBytes()))
            elif path.suffix == ".pdf":
                found[path.name] = drawn(path)
            elif path.suffix == ".html":
                found[path.name] = path.read_bytes()
            elif path.is_file():
                found[path.name] = None if path.suffix in (".qgz", ".gpkg") else path.stat().st_size
        return found

    def run(self):
        import processing

        from lakefloor.plugin.running import Runner

        self.map_lake()
        first = self.folder / "first"
        processing.run(f"lakefloor:{self.algorithm}", self.parameters(first))
        self.first = self.content(first)
        again = self.folder / "again"
        processing.run(f"lakefloor:{self.algorithm}", self.parameters(again))
        self.outcome["the main thread alone differs"] = int(self.content(again) != self.first)
        self.runner, self.begun = Runner(), 0
        self.started = time.perf_counter()
        self.clock.start()
        self.still.start(10)
        self.restless.start(40)
        for _ in range(2):
            self.next()

    def next(self):
        if self.begun < self.times:
            self.begun += 1
            folder = self.folder / f"run_{self.begun}"
            values = self.parameters(folder)
            self.runner.start(
                f"lakefloor:{self.algorithm}",
                values,
                lake=self.folder,
                writes=False,
                finished=lambda run: self.check(run, folder),
            )
        elif all(run.is_over for run in self.runner.runs):
            self.tell()

    def check(self, run, folder):
        self.outcome[run.state] += 1
        if run.state != "done":
            self.messages[f"run: {run.error[:200]}"] += 1
        else:
            made = self.content(folder)
            for name in set(made) | set(self.first):
                same = made.get(name, 0) == self.first.get(name, 1)
                self.outcome[f"{name} {'same' if same else 'DIFFERENT'}"] += 1
                if not same:
                    for kept in (self.folder / "first", folder):
                        shutil.copytree(kept, DIFFER / kept.name, dirs_exist_ok=True)
        shutil.rmtree(folder, ignore_errors=True)
        self.next()
        # The comparison is not the plugin's.
        self.clock.restart()

    def tell(self):
        from qgis.core import Qgis

        seconds = time.perf_counter() - self.started
        (self.folder / "found.json").write_text(
            json.dumps(
                {
                    "QGIS": Qgis.QGIS_VERSION,
                    "algorithm": self.algorithm,
                    "outcome": self.outcome,
                    "seconds": round(seconds, 1),
                    "times the map was moved": self.ticks,
                    "times it was drawn to the end": self.draws,
                    "the window stood still at most, s": self.longest,
                    "messages of QGIS": self.messages,
                },
                indent=1,
            )
        )
        window.end()


def in_qgis(iface, folder, times, algorithm):
    global stress
    stress = Stress(iface, folder, times, algorithm)
    stress.run()


if __name__ == "__main__":
    asked = sys.argv[1:]
    sys.exit(start(int(asked[0]) if asked else 200, asked[1] if len(asked) > 1 else "mapsheet"))
