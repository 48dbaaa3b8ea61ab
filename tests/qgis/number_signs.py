"""Texts in the numbers of a locale, for tests of sheets, reports and logs.

The oracle is the English text: with its numbers rewritten in the signs of the locale it must be
what is written there.
"""

import html
import re
import subprocess
import unicodedata
from contextlib import contextmanager

from qgis.core import QgsProcessingFeedback
from qgis.PyQt.QtCore import QLocale

#: Locale -> decimal and group sign (CLDR, read in QGIS).
SIGNS = {
    "de_DE": (",", "."),
    "de_CH": (".", "\u2019"),
    "fr_FR": (",", "\u00a0"),
    "en_US": (".", ","),
}

_ENGLISH = re.compile(r"(?<![\w.,])\d+(?:,\d{3})*(?:\.\d+)?(?![\d]|[.,]\d)")


class Recorder(QgsProcessingFeedback):
    def __init__(self):
        super().__init__(False)
        self.messages, self.errors = [], []

    def pushInfo(self, text):
        self.messages.append(text)

    def pushWarning(self, text):
        self.messages.append(text)

    def reportError(self, text, fatalError=False):
        self.errors.append(text)


@contextmanager
def locale(name):
    before = QLocale()
    QLocale.setDefault(QLocale(name))
    try:
        yield
    finally:
        QLocale.setDefault(before)


def in_signs(text, name):
    """Rewrite the numbers of an English text."""
    decimal, group = SIGNS[name]
    signs = str.maketrans({".": decimal, ",": group})
    text = _ENGLISH.sub(lambda number: number.group().translate(signs), text)
    # Labels along curved lines are printed letter by letter.
    return re.sub(r"(?m)^\.$", decimal, text)


def words(text):
    """Return the words, any blank between them, and ligatures apart."""
    text = unicodedata.normalize("NFKC", text.replace("\u2212", "-"))
    return sorted(" ".join(text.split()).split(" "))


def page_text(path):
    done = subprocess.run(["pdftotext", "-raw", str(path), "-"], check=True, capture_output=True)
    return done.stdout.decode("utf-8")


def html_text(path):
    text = re.sub(r"<(style|head).*?</\1>", "", path.read_text(encoding="utf-8"), flags=re.S)
    return html.unescape(re.sub(r"<[^>]*>", " ", text))


def log_text(feedback):
    """Return what the user reads, without QGIS's own lines on parameters and results."""
    lines = [*feedback.messages, *feedback.errors]
    return "\n".join(line for line in lines if not line.startswith(("Results:", "{")))


def assert_same_but_for_signs(said, english, name):
    assert re.search(r"\d\.\d", english), "the test has nothing to look at"
    assert words(said) == words(in_signs(english, name))
