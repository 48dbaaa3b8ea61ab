"""Stores of an older layout, or that another program has edited, are brought up to the present."""

from __future__ import annotations

import json
import uuid
from contextlib import contextmanager, suppress
from pathlib import Path

from .._i18n import tr
from ..core.progress import silent
from .copies import keep_aside
from .file import writing
from .layout import (
    LAYOUT,
    LAYOUT_WORDS,
    VISITS,
    columns_of,
    layout_of,
    log,
    make_decisions,
    provenance_of,
    stamp,
)
from .undoing import forget
from .visits import check_entry, fill_counts, fill_log_book, take_over, verify

#: Types of columns as GDAL names them in a GeoPackage.
_KINDS = {"text": "TEXT", "int": "MEDIUMINT", "double": "REAL", "datetime": "DATETIME"}


@contextmanager
def prepared(path, progress, notes):
    """Look a store over before it is changed; bring one of an older layout up to the present.

    All of it is looked over where another program was the last to change it. Otherwise what is
    read is checked where it is read, so that a small visit costs no more in a large store.
    """
    path, kept = Path(path), None

    def prepare(db):
        nonlocal kept
        edited, layout = not provenance_of(db)[1], layout_of(db)
        if edited or layout < LAYOUT:
            verify(db, progress)
        else:
            check_entry(db)
        if layout < LAYOUT:
            kept = bring_up(db, path)
            notes.append(
                tr(
                    "Lake database '{}' was made by an older Lakefloor and is upgraded. A copy in "
                    "its old state is kept as '{}'."
                ).format(path.name, kept.name)
            )
        if edited and layout > 1:
            notes.append(
                tr(
                    "Another program has edited lake database '{}' since Lakefloor last changed it. "
                    "Its present content is taken as right."
                ).format(path.name)
            )
        if edited or layout < LAYOUT:
            forget(db)
        if edited or layout == 1:
            take_over(db, progress)
        elif layout < LAYOUT:
            fill_counts(db)
        if layout < 3:
            fill_log_book(db)

    try:
        yield prepare
    except BaseException:
        # The store is as it was, and that copy the same once more.
        if kept is not None:
            with suppress(OSError):
                kept.unlink()
        raise


def make_own(path):
    """Make a copy of a store a store of its own, of the present layout and with a new identity."""

    def prepare(db):
        identity, layout = uuid.uuid4().hex, layout_of(db)
        if layout < LAYOUT:
            bring_up(db, identity=identity)
            if layout == 1:
                take_over(db, silent)
            else:
                fill_counts(db)
            if layout < 3:
                fill_log_book(db)
        else:
            stamp(db, identity)
        forget(db)

    with writing(path, None, silent, prepare):
        pass


def bring_up(db, path=None, identity=None):
    """Give a store the columns of the present layout, not filled yet; return its copy's path.

    The store at ``path`` is copied aside before; without a path it is not.
    """
    identity = identity or provenance_of(db)[0]
    kept = keep_aside(path, f"layout-{layout_of(db)}") if path else None
    there = columns_of(db, "visits")
    try:
        for name, kind in VISITS.items():
            if name not in there:
                db.execute(f"ALTER TABLE visits ADD COLUMN {name} {_KINDS[kind]}")
        make_decisions(db)
        db.execute(
            "UPDATE gpkg_contents SET description = ? WHERE table_name = 'visits'",
            (f"{LAYOUT_WORDS}{LAYOUT}",),
        )
        log(
            db,
            "upgraded",
            None,
            None,
            None,
            json.dumps({"layout": LAYOUT, "kept": kept and kept.name}),
        )
        stamp(db, identity)
    except BaseException:
        if kept:
            kept.unlink()
        raise
    return kept
