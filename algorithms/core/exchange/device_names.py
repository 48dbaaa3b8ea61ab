"""Names and symbols that every device can show: short, unique, in plain letters."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from ..errors import LakefloorError, excerpt
from ..progress import Progress, silent, watched

#: Symbols in plain words; the first stands for whatever is not on the list. A device without the
#: symbol of a waypoint shows its own plain one.
SYMBOLS = (
    "Waypoint",
    "Dot",
    "Circle",
    "Square",
    "Triangle",
    "Diamond",
    "Cross",
    "Star",
    "Flag",
    "Buoy",
    "Anchor",
    "Boat Ramp",
    "Dock",
    "Danger",
    "Rock",
    "Weed",
    "Fish",
    "Hump",
    "Hole",
    "Drop-off",
)

#: Letters that have no decomposition into a plain letter and a mark.
_PLAIN = str.maketrans(
    {
        "ß": "ss",
        "ẞ": "SS",
        "æ": "ae",
        "Æ": "AE",
        "œ": "oe",
        "Œ": "OE",
        "ø": "o",
        "Ø": "O",
        "đ": "d",
        "Đ": "D",
        "ð": "d",
        "Ð": "D",
        "þ": "th",
        "Þ": "Th",
        "ł": "l",
        "Ł": "L",
        "ı": "i",
        "ħ": "h",
        "Ħ": "H",
        "’": "'",
        "‘": "'",
        "“": '"',
        "”": '"',
        "–": "-",
        "—": "-",
        "−": "-",
        "×": "x",
    }
)

_FALLBACK = "WPT"

#: Joins and selectors that must not end a cut name.
_JOINERS = "\u200c\u200d\ufe0e\ufe0f"


def plain_text(text: str) -> str:
    """Return text in printable ASCII: marks off the letters, what has no plain form left out.

    References
    ----------
    Unicode Standard Annex 15, Unicode Normalization Forms (NFKD).
    """
    text = unicodedata.normalize("NFKD", text.translate(_PLAIN))
    return tidy("".join(c for c in text if " " <= c <= "~" or c.isspace()))


def tidy(text: str) -> str:
    """Return text without control characters, and with single spaces only."""
    text = re.sub(r"\s+", " ", unicodedata.normalize("NFC", text)).strip()
    if text.isprintable():
        return text
    text = "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cs", "Co", "Cn"))
    return re.sub(" +", " ", text).strip()


def device_names(
    names: Sequence[str],
    endings: Sequence[str] | None = None,
    *,
    length: int = 10,
    plain: bool = True,
    progress: Progress = silent,
) -> list[str]:
    """Return names cut to a length and unique, without regard to case.

    Parameters
    ----------
    names : sequence of str
        An empty name becomes ``WPT``.
    endings : sequence of str, optional
        Text that is kept whole at the end of each name, such as its depth; the name before it is
        cut instead. A name that has it already does not get it twice.
    length : int
        Maximum number of characters, 4 or more.
    plain : bool
        Printable ASCII only; otherwise any letters.
    progress : callable

    Returns
    -------
    list of str
        In the given order. Of equal names the first stays as it is, the others are numbered from
        2; the number stands before the ending and is not cut.

    Raises
    ------
    LakefloorError
        If the length is below 4, an ending leaves no room for a name, or there are more equal
        names than the length can number.

    Examples
    --------
    >>> device_names(["West hump", "West hump"], ["12FT", "9FT"], length=10)
    ['West 12FT', 'West h 9FT']
    """
    if length < 4:
        raise LakefloorError(f"Names of {length} characters are too short. Allow at least 4.")
    clean = plain_text if plain else tidy
    if endings is None:
        endings = [""] * len(names)
    endings = [clean(e) if e else "" for e in watched(endings, progress)]
    taken, numbers, free, out = set(), {}, {}, []
    for name, ending in zip(watched(names, progress), endings):
        stem = clean(name) or _FALLBACK
        ending = f" {ending}" if ending else ""
        if stem.casefold().endswith(ending.casefold()):
            stem = stem[: len(stem) - len(ending)] or _FALLBACK
        if len(ending) > length - 2:
            raise LakefloorError(
                f"'{excerpt(ending)}' leaves no room for a name within {length} characters. Allow "
                "longer names, or leave the depth out of them."
            )
        cut = _cut(stem, length - len(ending))
        key = f"{cut}{ending}".casefold()
        number = numbers.get(key, 1)
        found = f"{cut}{ending}"
        while found.casefold() in taken:
            number += 1
            room = length - len(ending) - len(str(number))
            # With no room left for the name its number is a name.
            if room < 0:
                raise LakefloorError(
                    f"There are more names like '{excerpt(name)}' than {length} characters can "
                    "distinguish. Allow longer names."
                )
            short = _cut(stem, room)
            # Names of other stems that are cut to the same have taken all numbers below.
            same = short.casefold(), ending.casefold(), len(str(number))
            ahead = free.get(same, 2 if number < 10 else 10 ** (len(str(number)) - 1))
            if len(str(max(ahead, number))) > len(str(number)):
                number = ahead - 1
                continue
            if number <= ahead:
                number, free[same] = ahead, ahead + 1
            found = f"{short}{number}{ending}"
        numbers[key] = number
        taken.add(found.casefold())
        out.append(found)
    return out


def _cut(text, length):
    cut = text[:length]
    # A cut between a letter and its mark would leave another letter.
    while (
        cut
        and len(cut) < len(text)
        and (
            unicodedata.combining(text[len(cut)])
            or text[len(cut)] in _JOINERS
            or cut[-1] in _JOINERS
        )
    ):
        cut = cut[:-1]
    return (cut or text[:length]).rstrip()


_BY_LETTERS = {re.sub(r"\W+", "", symbol.casefold()): symbol for symbol in SYMBOLS}


def plain_symbol(text: str, default: str = SYMBOLS[0]) -> str:
    """Return the symbol of :data:`SYMBOLS` that a text names, whatever its case, or the default."""
    return _BY_LETTERS.get(re.sub(r"[\W_]+", "", text.casefold()), default)
