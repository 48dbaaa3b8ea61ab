"""The zip that users install holds the plugin and nothing else, and runs headless."""

import os
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Unpack the zip as QGIS does; the folder of plugins."""
    if not (ROOT / ".git").exists():
        pytest.skip("the zip is built from a git checkout")
    out = subprocess.run(
        ["sh", str(ROOT / ".ci" / "package.sh")], capture_output=True, text=True, check=True
    )
    folder = tmp_path_factory.mktemp("plugins")
    with zipfile.ZipFile(ROOT / out.stdout.strip()) as archive:
        archive.extractall(folder)
    return folder


def test_zip_has_one_folder_and_no_tests(installed):
    assert os.listdir(installed) == ["lakefloor"]
    inside = set(os.listdir(installed / "lakefloor"))
    assert {"metadata.txt", "LICENSE", "__init__.py", "plugin", "algorithms"} <= inside
    assert not inside & {"tests", ".ci", "DEVELOPERS.md", "pyproject.toml", ".venv"}
    models = [str(path.relative_to(ROOT)) for path in (ROOT / "plugin/models").glob("*.py")]
    assert "plugin/models/build.py" in models
    for tool in (*models, "example_project/run.sh", "example_project/pictures.py"):
        assert (ROOT / tool).exists()
        assert not (installed / "lakefloor" / tool).exists()  # they need the checkout


def test_metadata_is_what_qgis_asks_for(installed):
    import configparser

    parser = configparser.ConfigParser()
    parser.read(installed / "lakefloor" / "metadata.txt", encoding="utf-8")
    general = parser["general"]
    for key in ("name", "qgisMinimumVersion", "description", "about", "version", "author", "email"):
        assert general[key]
    assert general["hasProcessingProvider"] == "yes"
    assert (installed / "lakefloor" / general["icon"]).exists()


def test_installed_plugin_lists_its_algorithms_headless(installed, tmp_path):
    # Debian 12 wraps qgis_process in a script that passes an option it refuses.
    program = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
    if program is None:
        pytest.skip("qgis_process is not installed")
    environment = {
        **os.environ,
        "QGIS_PLUGINPATH": str(installed),
        "QGIS_CUSTOM_CONFIG_PATH": str(tmp_path),
        "QT_QPA_PLATFORM": "offscreen",
    }

    def call(*words):
        done = subprocess.run([program, *words], env=environment, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr  # it closes cleanly too
        return done.stdout

    call("plugins", "enable", "lakefloor")
    listed = call("list")
    for name in ("readlogs", "cleansoundings", "tinsurface", "logstolakemap", "addavisit"):
        assert name in listed
    help_text = call("help", "lakefloor:depthcontours")
    assert "INTERVAL" in help_text


def test_zip_brings_every_icon_style_and_model(installed):
    """There is no wheel: what QGIS needs beside the code comes with the zip."""
    from lakefloor.algorithms import algorithm_classes

    inside = installed / "lakefloor"
    icons = {path.stem for path in (inside / "plugin" / "icons").glob("*.svg")}
    for cls in algorithm_classes():
        assert icons & {cls.NAME, cls.GROUP}, cls.NAME
    for folder, suffix in (("plugin/models", "*.model3"), ("plugin/icons", "*.svg")):
        tracked = subprocess.run(
            ["git", "ls-files", f"{folder}/{suffix}"],
            cwd=ROOT,
            check=True,
            capture_output=True,
            text=True,
        ).stdout.split()
        assert tracked
        assert all((inside / name).exists() for name in tracked)
    assert not list(inside.rglob("*.pyc"))
