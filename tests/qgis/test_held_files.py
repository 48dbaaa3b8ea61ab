"""Files that somebody holds, as Windows does with all that is open: nothing is lost, and it is said.

An open file gives ERROR_SHARING_VIOLATION, 32 (Microsoft, System Error Codes).
"""

import ntpath
import os
import sys
import time
from pathlib import Path

import pytest
from qgis.core import QgsProcessingException, QgsProject
from qgis.PyQt.QtCore import QCoreApplication

pytest.importorskip("qgis.gui")
from lakefloor.algorithms._io import same_place as same_place_module
from lakefloor.algorithms._io import whole_files, windows_names
from lakefloor.algorithms._io.same_place import same_place
from lakefloor.algorithms._lake import portable, whereabouts
from lakefloor.algorithms._lake.runs import all_runs
from lakefloor.algorithms._project.saving import save_lake_project
from lakefloor.algorithms._project.showing import show_all
from lakefloor.algorithms._store.file import writing
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.progress import silent
from lakefloor.plugin.door import project as projects

sys.path.insert(0, str(Path(__file__).parent))
from test_first_hour import depth_shown, lake_in, map_lake


@pytest.fixture
def project(qgis_app):
    project = QgsProject.instance()
    project.clear()
    yield project
    project.clear()


@pytest.fixture
def lake(tmp_path):
    return lake_in(tmp_path / "Möwensee 湖")


@pytest.fixture
def hold(monkeypatch):
    """Hold a path until the returned function is called."""
    monkeypatch.setattr(whole_files, "_MOMENTS", (0.0, 0.0))

    def start(path):
        def held(move):
            def tried(source, target, **options):
                if Path(path) in (Path(source), Path(target)):
                    error = PermissionError(13, "The file is used by another process", str(target))
                    error.winerror = 32
                    raise error
                return move(source, target, **options)

            return tried

        monkeypatch.setattr(os, "replace", held(os.replace))
        monkeypatch.setattr(os, "rename", held(os.rename))

    return start


def until(holds, seconds=30.0):
    """Let the window go on until something holds."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came"
        QCoreApplication.processEvents()
        time.sleep(0.01)


def test_an_older_run_that_is_held_goes_when_the_lake_is_opened_again(
    project, lake, hold, monkeypatch
):
    first = map_lake(lake, 3.0)
    show_all(project, lake)
    second = map_lake(lake, 4.0)
    show_all(project, lake)
    hold(lake.runs("map") / first.stamp)
    projects.tidy(project, lake)
    assert [run.stamp for run in all_runs(lake, "map")] == [first.stamp, second.stamp]
    assert (lake.path / first.outputs["surface"]).is_file()
    assert depth_shown(project) == pytest.approx(4.0)
    monkeypatch.undo()
    projects.tidy(project, lake)
    assert os.listdir(lake.runs("map")) == [second.stamp]


def test_a_lake_that_is_opened_lets_older_runs_go(project, lake, monkeypatch):
    """In a project of the user's own, where a duplicate of a layer keeps its run."""
    show_all(project, lake)
    first = map_lake(lake, 3.0)
    show_all(project, lake)
    assert project.write(str(lake.path.parent / "mine.qgz"))
    (layer,) = project.mapLayers().values()
    copy = project.addMapLayer(layer.clone())
    second, third = map_lake(lake, 4.0), map_lake(lake, 5.0)
    monkeypatch.setattr(projects, "_keep_view", lambda iface: None)
    projects.bring_in(None, lake)
    # The window settles first, and its project is saved.
    until(lambda: sorted(os.listdir(lake.runs("map"))) == [first.stamp, third.stamp])
    assert not lake.path.joinpath(second.outputs["surface"]).exists()
    assert copy.isValid()
    at = copy.extent().center()
    assert copy.dataProvider().sample(at, 1)[0] == pytest.approx(3.0)
    project.removeMapLayer(copy.id())
    projects.bring_in(None, lake)
    until(lambda: os.listdir(lake.runs("map")) == [third.stamp])


def test_a_project_that_is_held_stays_as_it_was(project, lake, hold):
    map_lake(lake, 3.0)
    show_all(project, lake)
    save_lake_project(project, lake)
    before = lake.project.read_bytes()
    project.clear()
    assert project.write(str(lake.path.parent / "mine.qgz"))
    map_lake(lake, 4.0)
    hold(lake.project)
    with pytest.raises(LakefloorError, match="used by another process.*close other programs"):
        save_lake_project(project, lake)
    assert lake.project.read_bytes() == before
    assert [path.name for path in lake.path.glob(".new*")] == []


def test_a_folder_in_which_no_file_can_be_made_is_only_looked_at(project, lake, monkeypatch):
    """On Windows ``os.access`` says of every folder that it may be written to."""
    map_lake(lake, 3.0)
    show_all(project, lake)
    write = Path.write_bytes

    def refused(path, data):
        if path.parent == lake.path:
            raise PermissionError(13, "Access is denied", str(path))
        return write(path, data)

    monkeypatch.setattr(whereabouts.Path, "write_bytes", refused)
    assert os.access(lake.path, os.W_OK)
    assert save_lake_project(project, lake) is None
    assert not lake.project.exists()


# The rules for names of Windows: https://learn.microsoft.com/windows/win32/fileio/naming-a-file
def test_one_place_has_many_names_on_windows(monkeypatch):
    monkeypatch.setattr(same_place_module.os, "path", ntpath)
    assert same_place(r"C:\Lakes\Marrowby\Marrowby.qgz", "c:/lakes/MARROWBY/marrowby.qgz")
    assert same_place(r"\\server\lakes\one", "//SERVER/lakes/one/")
    assert not same_place(r"C:\Lakes\one", r"D:\Lakes\one")


def test_a_home_is_not_named_in_whatever_case(monkeypatch, tmp_path):
    monkeypatch.setattr(portable, "_CASE", portable.re.IGNORECASE)
    monkeypatch.setattr(Path, "home", classmethod(lambda cls: Path("/Users/Ada (old)")))
    said = portable.without_places(
        "Cannot write '/USERS/ada (old)/x.tif' of /users/Ada (old).", tmp_path
    )
    assert said == "Cannot write '~/x.tif' of ~."


# Names of the documentation above: signs that no name has, and devices, also with an ending.
@pytest.mark.parametrize("name", ["lake: north.gpkg", "aux.gpkg", "COM1.gpkg", "what?.gpkg"])
def test_what_windows_cannot_name_is_refused_there_alone(
    run, memory_layer, monkeypatch, tmp_path, name
):
    shore = memory_layer("Polygon", ["POLYGON((0 0, 300 0, 300 200, 0 200, 0 0))"])
    given = {"INPUT": shore, "LANE_SPACING": 30.0, "OUTPUT": str(tmp_path / name)}
    monkeypatch.setattr(windows_names, "_ON_WINDOWS", True)
    with pytest.raises(QgsProcessingException, match="Windows cannot name a file"):
        run("surveylanes", given)
    refused = pytest.raises(LakefloorError, match="Windows cannot name a file")
    with refused, writing(tmp_path / name, "EPSG:32615", silent):
        pass
    assert os.listdir(tmp_path) == []
    monkeypatch.undo()
    if ":" not in name:  # which QGIS takes for the name of a provider, on every system
        run("surveylanes", given)
        assert os.listdir(tmp_path) == [name]
