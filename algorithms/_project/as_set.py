"""Whether the user has changed what we set: kept as it was set, and compared through QGIS.

A plain hash of a style's XML changes by itself: QGIS gives rules and symbol layers random keys,
and each version writes attributes of its own. So the XML as we set it is kept, packed, and what
is compared are hashes of both in one form, the kept one read and written by the QGIS that runs.
"""

from __future__ import annotations

import base64
import hashlib
import re
import xml.etree.ElementTree as ElementTree
import zlib

from qgis.core import QgsMapLayer
from qgis.PyQt.QtXml import QDomDocument

__all__ = ["digest", "fresh_texts", "pack", "set_style", "style_texts", "unpack", "untouched"]

#: Parts of a style that are compared and renewed; the rest belongs to the layer.
_PARTS = {
    "renderer-v2",
    "labeling",
    "DiagramLayerSettings",
    "SingleCategoryDiagramRenderer",
    "LinearlyInterpolatedDiagramRenderer",
    "pipe",
    "blendMode",
    "featureBlendMode",
    "layerOpacity",
}
_SCALES = ("hasScaleBasedVisibilityFlag", "minScale", "maxScale", "labelsEnabled")
_CATEGORIES = QgsMapLayer.StyleCategory
_LOOK = _CATEGORIES.Symbology | _CATEGORIES.Labeling | _CATEGORIES.Rendering | _CATEGORIES.Diagrams
#: Keys that QGIS makes up, or takes from elsewhere, each time.
_MADE_UP = ("key", "uuid", "templateUuid", "ruleKey", "rulekey", "id")


def pack(text: str) -> str:
    """Return a text compressed, in letters."""
    return base64.b85encode(zlib.compress(text.encode("utf-8"), 9)).decode("ascii")


def unpack(packed: str) -> str:
    """Return the text that :func:`pack` packed."""
    return zlib.decompress(base64.b85decode(packed)).decode("utf-8")


def digest(xml: str, parts=_PARTS) -> str:
    """Return a hash of a style's XML, without order of attributes and made-up keys.

    ``parts`` are the elements at its top that count; all, if empty.
    """
    root = ElementTree.fromstring(re.sub(r"<!DOCTYPE[^>]*>", "", xml))
    found = [_plain(part) for part in root if not parts or part.tag in parts]
    scales = [_value(root.get(name)) for name in _SCALES] if parts else ()
    return hashlib.sha256(repr((sorted(found, key=repr), scales)).encode("utf-8")).hexdigest()


def _plain(element):
    attributes = sorted(
        (name, repr(_value(value)))
        for name, value in element.attrib.items()
        if not (name in _MADE_UP and (value.startswith("{") or name != "id"))
    )
    return (
        element.tag,
        attributes,
        _value((element.text or "").strip()),
        [_plain(child) for child in element],
    )


def _value(text):
    """Return a number in one way of writing it, a symbol within XML as a tree, other texts as is."""
    if text and text.startswith("<symbol"):
        return _plain(ElementTree.fromstring(text))
    try:
        return f"{float(text):.10g}"
    except (TypeError, ValueError):
        return text or ""


def style_texts(layer) -> dict:
    """Return the XML of each style of a layer, by its name."""
    styles = layer.styleManager()
    return {name: _without_identity(styles.style(name).xmlData()) for name in styles.styles()}


def _without_identity(xml):
    """Leave out the custom properties, which QGIS would put back with a style."""
    document = QDomDocument()
    document.setContent(xml)
    root = document.documentElement()
    root.removeChild(root.firstChildElement("customproperties"))
    return document.toString(-1)


def fresh_texts(layer, texts) -> dict:
    """Return the XML of styles as the QGIS that runs writes them; ``layer`` stays as it is."""
    scratch = layer.clone()
    written = {}
    for name, text in texts.items():
        set_style(scratch, text)
        written[name] = (
            scratch.styleManager().style(scratch.styleManager().currentStyle()).xmlData()
        )
    return written


def set_style(layer, xml):
    """Give a layer the look of a style, and leave all else that a style may say."""
    document = QDomDocument()
    document.setContent(xml)
    layer.importNamedStyle(document, _LOOK)


def untouched(layer, as_set) -> set:
    """Return the names of the styles that are as they were set.

    Parameters
    ----------
    layer : QgsMapLayer
    as_set : dict of str to str
        XML of the styles as they were set, by name.
    """
    now = {name: digest(text) for name, text in style_texts(layer).items() if name in as_set}
    same = {name for name in now if now[name] == digest(as_set[name])}
    doubtful = {name: as_set[name] for name in now if name not in same}
    if doubtful and layer.isValid():
        again = fresh_texts(layer, doubtful)
        same |= {name for name in doubtful if now[name] == digest(again[name])}
    return same
