"""Map one lake of the county: a headless run of the model "Logs to lake map", and its figures.

    /usr/bin/python3 map_lake.py LAKE_FOLDER RESULT_FOLDER [--threads N] [--last 1]

The result folder appears whole, with figures.json in it, or not at all. A lake whose files cannot be
used is a result too: figures.json then holds the error. A run that was stopped from outside is none, and
ends with 1; with --last 1 it is noted for the report, after which the workflow takes the note away.
"""

import argparse
import contextlib
import json
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import figures
import settings
from osgeo import gdal, ogr
from settings import LakeError

gdal.UseExceptions()
ogr.UseExceptions()

#: The process that started this one; when it is killed, this one gets another parent.
ENGINE = os.getppid()
ROOT = Path(__file__).resolve().parents[2]
#: Outputs of the model and their files.
OUTPUTS = {
    "uncertaintybudget:Soundings": "soundings.gpkg",
    "tinsurface:TIN surface": "depth_tin.tif",
    "idwsurface:IDW surface": "depth_idw.tif",
    "smoothsurface:Smooth surface": "depth_smooth.tif",
    "depthcontours:Depth contours": "contours.gpkg",
    "depthareas:Depth areas": "depth_areas.gpkg",
    "bottomslope:Bottom slope": "slope.tif",
    "breaklines:Breaklines": "breaklines.gpkg",
    "mapsheet:Map sheet": "map_sheet.pdf",
    "lakeproject:Lake project": "lake.qgz",
}
#: What of the messages stands in the report; dots and figures of the progress may come before it.
WARNINGS = re.compile(r"^(?:[\d.]*WARNING:\s*|\s+(?=Not read, damaged))(.+)$", re.MULTILINE)
#: Libraries below numpy, scipy and GDAL, and Python from 3.13, take their threads from these.
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "GDAL_NUM_THREADS", "PYTHON_CPU_COUNT")


class StoppedError(Exception):
    """A run that ended from outside or without a reason; it may well succeed the next time."""


@contextlib.contextmanager
def qgis(threads, log):
    """Give a function that runs qgis_process in a profile, cache and folders of its own."""
    with tempfile.TemporaryDirectory(prefix="lakefloor-") as scratch:
        scratch = Path(scratch)
        for name in ("plugins", "tmp", "cache"):
            (scratch / name).mkdir()
        (scratch / "plugins" / "lakefloor").symlink_to(ROOT)
        # What "qgis_process plugins enable lakefloor" writes, without starting QGIS once more.
        enabled = scratch / "profile" / "profiles" / "default" / "QGIS" / "QGIS3.ini"
        enabled.parent.mkdir(parents=True)
        enabled.write_text("[PythonPlugins]\nlakefloor=true\n")
        environment = {
            **os.environ,
            "QGIS_PLUGINPATH": str(scratch / "plugins"),
            "QGIS_CUSTOM_CONFIG_PATH": str(scratch / "profile"),
            "XDG_RUNTIME_DIR": str(scratch),
            "XDG_CACHE_HOME": str(scratch / "cache"),
            "TMPDIR": str(scratch / "tmp"),
            "QT_QPA_PLATFORM": "offscreen",
            **dict.fromkeys(THREADS, str(threads)),
        }
        # Debian 12 wraps qgis_process in a script that passes an option it refuses.
        program = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
        if not program:
            raise SystemExit("qgis_process is not installed. Run: sh .ci/setup.sh county")

        def run(*arguments):
            return _run([program, *arguments], environment, log)

        yield run


def _run(command, environment, log):
    """Run a command and return what it said; its messages are added to ``log``."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = subprocess.Popen(command, env=environment, stdout=out, stderr=err)
        while process.poll() is None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(0.5)
            if os.getppid() != ENGINE:
                # The engine was killed; the next run starts this lake again.
                process.kill()
                process.wait()
                raise StoppedError("The workflow was stopped.")
        said, wrong = (_text(stream) for stream in (out, err))
    with log.open("a", encoding="utf-8") as file:
        file.write(said + wrong)
    if process.returncode == 0:
        return said + wrong
    error = re.search(r"^ERROR:\s*(.*(?:\n\t.*)*)", wrong, re.MULTILINE)
    if process.returncode < 0 or not error:
        raise StoppedError(f"QGIS stopped without a message (exit code {process.returncode}).")
    sentences = [line.strip() for line in error[1].splitlines()]
    raise LakeError(sentences[-1])


def _text(stream):
    stream.seek(0)
    return stream.read().decode("utf-8", "replace")


def map_lake(folder, result, threads):
    """Write all files of a lake into ``result`` and return its figures."""
    lake = settings.read(folder)
    model = dict(lake["model"])
    if crs := lake.get("shoreline_crs"):
        model["SHORELINE"] = _with_crs(model["SHORELINE"], crs, result / "shoreline.gpkg")
    destinations = {name: result / file for name, file in OUTPUTS.items()}
    surface, table = result / OUTPUTS["smoothsurface:Smooth surface"], result / "statistics.csv"
    with qgis(threads, result / "log.txt") as run:
        said = run("run", "lakefloor:logstolakemap", "--", *_given({**model, **destinations}))
        statistics = {"INPUT": surface, "SHORELINE": model["SHORELINE"], "UNIT": "meters"}
        run("run", "lakefloor:lakestatistics", "--", *_given({**statistics, "CSV": table}))
    return {
        "title": model.get("TITLE", folder.name),
        **figures.of_statistics(table),
        **figures.of_soundings(result / "soundings.gpkg"),
        **figures.of_contours(result / "contours.gpkg"),
        **figures.of_surface(surface),
        **figures.of_errors(surface, lake.get("truth"), folder),
        "outline": figures.outline(result / "depth_areas.gpkg"),
        "warnings": WARNINGS.findall(said),
    }


def _given(parameters):
    return [f"{name}={value}" for name, value in parameters.items()]


def _with_crs(path, crs, copy):
    """Write a copy of a shoreline that states its CRS, and return its path."""
    try:
        gdal.VectorTranslate(str(copy), str(path), format="GPKG", dstSRS=crs, srcSRS=crs)
    except RuntimeError as error:
        raise LakeError(
            f"The shoreline cannot be read in the CRS '{crs}' of lake.yaml ({error}). Correct it."
        ) from None
    return copy


def publish(part, result, found):
    """Write ``found`` as the figures of a lake and put its folder in place, whole."""
    path = part / "figures.json"
    path.write_text(json.dumps(found, ensure_ascii=False), encoding="utf-8")
    # The engine has removed the figures of the earlier result; without them it counts as none.
    shutil.rmtree(result, ignore_errors=True)
    part.rename(result)


def main():
    parser = argparse.ArgumentParser(description="Map one lake of the county.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("result", type=Path)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--last", type=int, default=0, help="1: note a run that was stopped")
    arguments = parser.parse_args()
    folder, result = arguments.folder.resolve(), arguments.result.resolve()
    part = result.with_name(f".{result.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    begun = time.monotonic()
    found = {"lake": folder.name, "title": folder.name, "error": None, "stopped": False}
    try:
        found.update(map_lake(folder, part, arguments.threads))
    except LakeError as error:
        found["error"] = str(error)
    except StoppedError as error:
        if not arguments.last or os.getppid() != ENGINE:
            sys.exit(f"{folder.name}: {error}")
        found.update(error=f"{error} The next run tries again.", stopped=True)
    if found["error"]:
        keep_only(part, "log.txt")
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    found["seconds"] = round(time.monotonic() - begun, 1)
    found["processor_seconds"] = round(spent.ru_utime + spent.ru_stime, 1)
    found["peak_memory_mb"] = round(spent.ru_maxrss / 1024)
    publish(part, result, found)


def keep_only(folder, name):
    """Remove what a run that failed has left, but for one file."""
    for path in folder.iterdir():
        if path.name != name:
            shutil.rmtree(path) if path.is_dir() else path.unlink()


if __name__ == "__main__":
    main()
