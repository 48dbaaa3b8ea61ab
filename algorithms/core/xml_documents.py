"""XML documents of other programs, read without what no such file needs, and our own, written.

References
----------
W3C (2008). Extensible Markup Language (XML) 1.0 (Fifth Edition), 2.2 (characters), 2.11 (ends of
lines), 4.4 (entities).
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from xml.etree import ElementTree
from xml.parsers import expat
from xml.sax.saxutils import XMLGenerator
from xml.sax.xmlreader import AttributesImpl

from .errors import LakefloorError, excerpt
from .number_text import written
from .progress import Progress, silent

#: The text encoding that a document declares.
_ENCODING = re.compile(rb"encoding\s*=\s*[\"']([\w.-]+)")

#: Elements and attributes that a document may have: about 0.9 GB of memory at worst.
_MOST_PARTS = 5_000_000

#: Bytes parsed at a time.
_PIECE = 500_000

#: Everything that XML 1.0 cannot hold (production 2).
_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


# -- reading -----------------------------------------------------------------------------------


def guarded_parser() -> expat.XMLParserType:
    """Return an expat parser that raises LakefloorError at what no exchange file needs.

    That is a declaration of an entity, of which a few that are made of each other fill any
    memory, and a text encoding that is not known or not one of plain text.
    """
    parser = expat.ParserCreate()

    def entity(*_):
        raise LakefloorError(
            "The file declares XML entities, which no exchange file needs. Export it again."
        )

    def declaration(version, encoding, standalone):
        try:
            plain = "<".encode(encoding or "utf-8").strip(b"\0\xff\xfe\xfe") == b"<"
        except (LookupError, ValueError):
            plain = False
        if not plain:
            raise LakefloorError(
                f"The text encoding '{excerpt(encoding)}' is not known. Save the file as UTF-8."
            )

    parser.EntityDeclHandler = entity
    parser.XmlDeclHandler = declaration
    return parser


def parse_document(data: bytes, kind: str, progress: Progress = silent) -> ElementTree.Element:
    """Return the root element of an XML document; ``kind`` names the format in messages.

    Raises
    ------
    LakefloorError
        If it is damaged, too large, in an unknown text encoding, or declares entities of its
        own; the message names the line.

    Examples
    --------
    >>> root = parse_document(b"<gpx><wpt lat='45' lon='-93'/></gpx>", "GPX")
    >>> [local_name(element) for element in root.iter()]
    ['gpx', 'wpt']
    """
    if data.count(b"<") + data.count(b"=") > _MOST_PARTS:
        raise LakefloorError(
            f"The {kind} file has more than {written(_MOST_PARTS, ',')} elements and attributes, "
            "which is too much. Split it, or export only the part that you need."
        )
    _read_prolog(data)
    try:
        parser = ElementTree.XMLParser()
        for start in range(0, len(data), _PIECE):
            progress(start / len(data))
            parser.feed(data[start : start + _PIECE])
        return parser.close()
    except ElementTree.ParseError as error:
        raise LakefloorError(
            f"The {kind} file is damaged ({excerpt(error)}). Export it again."
        ) from error
    except (LookupError, ValueError) as error:
        raise unreadable_encoding(data, kind, error) from error


def unreadable_encoding(data: bytes, kind: str, error: Exception) -> LakefloorError:
    """Return the error of a document whose declared text encoding cannot be read."""
    declared = _ENCODING.search(data[:200])
    name = excerpt(declared[1].decode("ascii", "replace") if declared else str(error))
    return LakefloorError(
        f"The {kind} file cannot be read in its text encoding ({name}). Export it in UTF-8."
    )


class _Prolog(Exception):  # noqa: N818
    """The prolog of a document was read."""


def _read_prolog(data):
    """Read a document up to its first element, and refuse what no exchange file needs."""
    parser = guarded_parser()

    def first(*_):
        raise _Prolog

    parser.StartElementHandler = first
    try:
        parser.Parse(data, True)
    except LakefloorError:
        raise
    except (_Prolog, expat.ExpatError, LookupError, ValueError):
        return  # what is damaged is for the reader to say


def local_name(element: ElementTree.Element) -> str:
    """Return the name of an element without its namespace."""
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def child_text(element: ElementTree.Element, name: str) -> str:
    """Return the text of the first child of a name, whatever its namespace; "" for none."""
    return next(((e.text or "").strip() for e in element if local_name(e) == name), "")


# -- writing -----------------------------------------------------------------------------------


class XmlWriter(XMLGenerator):
    r"""Writes one document in UTF-8.

    Examples
    --------
    >>> out = XmlWriter()
    >>> with out.element("lake", {"depth": "12"}):
    ...     out.text_element("name", "Mud & Reed")
    >>> out.document()
    b'<?xml version="1.0" encoding="UTF-8"?>\n<lake depth="12"><name>Mud &amp; Reed</name></lake>'
    """

    def __init__(self) -> None:
        self._document = io.StringIO()
        super().__init__(self._document, "UTF-8", short_empty_elements=True)
        self.startDocument()

    def characters(self, content: str) -> None:
        """Write text, without what XML cannot hold."""
        first, *others = _NO_XML.sub("", content).split("\r")
        super().characters(first)
        for line in others:
            # A carriage return that is no reference would be read as a line feed.
            self.ignorableWhitespace("&#13;")
            super().characters(line)

    @contextmanager
    def element(self, name: str, attributes: dict[str, str] | None = None) -> Iterator[None]:
        """Write an element with what is written meanwhile."""
        self.startElement(name, AttributesImpl(attributes or {}))
        yield
        self.endElement(name)

    def text_element(self, name: str, text: str, attributes: dict[str, str] | None = None) -> None:
        """Write an element with a text; none where the text is empty."""
        if text:
            self.startElement(name, AttributesImpl(attributes or {}))
            self.characters(text)
            self.endElement(name)

    def empty_element(self, name: str, attributes: dict[str, str]) -> None:
        """Write an element with nothing in it."""
        self.startElement(name, AttributesImpl(attributes))
        self.endElement(name)

    def end_line(self) -> None:
        """End a line of the document."""
        self.ignorableWhitespace("\n")

    def document(self) -> bytes:
        """Return what was written."""
        self.endDocument()
        return self._document.getvalue().encode("utf-8")
