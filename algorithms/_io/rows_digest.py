"""What a GeoPackage holds, as one number: its bytes change when a program merely opens it."""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing, contextmanager
from pathlib import Path

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.geopackage import quoted
from .sqlite_uri import read_only_uri

#: Tables that programs keep for themselves: styles and projects of QGIS.
_OF_PROGRAMS = ("layer_styles", "qgis_projects")


def rows_digest(path) -> str:
    """Return a digest of the rows of a GeoPackage, with their columns, kinds and CRS; "" if none.

    Neither the names of the tables nor when they were changed count, nor styles and projects.

    Raises
    ------
    LakefloorError
        If the file is no GeoPackage, or cannot be read.
    """
    digests, rows = [], 0
    with _explained(path), closing(_looking(path)) as db:
        tables = db.execute(
            "SELECT c.table_name, s.organization, s.organization_coordsys_id, "
            "s.definition FROM gpkg_contents c LEFT JOIN gpkg_spatial_ref_sys s USING (srs_id)"
        ).fetchall()
        for name, *crs in tables:
            if name.lower() not in _OF_PROGRAMS:
                digest, count = _of_table(db, name, crs)
                digests.append(digest)
                rows += count
    if not rows:
        return ""
    return hashlib.sha256("".join(sorted(digests)).encode("ascii")).hexdigest()


def _of_table(db, name, crs):
    columns = [row[1:3] for row in db.execute(f"PRAGMA table_info({quoted(name)})")]
    digest = hashlib.sha256(repr((crs, columns)).encode("utf-8", "surrogatepass"))
    count = 0
    for row in db.execute(f"SELECT * FROM {quoted(name)} ORDER BY rowid"):
        digest.update(repr(row).encode("utf-8", "surrogatepass"))
        count += 1
    return digest.hexdigest(), count


def copy_package(path, target):
    """Copy a database as it is at one moment, also while others use it.

    Raises
    ------
    LakefloorError
        If it is no database, damaged or locked, or the copy cannot be written.
    """
    with _explained(path), closing(_looking(path)) as source:
        source.execute("ROLLBACK")
        with closing(sqlite3.connect(str(target))) as copy:
            source.backup(copy)


@contextmanager
def _explained(path):
    try:
        yield
    except sqlite3.Error as error:
        raise LakefloorError(
            tr(
                "Cannot read or copy '{}' ({}). Close other programs that use it, and check that "
                "the disk is not full."
            ).format(path, error)
        ) from error


def _looking(path):
    """Return a connection that sees one state and changes nothing."""
    where = read_only_uri(Path(path).absolute())
    for how in ("", "&immutable=1"):
        db = sqlite3.connect(f"{where}{how}", uri=True, timeout=2.0)
        try:
            db.execute("BEGIN")
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return db
        except sqlite3.OperationalError as error:
            db.close()
            # In a folder that may only be read, no write-ahead log can be opened beside the file.
            if "unable to open" not in str(error) or how:
                raise
        except BaseException:
            db.close()
            raise
    return None
