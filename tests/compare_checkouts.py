"""Compare what two checkouts make of the example lake on one machine.

    python tests/compare_checkouts.py CHECKOUT_BEFORE CHECKOUT_AFTER [--texts] [--keep FOLDER]

Each checkout runs its own ``example_project/run.sh``. Layers are compared value by value, rasters
cell by cell with their bands and metadata, pages by their text with dates masked. Differences in
numbers, fields or files fail; differences in wording are listed and fail with ``--texts`` only.
"""

import argparse
import difflib
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from osgeo import gdal, ogr

gdal.UseExceptions()
ogr.UseExceptions()

VECTORS, RASTERS = {".gpkg", ".geojson"}, {".tif"}
PAGES = {".pdf", ".html", ".gpx", ".csv", ".md", ".txt"}
DATES = re.compile(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d(\.\d+)?)?Z?)?")


def mapped(checkout: Path, output: Path) -> Path:
    """Map the example with a checkout, unless the folder has a map already."""
    if not (output / "lake_report.pdf").exists():
        output.mkdir(parents=True, exist_ok=True)
        log = output.parent / f"{output.name}.log"
        with log.open("w") as stream:
            done = subprocess.run(
                ["bash", checkout / "example_project" / "run.sh", output],
                stdout=stream,
                stderr=stream,
            )
        if done.returncode:
            raise SystemExit(f"{checkout} does not map the example; see {log}")
    return output


def vector(path):
    """Return per layer its fields and its rows: attributes as texts, geometry as bytes."""
    source = ogr.Open(str(path))
    found = {}
    for layer in (source.GetLayer(i) for i in range(source.GetLayerCount())):
        definition = layer.GetLayerDefn()
        fields = [definition.GetFieldDefn(i) for i in range(definition.GetFieldCount())]
        rows = []
        for feature in layer:
            geometry = feature.GetGeometryRef()
            values = [repr(feature.GetField(i)) for i in range(len(fields))]
            rows.append(
                (
                    [f.GetName() for f in fields],
                    values,
                    bytes(geometry.ExportToWkb()) if geometry is not None else b"",
                )
            )
        found[layer.GetName()] = (
            [(f.GetName(), f.GetTypeName()) for f in fields],
            layer.GetGeomType(),
            rows,
        )
    return found


def raster(path):
    """Return what describes a raster, and its bands."""
    source = gdal.Open(str(path))
    bands = [source.GetRasterBand(i + 1) for i in range(source.RasterCount)]
    items = {k: v for k, v in source.GetMetadata().items() if k != "WRITTEN_BY"}
    said = (
        source.GetGeoTransform(),
        source.GetProjection(),
        items,
        [(b.GetDescription(), b.GetNoDataValue(), b.DataType) for b in bands],
    )
    return said, [b.ReadAsArray() for b in bands]


def page(path):
    """Return the lines of a page, dates masked."""
    if path.suffix == ".pdf":
        text = subprocess.run(
            ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
        ).stdout
    else:
        text = path.read_text(encoding="utf-8")
        text = re.sub(r"data:image/[^\"']+", "PICTURE", text)
    return DATES.sub("DATE", text).splitlines()


def compare_vectors(before, after, worded):
    old, new = vector(before), vector(after)
    if list(old) != list(new):
        worded.append(f"layers {list(old)} -> {list(new)}")
    for (name, (fields, kind, rows)), (fields_2, kind_2, rows_2) in zip(old.items(), new.values()):
        if (fields, kind, len(rows)) != (fields_2, kind_2, len(rows_2)):
            yield f"{name}: fields, kind or number of rows: {fields} {fields_2}"
            continue
        unequal = {}
        for (names, values, shape), (_, values_2, shape_2) in zip(rows, rows_2):
            for field, one, other in zip(names, values, values_2):
                if one != other:
                    unequal.setdefault(field, (one, other))
            if shape != shape_2:
                unequal.setdefault("geometry", ("", ""))
        for field, (one, other) in unequal.items():
            letters = [re.findall(r"-?\d+\.?\d*", text) for text in (one, other)]
            if one[:1] in "'\"" and other[:1] in "'\"" and letters[0] == letters[1]:
                worded.append(f"{name}.{field}: {one} -> {other}")
            else:
                yield f"{name}.{field}: {one} -> {other}"


def compare_rasters(before, after):
    (said, bands), (said_2, bands_2) = raster(before), raster(after)
    if said != said_2:
        yield f"georeference, bands or metadata: {said} -> {said_2}"
    elif not all(
        np.array_equal(a, b, equal_nan=a.dtype.kind == "f") for a, b in zip(bands, bands_2)
    ):
        yield "cells"


def compare(before, after):
    """Return the differences in what is there, and those in wording."""
    wrong, worded = [], []
    names = {
        p.relative_to(root)
        for root in (before, after)
        for p in root.rglob("*")
        if p.is_file() and p.suffix in VECTORS | RASTERS | PAGES
    }
    for name in sorted(names):
        old, new = before / name, after / name
        said = []
        if not (old.exists() and new.exists()):
            wrong.append(f"{name}: only in {before if old.exists() else after}")
        elif name.suffix in VECTORS:
            wrong += [f"{name}: {fault}" for fault in compare_vectors(old, new, said)]
        elif name.suffix in RASTERS:
            wrong += [f"{name}: {fault}" for fault in compare_rasters(old, new)]
        else:
            said = [
                line
                for line in difflib.unified_diff(page(old), page(new), lineterm="", n=0)
                if not line.startswith(("---", "+++", "@@"))
            ]
        worded += [f"{name}: {line}" for line in said]
    return wrong, worded


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    parser.add_argument("--texts", action="store_true", help="differences in wording fail too")
    parser.add_argument("--keep", type=Path, help="folder for the maps: before/ and after/")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch)
        wrong, worded = compare(
            mapped(options.before, folder / "before"), mapped(options.after, folder / "after")
        )
    print(*(f"text  {line}" for line in worded), sep="\n")
    print(*(f"WRONG {line}" for line in wrong), sep="\n")
    print(f"{len(wrong)} differences, {len(worded)} in wording")
    sys.exit(bool(wrong or (worded and options.texts)))


if __name__ == "__main__":
    main()
