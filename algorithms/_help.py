"""Helps as QGIS shows them."""

from __future__ import annotations

from ._i18n import tr


def help_html(text: str) -> str:
    """Return a help as HTML: paragraphs stand apart by an empty line, items begin with "- ".

    Each paragraph is translated by itself, with its items.
    """
    return "".join(_paragraph(tr(part.strip())) for part in text.split("\n\n"))


def _paragraph(text):
    words, items = [], []
    for line in text.split("\n"):
        if line.startswith("- "):
            items.append(f"<li>{line[2:]}</li>")
        else:
            words.append(line)
    html = f"<p>{' '.join(words)}</p>" if words else ""
    return html + (f"<ul>{''.join(items)}</ul>" if items else "")


def with_meanings(text: str, options: dict) -> str:
    """Return the help of a drop-down with what its words mean.

    QGIS shows the help of a parameter as HTML in the dialog, where lines run together, and as
    plain text in ``qgis_process help``; so each meaning is a line and a sentence.
    """
    return text + "".join(
        f"\n'{words}': {meaning.rstrip('.')}." for words, meaning in options.items() if meaning
    )
