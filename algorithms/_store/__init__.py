"""The lake's store: one GeoPackage in which a lake's visits add up over years.

Layer ``soundings`` holds every sounding ever added in the schema that all algorithms share,
table ``visits`` one row a visit, table ``history`` one row for everything done, to which rows
are only ever added. QGIS opens it like any GeoPackage.

Whatever changes a store is one SQLite transaction, so that a crash or a kill at any moment leaves
the old state or the new one; a hot journal left behind (``*.gpkg-journal``) is rolled back by
whoever opens the store next, and must not be deleted. A new store is made in a hidden folder and
moved into place when it is complete. Two writers take turns by SQLite's file locks. These are
as good as those of the file system: keep a store on a disk of the computer, since many network
drives and folders kept in step by a cloud service lock badly or copy a file halfway through.

Memory grows with the visit at hand, not with the store. Nothing here needs QGIS, so that a
notebook can use it::

    from lakefloor.algorithms import _store

    for visit in _store.contents("lake.gpkg").visits:
        print(visit.name, visit.soundings)
"""

from .adding import Added, add
from .copies import back_up, beside, restore
from .fitting import fit_to_store, offsets_to_keep
from .lake_store import Contents, contents, read, remove, undo
from .log_book import edit_log_book, history, log_book
from .looking import look
from .merging import facts_by_visit, read_whole, write_merged
from .setting_aside import set_aside

__all__ = [
    "Added",
    "Contents",
    "add",
    "back_up",
    "beside",
    "contents",
    "edit_log_book",
    "facts_by_visit",
    "fit_to_store",
    "history",
    "log_book",
    "look",
    "offsets_to_keep",
    "read",
    "read_whole",
    "remove",
    "restore",
    "set_aside",
    "undo",
    "write_merged",
]
