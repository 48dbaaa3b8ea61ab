"""Translation of what the user reads, and the signs of its numbers."""

from functools import wraps

try:
    from qgis.PyQt.QtCore import QCoreApplication, QLocale
except ImportError:  # a notebook may use what needs no QGIS
    QCoreApplication = QLocale = None

from .core.number_text import ENGLISH, Numbers, phrase, written_with

#: What stands between thousands: where a font lacks the narrow blank, a box would be printed.
_GROUPS = {"\u202f": "\u00a0", "\u2009": "\u00a0", " ": "\u00a0"}


class _Template(str):
    """A text with places for values, which are written with the signs of the reader."""

    __slots__ = ()

    def format(self, *values, **named) -> str:
        return phrase(self, *values, **named)


def tr(text: str) -> str:
    """Translate a literal, or a class constant marked with QT_TRANSLATE_NOOP.

    The numbers that ``tr(text).format(...)`` fills in have the signs of the user's locale.
    """
    translated = text if QCoreApplication is None else QCoreApplication.translate("@default", text)
    # Qt takes a str of a class of its own for an object of Python's, so only where it is needed.
    return _Template(translated) if "{" in translated else translated


def local_numbers() -> Numbers:
    """Return the signs of the user's locale, as QGIS has set it.

    Where that writes other digits than 0 to 9, its signs do not go with ours, and numbers are
    written as in English. QGIS's scale bars group thousands whatever its option for digit
    grouping says, and so does this.
    """
    locale = QLocale()
    decimal, group = str(locale.decimalPoint()), str(locale.groupSeparator())
    if str(locale.zeroDigit()) != "0" or decimal not in (".", ",") or group == decimal:
        return ENGLISH
    return Numbers(decimal, _GROUPS.get(group, group))


def in_local_numbers(method):
    """Let a method write its texts with the numbers of the user's locale."""

    @wraps(method)
    def localized(*args, **options):
        with written_with(local_numbers()):
            return method(*args, **options)

    return localized
