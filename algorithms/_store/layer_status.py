"""The status of soundings in a layer that was read from a store, brought up to what the store says."""

from __future__ import annotations

import os
from contextlib import closing, suppress
from pathlib import Path

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.progress import Progress, silent
from .errors import absent, explained
from .file import LOCK_TIMEOUT_S, connect, reading
from .visits import stoppable

#: What makes a ping: where, when and how deep it was logged. Pings that nothing tells apart are
#: paired in their order. A point of a GeoPackage has 13 bytes before x and y, and no envelope.
_PINGS = (
    "SELECT fid, place, time, raw, coalesce(status, 'accepted') AS status, "
    "row_number() OVER (PARTITION BY place, time, raw ORDER BY fid) AS turn FROM ("
    "SELECT fid, substr({geometry}, 14, 16) AS place, time, raw_depth_m AS raw, status "
    "FROM {database}.{table}{where})"
)
_IN_BOX = (
    " WHERE fid IN (SELECT id FROM {database}.{index} "
    "WHERE maxx >= {} AND minx <= {} AND maxy >= {} AND miny <= {})"
)


def renew_statuses(path, table: str, store, box=None, progress: Progress = silent) -> dict:
    """Give the soundings of a layer's table the status that they have in a store.

    The layer's CRS must be that of the store. Soundings that the store does not have keep their
    status.

    Parameters
    ----------
    path : str or Path
        A GeoPackage with soundings in the schema that all algorithms share.
    table : str
        Of the soundings there.
    store : str or Path
    box : tuple, optional
        West, south, east, north, m: soundings elsewhere are left as they are.
    progress : callable

    Returns
    -------
    dict of str to int
        How many soundings have another status now, by that status.

    Raises
    ------
    LakefloorError
        If a file is absent, damaged or locked. The layer is as before then.
    """
    if not Path(path).is_file():
        raise absent(path)
    with reading(store):
        pass  # it is a store, and not damaged
    if os.path.samefile(path, store):
        return {}
    with explained(path), closing(connect(path)) as db:
        db.execute(f"PRAGMA busy_timeout = {1000 * LOCK_TIMEOUT_S:.0f}")
        db.execute("ATTACH ? AS store", (str(store),))
        db.execute("BEGIN IMMEDIATE")
        try:
            with stoppable(db, progress):
                changed = _renew(db, table, box)
            progress(1.0)
            db.execute("COMMIT")
        except BaseException:
            with suppress(Exception):
                db.execute("ROLLBACK")
            raise
    return changed


def _renew(db, table, box) -> dict:
    held, shown = _pings(db, "store", "soundings", box), _pings(db, "main", table, box)
    db.execute(f"CREATE TEMP TABLE held AS SELECT place, time, raw, turn, status FROM ({held})")
    db.execute("CREATE INDEX temp.held_ping ON held (place, time, raw, turn)")
    db.execute(
        "CREATE TEMP TABLE renewed AS SELECT l.fid AS fid, h.status AS status "
        f"FROM ({shown}) l JOIN held h ON h.place IS l.place "
        "AND h.time IS l.time AND h.raw IS l.raw AND h.turn = l.turn WHERE h.status != l.status"
    )
    db.execute("CREATE UNIQUE INDEX temp.renewed_fid ON renewed (fid)")
    name = _quoted(table)
    db.execute(
        f"UPDATE main.{name} SET status = (SELECT r.status FROM temp.renewed r "
        f"WHERE r.fid = {name}.fid) WHERE fid IN (SELECT fid FROM temp.renewed)"
    )
    return dict(db.execute("SELECT status, count(*) FROM temp.renewed GROUP BY 1"))


def _pings(db, database, table, box) -> str:
    """Return the query of the pings of a table, of all or of those in a box."""
    found = db.execute(
        f"SELECT column_name FROM {database}.gpkg_geometry_columns WHERE table_name = ?", (table,)
    ).fetchone()
    if found is None:
        raise LakefloorError(
            tr("The file has no soundings in table '{}'. Map the lake again.").format(table)
        )
    index, where = f"rtree_{table}_{found[0]}", ""
    indexed = db.execute(
        f"SELECT count(*) FROM {database}.sqlite_master WHERE name = ?", (index,)
    ).fetchone()
    if box is not None and indexed[0]:
        west, south, east, north = map(float, box)
        where = _IN_BOX.format(
            repr(west),
            repr(east),
            repr(south),
            repr(north),
            database=database,
            index=_quoted(index),
        )
    return _PINGS.format(
        geometry=_quoted(found[0]), database=database, table=_quoted(table), where=where
    )


def _quoted(name) -> str:
    return '"{}"'.format(name.replace('"', '""'))
