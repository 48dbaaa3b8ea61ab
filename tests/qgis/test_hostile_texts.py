"""Names of visits, places and files that do harm where they are shown: in pages and tables."""

import csv
import json
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from qgis.core import (
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFileDestination,
    QgsVectorLayer,
)

from lakefloor.algorithms import algorithm_classes
from lakefloor.algorithms._io.features import read_table

sys.path.insert(0, str(Path(__file__).parent))
from every_algorithm import make_lake, steps

TAG = "<script>alert(1)&"
#: Formulas of matplotlib stand between dollar signs.
NAME = f"{TAG} $\\frac{{$ </td>"
#: What begins like a formula, and what does not.
FORMULAS = ["=1+1", "@SUM(A1)", "+2 ft", "-3", "\uff1d5", "'quoted", "north bay"]
_DRAWN = {"mapsheet", "structuresheets", "lakeproject", "phonepackage"}


class _Folder:
    """A folder in which rasters have hostile names; QGIS makes no tables of such names."""

    def __init__(self, path):
        self._path = path

    def __truediv__(self, name):
        return self._path / (f"{TAG}{name}" if name.endswith(".tif") else name)


def _named(path):
    """Give whatever a GeoJSON holds a hostile name."""
    content = json.loads(path.read_text())
    for feature in content["features"]:
        feature["properties"]["name"] = NAME
    path.write_text(json.dumps(content))


def _writers_of_pages():
    pages = {}
    for algorithm in algorithm_classes():
        made = algorithm()
        made.initAlgorithm({})
        outputs = [
            d.name()
            for d in made.destinationParameterDefinitions()
            if isinstance(d, QgsProcessingParameterFileDestination)
            and "html" in d.fileFilter().lower()
        ]
        if outputs:
            pages[made.name()] = outputs
    return pages


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.words = set(), ""

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)

    def handle_data(self, data):
        self.words += data


def test_pages_show_names_as_text(run, tmp_path):
    lake, out = tmp_path / "lake", tmp_path / "out"
    out.mkdir()
    make_lake(lake)
    for name in ("shoreline", "old", "lines", "marks"):
        _named(lake / f"{name}.geojson")
    for log in (lake / "logs").iterdir():
        head, *rows = log.read_text().splitlines()
        log.write_text("\n".join([f"{head},visit", *(f'{r},"{NAME} {log.stem}"' for r in rows)]))
    writers, seen = _writers_of_pages(), {}
    for name, parameters in steps(lake, _Folder(out)):
        if name in _DRAWN or name in ("removevisit", "undolastchange", "editlogbook"):
            continue
        if name == "lakereport":
            parameters.update(WEB_PAGE=str(out / "report.html"), TITLE=NAME)
        if name == "whatvisitadded":
            parameters.update(VISITS=f"{NAME} june")
        run(name, parameters)
        for output in writers.get(name, []):
            page = Path(parameters[output])
            if page.suffix == ".html":
                seen[name] = _Tags()
                seen[name].feed(page.read_text(encoding="utf-8"))
    assert set(seen) == set(writers)
    for name, page in seen.items():
        assert "script" not in page.tags, name
    # The names did come that far.
    for name in (
        "findtimeoffset",
        "checkcrosslines",
        "whatvisitadded",
        "bottomtype",
        "depthprofile",
        "lakereport",
    ):
        assert NAME in page_words(seen[name]), name


def page_words(page):
    return " ".join(page.words.split())


@pytest.fixture
def places(memory_layer):
    return memory_layer(
        "Point",
        [f"POINT({500000 + 20 * i} 5000000)" for i in range(len(FORMULAS))],
        fields="field=depth:double&field=visit:string",
        rows=[[3.0 + i, name] for i, name in enumerate(FORMULAS)],
    )


@pytest.mark.parametrize("how", ["path", "ogr", "definition"])
def test_a_csv_holds_no_formula_and_is_read_back_unchanged(run, places, feedback, tmp_path, how):
    path = tmp_path / "soundings.csv"
    out = str(path)
    if how == "ogr":
        out = f"ogr:dbname='{path}' table=\"soundings\""
    elif how == "definition":
        out = QgsProcessingOutputLayerDefinition(str(path))
        out.createOptions = {"fileEncoding": "UTF-8"}
    run(
        "readpointlayer",
        {"INPUT": places, "DEPTH_FIELD": "depth", "VISIT_FIELD": "visit", "OUTPUT": out},
    )
    with open(path, encoding="utf-8", newline="") as file:
        visits = [row["visit"] for row in csv.DictReader(file)]
    assert len(visits) == len(FORMULAS)
    assert not any(visit[0] in "=+-@\t\r\uff1d\uff0b\uff0d\uff20" for visit in visits)
    table = read_table(QgsVectorLayer(str(path), "soundings", "ogr"), feedback)
    assert table["visit"] == FORMULAS


def test_a_log_with_marked_names_is_read_as_they_were(run, places, tmp_path):
    """A log that has been through a table keeps the names of its visits."""
    log = tmp_path / "log.csv"
    log.write_text(
        "lon,lat,depth_m,visit\n"
        + "".join(
            f'-93.1,45.{i:04d},{3 + i // 30},"{name}"\n'
            for i in range(60)
            for name in [["'=1+1", "'@x"][i // 30]]
        ),
        encoding="utf-8",
    )
    read = run("readlogs", {"INPUT": [str(log)], "OUTPUT": str(tmp_path / "read.gpkg")})
    layer = QgsVectorLayer(read["OUTPUT"], "read", "ogr")
    assert {feature["visit"] for feature in layer.getFeatures()} == {"=1+1", "@x"}
