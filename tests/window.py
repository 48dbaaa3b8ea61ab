"""Start a QGIS with its window, and the plugin of this checkout in it, to run a function there.

With the Python of QGIS, and Xvfb where there is no display.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import traceback
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def in_a_window(module, function, *arguments, timeout=3600):
    """Call ``function(iface, folder, *arguments)`` of a module, a path, when the window is there.

    The function ends the process when it has done; what is to be known goes into ``folder``.
    Returns the exit status, what was written to the console, and a dictionary of the JSON files
    that it left in its folder.
    """
    folder = Path(tempfile.mkdtemp(prefix="lakefloor_window_"))
    (folder / "plugins").mkdir()
    (folder / "plugins" / "lakefloor").symlink_to(ROOT)
    settings = folder / "profile" / "profiles" / "default" / "QGIS" / "QGIS3.ini"
    settings.parent.mkdir(parents=True)
    settings.write_text(
        "[PythonPlugins]\nlakefloor=true\nprocessing=true\n[qgis]\ncheckVersion=false\n"
        "showTips322=false\n[Core]\nNotificationsEnabled=false\n"
    )
    (folder / "run").mkdir(mode=0o700)
    work = folder / "work"
    work.mkdir()
    module = Path(module).resolve()
    code = folder / "code.py"
    code.write_text(
        f"import sys\nsys.path[:0] = [{str(module.parent)!r}, {str(Path(__file__).parent)!r}]\n"
        f"import window\nwindow.soon({module.stem!r}, {function!r}, {str(work)!r}, "
        f"{json.dumps(arguments)!r})\n"
    )
    environment = {
        **os.environ,
        "QGIS_PLUGINPATH": str(folder / "plugins"),
        "QGIS_CUSTOM_CONFIG_PATH": str(folder / "profile"),
        "XDG_RUNTIME_DIR": str(folder / "run"),
    }
    command = ["qgis", "--nologo", "--noversioncheck", "--code", str(code)]
    if "DISPLAY" not in os.environ:
        command = ["xvfb-run", "-a", "-s", "-screen 0 1400x900x24", *command]
    log = folder / "log.txt"
    try:
        with open(log, "w", encoding="utf-8") as out:
            done = subprocess.run(
                command, env=environment, stdout=out, stderr=out, check=False, timeout=timeout
            )
        found = {path.stem: json.loads(path.read_text()) for path in work.glob("*.json")}
        return done.returncode, log.read_text(errors="replace"), found
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def soon(module, function, folder, arguments):
    """What happens in QGIS: call the function once the window has come to rest."""
    from importlib import import_module

    from qgis.PyQt.QtCore import QTimer
    from qgis.utils import iface

    def begin():
        try:
            iface.mainWindow().showMaximized()
            getattr(import_module(module), function)(iface, Path(folder), *json.loads(arguments))
        except Exception:
            traceback.print_exc()
            end(1)

    QTimer.singleShot(4000, begin)


def end(status=0):
    """End the process; QGIS's own end may ask for what is not saved."""
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)
