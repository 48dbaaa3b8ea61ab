"""Pages of HTML for reports."""

from __future__ import annotations

import base64

from qgis.PyQt.QtCore import QBuffer, QByteArray, QIODevice
from qgis.PyQt.QtGui import QImage

from .._i18n import tr

_CSS = """
body { font-family: sans-serif; color: #0b2545; max-width: 54em; margin: 2em auto; }
table { border-collapse: collapse; margin: 0.5em 0 1.5em; }
th, td { padding: 0.2em 0.8em; text-align: right; border-bottom: 1px solid #c8d3dd; }
th:first-child, td:first-child { text-align: left; }
li { margin: 0.4em 0; }
.remark { color: #44566b; font-size: 90%; }
"""


def page(title: str, parts) -> str:
    """Return a page of the parts, which are HTML already."""
    return (
        f'<!DOCTYPE html><html><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{_CSS}</style></head><body><h1>{title}</h1>{''.join(parts)}</body></html>\n"
    )


def table(head, rows) -> str:
    """Return a table of cells, which are HTML already."""
    cells = "".join(f"<th>{cell}</th>" for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><tr>{cells}</tr>{body}</table>"


def remark(text: str) -> str:
    """Return a paragraph in small print."""
    return f'<p class="remark">{text}</p>'


def image(title: str, png: str, width: int | None = None) -> str:
    """Return a picture, a PNG in base64; ``width`` in pixels, by default its own."""
    size = "" if width is None else f' width="{width}"'
    return f'<img alt="{title}"{size} src="data:image/png;base64,{png}">'


def picture(title: str, drawn: QImage, width: int | None = None) -> str:
    """Return a picture that was drawn with Qt."""
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    drawn.save(buffer, "PNG")
    return image(title, base64.b64encode(bytes(data)).decode("ascii"), width)


def no_pictures() -> str:
    """Return the remark that stands in place of pictures."""
    return remark(tr("There are no pictures, because this QGIS has no matplotlib."))
