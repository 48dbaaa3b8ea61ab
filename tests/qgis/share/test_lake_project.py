"""The lake project, opened again by QGIS from another folder."""

def test_project(lake, run, tmp_path):
    out = tmp_path / "heron.qgz"
    result = run("lakeproject", {**lake, "OUTPUT": str(out), "TITLE": "Heron <Lake> & \"Co\""})
    print(result, sorted(p.name for p in tmp_path.iterdir()))
