"""The store as a parameter, and the visits chosen from it."""

import re

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingParameterFile,
    QgsProcessingParameterString,
)

from .._i18n import tr
from .._io import params

#: Name of the output by which a model passes the store on, after it was changed.
UPDATED = "UPDATED_DATABASE"


def store_parameter(text):
    """Return the parameter of the store; a file, since a destination would be overwritten."""
    parameter = QgsProcessingParameterFile("DATABASE", tr("Lake database"), extension="gpkg")
    return params.helped(parameter, text)


def store_path(inputs, name="DATABASE"):
    """Return the path of the store, with a warning of the files beside it before it is opened."""
    from .._store import beside

    path = inputs.file(name)
    for note in beside(path):
        inputs.warn(note)
    return path


def store_crs(path, incoming, inputs):
    """Return the CRS of the store, or None where it is yet to be made."""
    from .. import _store as lake_store
    from .._io.layer_crs import require_crs

    if not path.exists():
        return None
    crs = QgsCoordinateReferenceSystem(lake_store.contents(path).crs)
    require_crs(incoming.sourceCrs(), incoming.sourceName())
    if incoming.sourceCrs() != crs:
        inputs.say(
            tr("Layer '{}' ({}) is projected to the CRS of the lake database, {}.").format(
                incoming.sourceName(),
                incoming.sourceCrs().authid() or tr("custom CRS"),
                crs.authid() or tr("custom CRS"),
            )
        )
    return crs


def log_book_parameters(if_empty, advanced=False) -> list:
    """Return the parameters of what a person says of a visit for the log-book."""

    def text(name, label, words):
        parameter = QgsProcessingParameterString(name, label, optional=True)
        return params.helped(parameter, f"{words} {if_empty}", advanced)

    return [
        text("OWNER", tr("Owner"), tr("For the log-book: whose soundings these are.")),
        text("SOUNDER", tr("Sounder"), tr("For the log-book: sounder and transducer.")),
        params.number(
            "BEAM_WIDTH",
            tr("Beam width (degrees)"),
            None,
            f"{tr('For the log-book: beam width of the transducer.')} {if_empty}",
            minimum=0.1,
            maximum=180.0,
            optional=True,
            advanced=advanced,
        ),
        text("REMARK", tr("Remark"), tr("For the log-book: what else is worth knowing.")),
    ]


def facts_given(inputs, files=()):
    """Return what a person says of a visit by :func:`log_book_parameters`."""
    from ..core.visits.log_book import VisitFacts, file_names

    def text(name):
        return " ".join(inputs.text(name).split()) or None

    return VisitFacts(
        files=file_names(files),
        owner=text("OWNER"),
        sounder=text("SOUNDER"),
        beam_deg=inputs.number("BEAM_WIDTH"),
        remark=text("REMARK"),
    )


def visit_names(text, present=(), or_commas=False) -> list:
    """Return the names of visits in a text, separated by semicolons, which is what helps say.

    Parameters
    ----------
    text : str
        A name that holds a separator stands in quotes ("a; b"), a quote within doubled, unless it
        is one of ``present``.
    present : list of str
        Names that are known: each is recognized whatever it holds, the longest first.
    or_commas : bool
        Whether commas separate where there is no semicolon between names, as once was said.
    """
    if or_commas:
        names = _split(text, ",", present)
        if not any(loose and ";" in name for name, loose in names):
            return [name for name, _ in names]
    return [name for name, _ in _split(text, ";", present)]


def _split(text, sign, present):
    """Return the names, each with whether it is neither in quotes nor known."""
    ends = rf"\s*(?:{sign}|$)"
    known = "|".join(re.escape(n) for n in sorted(present, key=len, reverse=True) if n.strip())
    forms = [
        rf"(?P<quoted>(?P<mark>['\"])(?P<within>(?:(?!(?P=mark)).|(?P=mark){{2}})*)(?P=mark))"
        rf"{ends}",
        rf"(?P<other>[^{sign}]*){ends}",
    ]
    if known:
        forms.insert(0, rf"(?P<known>{known}){ends}")
    pattern = re.compile("|".join(forms), re.DOTALL)
    names, at = [], 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        found = pattern.match(text, at)
        at = found.end()
        groups = found.groupdict()
        if groups.get("known"):
            names.append((groups["known"], False))
        elif groups["quoted"]:
            name = groups["within"].replace(2 * groups["mark"], groups["mark"])
            names.append((name, False))
        elif groups["other"].strip():
            names.append((groups["other"].strip(), True))
    return names
