"""What people read: plain words, one for each concept, short labels, helps and sentences."""

import ast
import re
from pathlib import Path

import pytest
from qgis.core import QgsProcessingParameterDefinition, QgsProcessingParameterEnum

from lakefloor.algorithms import algorithm_classes

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted(
    path for folder in ("algorithms", "plugin") for path in (ROOT / folder).rglob("*.py")
)

#: What to avoid (a pattern) -> what to write.
AVOID = {
    r"told|tells?": "say, show, give",
    r"mend(s|ed|ing)?": "fix, correct",
    "anew|afresh": "again",
    "bears?|bore": "has, carries",
    "whoever|whomever": "you, people",
    "reckon(s|ed|ing)?": "computed",
    "hence|thereby|whence|wherein|lest|amiss|yonder": "plain words",
    "survey days?": "visit",
    "crossing lines?|lines? across": "cross-line",
    r"levell(ed|ing|er)|leveled|leveling": "adjusted, visit offset",
    "water levels?": "lake level",
    "level bottom": "flat bottom",
    "held visits?": "reference visit",
    "lake's store|(the|a|this|that|each|both|other|new|of) stores?": "lake database",
    "instruments?'?s?": "sounder",
    "boat's unit": "GPS device, chartplotter",
    "real (sound )?speed": "actual sound speed",
    "misfits?": "difference, error",
    "blunders?|false depths?": "outlier, spike",
    "hollows?": "hole, depression",
    "break-lines?": "breakline",
    "draw-downs?": "drawdown",
    "general map|old map": "older map",
    "units? of (the )?(depth|map|report)": "depth unit",
    "unit in which": "In feet or meters",
    "paper": "page size, sheet",
    "greatest|fewest": "maximum, minimum",
    r"(?<!at )least(?! squares)": "minimum, shallowest",
    r"(smallest|largest|lowest|highest|fewest|most) [a-z]+(?= \()": "minimum, maximum",
    "left empty|leave empty": "If empty, ...",
    "(kilo|centi|milli)?metres?": "meters",
    "colours?|neighbours?|neighbouring|licences?|centres?|centred|grey": "US spelling",
    "behaviours?|favours?|labelled|labelling|modelled|modelling|catalogues?": "US spelling",
    "artefacts?|per cent": "US spelling",
    r"\w*(digit|organ|recogn|summar|normal|general)is(e|ed|es|ing)": "US spelling",
    r"\w*(optim|minim|maxim|initial)is(e|ed|es|ing)": "US spelling",
    "geo-referenced": "georeferenced",
}
#: Values that files hold since the first version, and keep.
STORED = {"against neighbours", "among false depths", "water level of "}

PATTERNS = {
    re.compile(rf"(?<![\w/'.-])(?:{word})(?![\w-])", re.IGNORECASE): better
    for word, better in AVOID.items()
}
PLAIN_SIGNS = {re.compile(r"\d %"): "95%, without a space", re.compile(r"\bm[23]\b"): "m², m³"}


def texts_of(path):
    """Return line and text of what a file may show: no docstrings, names, SQL, markup or styles."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef))
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
            tags = text.count(",") > 2 and ", " not in text
            shown = " " in text.strip() and id(node) not in docstrings and not tags
            code = re.search(
                r"\b(SELECT|CREATE|INSERT|UPDATE|DELETE|PRAGMA)\b|[{;]\s*[a-z-]+:|"
                r"^\s*<[a-z!?]|^[a-z_]+\(",
                text,
            )
            if shown and not code and text not in STORED:
                yield node.lineno, text


def words_to_avoid(text):
    found = {
        match.group(): better
        for pattern, better in {**PATTERNS, **PLAIN_SIGNS}.items()
        for match in pattern.finditer(text)
    }
    return [f"{word!r} -> {better}" for word, better in found.items()]


def long_sentences(text, limit=25):
    plain = re.sub(r"<[^>]+>", " ", text)
    sentences = re.split(r"(?<=[.!?])\s+|\n", plain)
    return [s for s in sentences if len(re.findall(r"[^\W\d_][\w'-]*", s)) > limit]


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_texts_use_the_words_of_the_project(path):
    wrong = [
        f"{path.name}:{line}: {fault}: {text[:70]!r}"
        for line, text in texts_of(path)
        for fault in words_to_avoid(text)
    ]
    assert not wrong, "\n" + "\n".join(wrong)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_sentences_are_short(path):
    wrong = [
        f"{path.name}:{line}: {sentence}"
        for line, text in texts_of(path)
        for sentence in long_sentences(text)
        if sentence[:1].isupper()
    ]
    chained = [
        f"{path.name}:{line}: {text}"
        for line, text in texts_of(path)
        if re.search(r"\w;[^.]*\w;[^.]*\w;", re.sub(r"&\w+;", "", text))
    ]
    assert not wrong + chained, "\n" + "\n".join(wrong + chained)


def _shown(algorithm):
    yield algorithm.title()
    # A paragraph or an item of a list ends a sentence.
    yield re.sub(r"<[^>]+>", "\n", algorithm.shortHelpString())
    for definition in algorithm.parameterDefinitions():
        yield definition.description()
        yield definition.help()
    for output in algorithm.outputDefinitions():
        yield output.description()


@pytest.mark.parametrize("name", [cls.NAME for cls in algorithm_classes()])
def test_labels_and_helps_of_an_algorithm(name, provider):
    _check(provider.algorithm(name))


def test_labels_and_helps_of_models(provider):
    names = {cls.NAME for cls in algorithm_classes()}
    for model in provider.algorithms():
        if model.name() not in names:
            _check(model)


def _check(algorithm):
    wrong = [
        f"{fault}: {text[:70]!r}" for text in _shown(algorithm) for fault in words_to_avoid(text)
    ]
    wrong += [
        f"too long: {sentence}" for text in _shown(algorithm) for sentence in long_sentences(text)
    ]
    labels = {d.name(): d.description() for d in algorithm.parameterDefinitions()}
    labels.update({o.name(): o.description() for o in algorithm.outputDefinitions()})
    for key, label in labels.items():
        if len(label) > 35:
            wrong.append(f"{key}: label of {len(label)} characters, at most 35: {label!r}")
        if not (label[:1].isupper() or label[:1].isdigit()):
            wrong.append(f"{key}: label does not begin with a capital: {label!r}")
        if re.search(r"\w [A-Z][a-z]+ [A-Z][a-z]", label):
            wrong.append(f"{key}: sentence case: {label!r}")
    words = len(re.sub(r"<p><i>.*?</i></p>|<[^>]+>", " ", algorithm.shortHelpString()).split())
    if words > 120:
        wrong.append(f"help of {words} words, at most 120")
    for definition in algorithm.parameterDefinitions():
        optional = definition.flags() & QgsProcessingParameterDefinition.Flag.FlagOptional
        says_empty = re.search(r"\bempty\b", definition.help())
        if (
            optional
            and not definition.isDestination()
            and definition.defaultValue() is None
            and not says_empty
        ):
            wrong.append(f"{definition.name()}: optional, but its help has no 'If empty, ...'")
        if isinstance(definition, QgsProcessingParameterEnum):
            wrong += [
                f"{definition.name()}: a code, not a word: {value!r}"
                for value in definition.options()
                if re.search(r"_|^[a-z]{1,2}$|^[A-Z]$", value) and value not in ("kn",)
            ]
    assert not wrong, "\n" + "\n".join(wrong)
