"""Texts of tables that a spreadsheet would take for formulas."""

from __future__ import annotations

import re

#: What a spreadsheet takes for the beginning of a formula, with the marks put before it.
_FORMULA = re.compile("'*[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")


def as_text(cell: str) -> str:
    """Return a text of a table so that no spreadsheet takes it for a formula.

    An apostrophe is put before one that begins like a formula, and before one that
    :func:`from_text` would shorten; numbers of the table's own are not passed through here.

    Examples
    --------
    >>> as_text("=1+1"), as_text("12 ft")
    ("'=1+1", '12 ft')
    """
    return f"'{cell}" if _FORMULA.match(cell) else cell


def from_text(cell: str) -> str:
    """Return what :func:`as_text` was given."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell
