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

Review. All of these are one change each, with who and why in the history, and can be undone:

- ``find_rows(path, soundings) -> int array``: the rows (``fid``) of soundings that were read from
  the store, whatever layer they stand in since; -1 where it has none.
- ``decide(path, rows, decision, reason="", who="") -> Decided``: ``"reject"``, ``"accept"``, or
  ``"clear"`` to go back to what cleaning said.
- ``decisions(path) -> list of Decision``: what was decided, by whom, when and why.
- ``switch_visits(path, names, on, who="") -> Switched`` and
  ``rename_visit(path, name, new_name, who="") -> Renamed``.
- ``remove(path, names, parameters={"who": ...})``: removes visits.
- ``undo(path) -> Undone`` takes back the newest change; ``undoable(path) -> list of Change`` names
  them, the newest first (``time``, ``actions``: action, visit, soundings); ``undo_count(path)``.

Looking, in milliseconds, also while another program has the file open; nothing is written:

- ``state_of(path) -> str``: a fingerprint of all that is mapped. It is the old one again when a
  change is undone.
- ``visits_of(path) -> list of VisitRow``: ``name``, ``date`` (ISO day, UTC), ``time_from``,
  ``time_to`` (datetime64), ``soundings``, ``accepted``, ``held_back``, ``superseded``,
  ``rejected``, ``level_m``, ``level_from``, ``on``, ``box``.
"""

from .adding import Added, add
from .copies import back_up, beside, restore
from .deciding import Decided, Decision, decide, decisions, find_rows
from .fitting import fit_to_store, offsets_to_keep
from .glancing import VisitRow, state_of, visits_of
from .lake_store import Contents, contents, read, remove, undo, undo_count, undoable
from .log_book import beam_widths, edit_log_book, history, log_book
from .looking import look
from .merging import facts_by_visit, read_whole, write_merged
from .setting_aside import set_aside
from .switching import Renamed, Switched, rename_visit, switch_visits
from .undoing import Change, Undone

__all__ = [
    "Added",
    "Change",
    "Contents",
    "Decided",
    "Decision",
    "Renamed",
    "Switched",
    "Undone",
    "VisitRow",
    "add",
    "back_up",
    "beam_widths",
    "beside",
    "contents",
    "decide",
    "decisions",
    "edit_log_book",
    "facts_by_visit",
    "find_rows",
    "fit_to_store",
    "history",
    "log_book",
    "look",
    "offsets_to_keep",
    "read",
    "read_whole",
    "remove",
    "rename_visit",
    "restore",
    "set_aside",
    "state_of",
    "switch_visits",
    "undo",
    "undo_count",
    "undoable",
    "visits_of",
    "write_merged",
]
