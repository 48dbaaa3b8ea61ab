"""Two stores, or a store and a shared copy, become one."""

import hashlib
import os

import numpy as np
import pytest
from qgis.core import QgsProcessingException

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import Soundings, concatenate, parse_corrections

UTM = "EPSG:32615"

#: A folder that not even an administrator may write to, where it is there (1) or not (0).
NO_ONE_WRITES_TO_PROC = int(os.path.exists("/proc/self"))


def survey(name, day, across, offset=0.0, seed=0, datum="pool", elevation=290.0):
    rng = np.random.default_rng(seed)
    lanes = []
    for k in range(11):
        t = np.arange(0.0, 201.0, 2.0)
        u = np.full(t.size, 20.0 * k)
        lanes.append(np.column_stack([t, u] if across else [u, t])[:: 1 if k % 2 else -1])
    x, y = np.concatenate(lanes).T
    depth = 4.0 + 0.02 * x + np.sin(x / 40.0) + offset + rng.normal(0.0, 0.03, x.size)
    time = np.datetime64(f"{day}T14:00:00.250", "ms") + np.arange(x.size) * np.timedelta64(1, "s")
    return Soundings.build(
        500_000.0 + x,
        5_000_000.0 + y,
        depth,
        time=time,
        visit=name,
        uncert=0.05,
        raw_depth=depth - 0.3,
        corrections=f"datum={datum};datum_elev_m={elevation:g}" if datum else "from=surface",
    )


MAY, JUNE = survey("may", "2025-05-01", True), survey("june", "2025-06-01", False, 0.25, 1)
OTHER_DATUM = {"datum": "other", "elevation": 289.7}


@pytest.fixture
def stores(tmp_path):
    """Make stores by name of file: ``stores(a=[visit, ...])``."""

    def make(crs=UTM, **named):
        paths = []
        for name, visits in named.items():
            paths.append(str(tmp_path / f"{name}.gpkg"))
            _store.add(paths[-1], concatenate(visits), crs)
        return paths

    return make


def held(path):
    return concatenate(_store.read(path))


def digest(path):
    with open(path, "rb") as file:
        return hashlib.sha256(file.read()).hexdigest()


@pytest.mark.parametrize("offsets", ["one for all", "one for each visit"])
def test_two_stores_of_other_datums_become_one(run, stores, tmp_path, feedback, offsets):
    june = survey("june", "2025-06-01", False, 0.25, 1, **OTHER_DATUM)
    own, other = stores(own=[MAY], other=[june])
    before = digest(own), digest(other)
    out = str(tmp_path / "merged.gpkg")
    results = run(
        "mergedatabases",
        {"DATABASE": own, "OTHER_DATABASE": other, "OFFSETS": offsets, "OUTPUT": out},
        feedback,
    )
    assert (digest(own), digest(other)) == before
    assert results["ADDED"] == len(june)
    assert results["ALREADY_THERE"] == 0
    assert results["OFFSET"] == pytest.approx(0.25, abs=0.02)
    assert 0 < results["OFFSET_UNCERTAINTY"] < 0.02
    assert results["RMS_AFTER"] < 0.1 < results["RMS_BEFORE"]
    merged = held(out)
    assert [v.name for v in _store.contents(out).visits] == ["may", "june"]
    assert len({parse_corrections(c)["datum"] for c in merged.corrections}) == 1
    theirs = merged.visit == "june"
    assert np.allclose(merged.raw_depth[theirs], june.raw_depth)
    assert np.allclose(merged.depth[theirs], june.depth - results["OFFSET"])
    assert "standard uncertainty" in feedback.text


def test_the_same_visit_enters_once(run, stores, tmp_path):
    corrected = MAY.replace(depth=MAY.depth + 0.02, visit=np.full(len(MAY), "erster Mai", object))
    own, other = stores(own=[MAY], other=[corrected, JUNE])
    out = str(tmp_path / "merged.gpkg")
    results = run("mergedatabases", {"DATABASE": own, "OTHER_DATABASE": other, "OUTPUT": out})
    assert (results["ADDED"], results["ALREADY_THERE"]) == (len(JUNE), len(MAY))
    assert [v.name for v in _store.contents(out).visits] == ["may", "june"]
    again = run(
        "mergedatabases",
        {"DATABASE": out, "OTHER_DATABASE": other, "OUTPUT": str(tmp_path / "again.gpkg")},
    )
    assert (again["ADDED"], again["ALREADY_THERE"]) == (0, len(MAY) + len(JUNE))


def test_overlapping_parts_of_one_outing(run, stores, tmp_path):
    own, other = stores(own=[MAY.select(slice(0, 700))], other=[MAY.select(slice(500, None))])
    out = str(tmp_path / "merged.gpkg")
    results = run("mergedatabases", {"DATABASE": own, "OTHER_DATABASE": other, "OUTPUT": out})
    assert (results["ADDED"], results["ALREADY_THERE"]) == (len(MAY) - 700, 200)
    merged = held(out)
    assert len(merged) == len(MAY)
    assert results["OFFSET"] == pytest.approx(0.0, abs=0.01)


def test_other_crs_is_projected(run, stores, tmp_path):
    (own,) = stores(own=[MAY])
    from lakefloor.algorithms.core.crs import transform

    x, y = transform(JUNE.x, JUNE.y, UTM, "EPSG:32614")
    (other,) = stores(crs="EPSG:32614", other=[JUNE.replace(x=x, y=y)])
    out = str(tmp_path / "merged.gpkg")
    results = run("mergedatabases", {"DATABASE": own, "OTHER_DATABASE": other, "OUTPUT": out})
    assert results["OFFSET"] == pytest.approx(0.25, abs=0.02)
    merged = held(out)
    assert np.allclose(merged.x[merged.visit == "june"], JUNE.x, atol=1e-3)


def test_shared_copy_comes_back(run, stores, tmp_path):
    """Copy to share, then merge: what is known is known again, the rest enters at its level."""
    june = survey("june", "2025-06-01", False, 0.25, 1, **OTHER_DATUM)
    own, theirs, mine = stores(own=[MAY], theirs=[june], mine=[MAY])
    copies = []
    for name, store in (("a", theirs), ("b", mine)):
        layer = run("readdatabase", {"DATABASE": store, "OUTPUT": str(tmp_path / f"{name}.gpkg")})
        run("copytoshare", {"LAYERS": [layer["OUTPUT"]], "OUTPUT": str(tmp_path / name)})
        copies.append(f"{tmp_path / name / 'lake.gpkg'}|layername=soundings")
    out = str(tmp_path / "merged.gpkg")
    results = run("mergedatabases", {"DATABASE": own, "COPY": copies[0], "OUTPUT": out})
    assert results["ADDED"] == len(june)
    assert results["OFFSET"] == pytest.approx(0.25, abs=0.03)
    assert [v.name for v in _store.contents(out).visits] == ["shared copy", "may"]
    results = run(
        "mergedatabases",
        {"DATABASE": own, "COPY": copies[1], "OUTPUT": str(tmp_path / "same.gpkg")},
    )
    assert (results["ADDED"], results["ALREADY_THERE"]) == (0, len(MAY))


def test_undetermined_levels(run, stores, tmp_path, feedback, recorder):
    far = JUNE.replace(x=JUNE.x + 3000.0)
    odd = survey("june", "2025-06-01", False, 0.25, 1, **OTHER_DATUM)
    odd = odd.replace(x=odd.x + 3000.0)
    own, same, other = stores(own=[MAY], same=[far], other=[odd])
    for offsets in ("one for all", "none"):
        said = recorder()
        with pytest.raises(
            QgsProcessingException, match="one datum" if offsets == "none" else "cannot be found"
        ):
            run(
                "mergedatabases",
                {
                    "DATABASE": own,
                    "OTHER_DATABASE": other,
                    "OFFSETS": offsets,
                    "OUTPUT": str(tmp_path / "out.gpkg"),
                },
                said,
            )
        assert ("Places where tracks meet: 0" in said.text) == (offsets != "none")
        assert not (tmp_path / "out.gpkg").exists()
    results = run(
        "mergedatabases",
        {"DATABASE": own, "OTHER_DATABASE": same, "OUTPUT": str(tmp_path / "out.gpkg")},
        feedback,
    )
    assert results["ADDED"] == len(far)
    assert results["OFFSET"] is None
    assert "No offset is removed" in feedback.text


def test_refusals_leave_nothing(run, stores, tmp_path, recorder, memory_layer):
    own, other = stores(own=[MAY], other=[JUNE])
    (tmp_path / "text.gpkg").write_text("no store")
    no_crs = memory_layer(
        "Point", ["POINT(1 1)"], crs="", fields="field=depth_m:double", rows=[[1.0]], name="odd"
    )
    before = sorted(os.listdir(tmp_path))
    for parameters, word in (
        ({}, "either another lake database"),
        ({"OTHER_DATABASE": other, "COPY": no_crs}, "either another"),
        ({"OTHER_DATABASE": other, "OUTPUT": own}, "no result may replace"),
        ({"OTHER_DATABASE": str(tmp_path / "absent.gpkg")}, "no lake database"),
        ({"OTHER_DATABASE": str(tmp_path / "text.gpkg")}, "not a GeoPackage"),
        *[({"OTHER_DATABASE": other, "OUTPUT": "/proc/x.gpkg"}, "may write")]
        * NO_ONE_WRITES_TO_PROC,
        ({"COPY": no_crs}, "coordinate reference system"),
        ({"OTHER_DATABASE": other, "OUTPUT": str(tmp_path / "no" / "x.gpkg")}, "does not exist"),
    ):
        with pytest.raises(QgsProcessingException, match=word):
            run(
                "mergedatabases",
                {"DATABASE": own, "OUTPUT": str(tmp_path / "x.gpkg"), **parameters},
            )
    for at in (5, 40, 70):
        with pytest.raises(QgsProcessingException, match="Cancelled"):
            run(
                "mergedatabases",
                {"DATABASE": own, "OTHER_DATABASE": other, "OUTPUT": str(tmp_path / "x.gpkg")},
                recorder(at),
            )
    assert sorted(os.listdir(tmp_path)) == before


@pytest.mark.parametrize("share", [0.02, 0.6, 1.1])
def test_full_disk_leaves_nothing(run, stores, tmp_path, share):
    import resource
    import signal

    own, other = stores(own=[MAY], other=[JUNE])
    before = sorted(os.listdir(tmp_path))
    limit = int(share * os.path.getsize(own))
    soft = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, soft[1]))
    try:
        with pytest.raises(QgsProcessingException, match="full"):
            run(
                "mergedatabases",
                {"DATABASE": own, "OTHER_DATABASE": other, "OUTPUT": str(tmp_path / "x.gpkg")},
            )
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, soft)
        signal.signal(signal.SIGXFSZ, handler)
    assert sorted(os.listdir(tmp_path)) == before


def test_a_dredged_hole_stays_right_in_either_order(run, stores, tmp_path, feedback):
    (own,) = stores(own=[MAY])
    july, other = survey("july", "2025-07-01", False, seed=2), str(tmp_path / "other.gpkg")
    hole = (np.abs(july.x - 500_110.0) < 35.0) & (np.abs(july.y - 5_000_100.0) < 35.0)
    july = july.replace(depth=july.depth + 1.5 * hole)
    _store.add(other, concatenate([MAY, july]), UTM, newer_wins=True)
    marked = held(other).status == "superseded by july"
    assert marked.sum() > 50
    for first, second in ((own, other), (other, own)):
        out = str(tmp_path / f"{os.path.basename(first)}.merged.gpkg")
        run(
            "mergedatabases", {"DATABASE": first, "OTHER_DATABASE": second, "OUTPUT": out}, feedback
        )
        assert held(out).status.tolist() == held(other).status.tolist()
    assert f"Older soundings superseded: {marked.sum()}." in feedback.text
