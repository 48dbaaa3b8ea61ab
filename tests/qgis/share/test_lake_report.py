"""The report in plain words, read back by poppler and Qt."""

import re
import shutil
import subprocess
import unicodedata

import pytest
from qgis.core import QgsProcessingAlgorithm, QgsProcessingException
from qgis.PyQt.QtGui import QImage

from lakefloor.algorithms.share.lake_report import LakeReport

pytestmark = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="poppler-utils is not installed"
)


def tool(*command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def text_of(path):
    text = tool("pdftotext", "-raw", str(path), "-")
    return " ".join(unicodedata.normalize("NFKC", text).split())


@pytest.fixture
def layers(lake):
    return {name: layer for name, layer in lake.items()}


@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_one_page_in_plain_words(layers, run, tmp_path, paper, size):
    path = tmp_path / "report.pdf"
    run(
        "lakereport",
        {
            **layers,
            "TITLE": "Heron <Lake>",
            "LAKE": "Heron & County",
            "AUTHOR": "Ada Pike",
            "PAGE_SIZE": paper,
            "OUTPUT": str(path),
            "WEB_PAGE": str(tmp_path / "report.html"),
        },
    )
    info = tool("pdfinfo", str(path))
    assert re.search(r"Pages:\s+1\b", info)
    points = [float(v) for v in re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info).groups()]
    assert points == pytest.approx(size, abs=1.0)  # ISO 216 and ANSI A, in points
    text = text_of(path)
    page = (tmp_path / "report.html").read_text("utf-8")
    for needed in (
        "Heron <Lake>",
        "Heron & County",
        "The lake covers",
        "American football fields",
        "on 3 visits between May 17, 2025 and September 20, 2025",
        "The boat drove 19 lanes, about 66 feet",
        "one line every foot",
        "Brown lines mark drop-offs",
        "lake level of 1.64 ft",
        "If the water fell by one foot",
        "NOT FOR NAVIGATION",
        "never guaranteed safe",
        "Made by Ada Pike.",
    ):
        assert needed in text, needed
        assert needed.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;") in page
    assert page.count("data:image/png;base64,") == 2
    assert len(tool("pdfimages", "-list", str(path)).splitlines()) >= 4


def test_the_map_is_the_lake(layers, run, tmp_path):
    path = tmp_path / "report.pdf"
    run("lakereport", {**layers, "OUTPUT": str(path)})
    tool("pdftoppm", "-r", "60", "-png", str(path), str(tmp_path / "page"))
    image = QImage(str(tmp_path / "page-1.png"))
    blue = [
        (x, y)
        for x in range(image.width())
        for y in range(image.height())
        if image.pixelColor(x, y).blue() > image.pixelColor(x, y).red() + 40
    ]
    upper = [y for _, y in blue if y < image.height() / 2]
    assert len(upper) > 0.03 * image.width() * image.height()


def test_surface_and_shoreline_suffice(layers, run, tmp_path):
    path = tmp_path / "report.pdf"
    run(
        "lakereport",
        {
            "SURFACE": layers["SURFACE"],
            "SHORELINE": layers["SHORELINE"],
            "UNIT": "m",
            "OUTPUT": str(path),
        },
    )
    text = text_of(path)
    assert "hectares, about" in text
    assert "lanes" not in text.replace("survey lanes", "")
    assert "Each line" not in text


def test_refuses_a_surface_elsewhere(layers, run, memory_layer, tmp_path):
    elsewhere = memory_layer("Polygon", ["POLYGON((0 0, 90 0, 90 90, 0 90, 0 0))"])
    with pytest.raises(QgsProcessingException, match="do not overlap"):
        run(
            "lakereport",
            {
                "SURFACE": layers["SURFACE"],
                "SHORELINE": elsewhere,
                "OUTPUT": str(tmp_path / "r.pdf"),
            },
        )
    assert not list(tmp_path.iterdir())


def test_a_text_too_long_for_one_page_is_refused(layers, run, tmp_path):
    with pytest.raises(QgsProcessingException, match="does not fit one page"):
        run(
            "lakereport",
            {**layers, "SOURCES": "far too long " * 2000, "OUTPUT": str(tmp_path / "r.pdf")},
        )
    assert not list(tmp_path.iterdir())


def test_cancelled_report_leaves_nothing(layers, run, recorder, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("lakereport", {**layers, "OUTPUT": str(tmp_path / "r.pdf")}, feedback=recorder(70))
    assert not list(tmp_path.iterdir())


def test_runs_in_any_thread(provider):
    assert not LakeReport().flags() & QgsProcessingAlgorithm.Flag.FlagNoThreading
