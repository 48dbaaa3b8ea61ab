"""The longest freezes of QGIS's window while the panel works, each with its cause.

    python3 tests/benchmarks/bench_window.py

Needs qgis and Xvfb. QGIS starts on a virtual screen with the plugin of this checkout: the example
lake is made and mapped, mapped again, searched for structure and planned for; 1,700 soundings are
rejected, that is undone, and a profile is drawn. A timer of 10 ms measures the gaps of the event
loop (``tests/window/gaps.py``), and tells work of the main thread from waiting for a processor,
which on a busy machine is most of a gap, and from waiting for Python's lock. At last the peer: the
map through QGIS's own task for algorithms (``QgsProcessingAlgRunnerTask``).
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

#: QGIS runs this file as text that has no name.
_INSIDE = "LAKEFLOOR_ROOT" in os.environ
ROOT = Path(os.environ["LAKEFLOOR_ROOT"]) if _INSIDE else Path(__file__).resolve().parents[2]
WAIT_S = 240.0
INI = """[PythonPlugins]
lakefloor=true
processing=true
[qgis]
checkVersion=false
showTips322=false
"""


def outside():
    """Start QGIS with this file as its code, on a screen of its own; return how it ended."""
    with tempfile.TemporaryDirectory(dir=Path.home()) as folder:
        place = Path(folder)
        for name in ("plugins", "home", "run", "profile/profiles/default/QGIS"):
            (place / name).mkdir(parents=True)
        (place / "run").chmod(0o700)
        (place / "plugins" / "lakefloor").symlink_to(ROOT)
        (place / "profile/profiles/default/QGIS/QGIS3.ini").write_text(INI)
        number, written = os.pipe()
        screen = ["Xvfb", "-displayfd", str(written), "-screen", "0", "1500x950x24"]
        server = subprocess.Popen(screen, pass_fds=[written], stderr=subprocess.DEVNULL)
        environment = {
            **os.environ,
            "DISPLAY": ":" + os.read(number, 16).decode().strip(),
            "HOME": str(place / "home"),
            "XDG_RUNTIME_DIR": str(place / "run"),
            "QGIS_CUSTOM_CONFIG_PATH": str(place / "profile"),
            "QGIS_PLUGINPATH": str(place / "plugins"),
            "LAKEFLOOR_ROOT": str(ROOT),
        }
        command = ["qgis", "--nologo", "--noversioncheck", "--code", __file__]
        try:
            return subprocess.run(command, env=environment, timeout=900, check=False).returncode
        finally:
            server.terminate()


def story(gaps):
    """Do what a person does; yield seconds to wait, or what to wait for."""
    from qgis.core import QgsFeatureRequest, QgsGeometry, QgsPointXY, QgsProject
    from qgis.utils import iface, plugins

    def said(title):
        print(gaps.text(title), flush=True)
        gaps.begin()

    def runs():
        return door.runner.runs

    def over(step=None):
        count = len(runs())
        seen = door.work.seen
        states = {state.key: state.state for state in seen.states} if seen else {}
        ended = count > begun[0] and all(run.is_over for run in runs()) and not door.spread.busy
        return ended and (step is None or states.get(step) == "done")

    begun = [0]
    gaps.begin()
    plugins["lakefloor"].window.action.trigger()
    door = plugins["lakefloor"].window.door
    yield 3
    said("panel opened")
    door.panel.welcome.example.click()
    yield lambda: over("map")
    yield 3
    said("example lake made and mapped")
    for step in ("map", "structure", "outing"):
        begun[0] = len(runs())
        at, crs = iface.mapCanvas().center(), QgsProject.instance().crs().authid()
        options = {"LAUNCH": f"{at.x()},{at.y()} [{crs}]"} if step == "outing" else {}
        door.taker.take(step, door.work.folder, options)
        yield lambda step=step: over(step)
        yield 3
        said(f"step {step!r}")
    tools = {type(tool).__name__: tool for tool in door.tools}
    layers = QgsProject.instance().mapLayers().values()
    layer = next(each for each in layers if each.customProperty("lakefloor/role") == "soundings")
    tools["ReviewAction"].trigger()
    request = QgsFeatureRequest().setNoAttributes().setLimit(1700)
    layer.selectByIds([feature.id() for feature in layer.getFeatures(request)])
    yield 2
    said("1,700 soundings selected")
    window = tools["ReviewAction"].window
    for title, do in (
        ("rejected", lambda: window.decided.emit("reject")),
        ("undone", window.undo.click),
    ):
        begun[0] = len(runs())
        do()
        yield lambda: over() and window.isEnabled()
        yield 2
        said(title)
    window.close()
    begun[0] = len(runs())
    view = iface.mapCanvas().extent()
    ends = [QgsPointXY(x, view.center().y()) for x in (view.xMinimum(), view.xMaximum())]
    tools["ProfileAction"].show_profile(QgsGeometry.fromPolylineXY(ends))
    yield over
    yield 2
    said("profile")
    yield from peer(next(run for run in reversed(runs()) if "map" in run.algorithm_id))
    said("peer: the map through QGIS's own task")


def peer(run):
    """Run what a run ran through QGIS's own task, into scratch files."""
    from qgis.core import (
        QgsApplication,
        QgsProcessingAlgRunnerTask,
        QgsProcessingContext,
        QgsProcessingFeedback,
        QgsProject,
    )

    made = QgsApplication.processingRegistry().createAlgorithmById(run.algorithm_id)
    scratch = Path(tempfile.mkdtemp())
    outputs = {definition.name() for definition in made.destinationParameterDefinitions()}
    values = {
        name: str(scratch / Path(value).name) if name in outputs and os.sep in str(value) else value
        for name, value in run.parameters.items()
    }
    context, feedback, done = QgsProcessingContext(), QgsProcessingFeedback(False), []
    context.setProject(QgsProject.instance())
    task = QgsProcessingAlgRunnerTask(made, values, context, feedback)
    task.executed.connect(lambda successful, _: done.append(successful))
    QgsApplication.taskManager().addTask(task)
    yield lambda: done
    print(f"the peer ended {'well' if done[0] else 'badly'}", flush=True)


def inside():
    """Follow the story in the event loop of QGIS."""
    sys.path.insert(0, str(ROOT / "tests" / "window"))
    from gaps import Gaps
    from qgis.PyQt.QtCore import QTimer

    gaps = Gaps()
    parts, waiting = story(gaps), {"for": None, "until": 0.0}

    def step():
        try:
            if waiting["for"] is not None and not waiting["for"]():
                assert time.perf_counter() < waiting["until"], gaps.text("waited in vain")
                QTimer.singleShot(50, step)
                return
            what = next(parts)
        except StopIteration:
            os._exit(0)
        except BaseException as error:
            print(f"{type(error).__name__}: {error}", flush=True)
            os._exit(1)
        waiting["for"] = what if callable(what) else None
        waiting["until"] = time.perf_counter() + WAIT_S
        QTimer.singleShot(50 if callable(what) else int(1000 * what), step)

    QTimer.singleShot(2500, step)


if _INSIDE:
    inside()
elif __name__ == "__main__":
    sys.exit(outside())
