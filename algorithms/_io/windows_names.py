"""What Windows takes as the name of a file.

After "Naming Files, Paths, and Namespaces" (https://learn.microsoft.com/windows/win32/fileio/
naming-a-file). What follows a colon would be written where no folder shows it, and what goes to a
file with the name of a device is lost.
"""

import os
import re
from pathlib import Path

from .._i18n import tr
from ..core.errors import LakefloorError

__all__ = ["FORBIDDEN", "RESERVED", "check_name", "is_name_for_windows"]

_ON_WINDOWS = os.name == "nt"

#: What Windows does not take in a file name.
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
#: Names of its devices, with the superscript digits that it counts among the others.
RESERVED = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|com[0-9\u00b9\u00b2\u00b3]|lpt[0-9\u00b9\u00b2\u00b3])"
    r"\s*(\.|$)",
    re.IGNORECASE,
)


def is_name_for_windows(name: str) -> bool:
    """Tell whether Windows makes a file of this name, without its folder.

    Examples
    --------
    >>> is_name_for_windows("Lake North.pdf"), is_name_for_windows("Lake: North.pdf")
    (True, False)
    >>> is_name_for_windows("aux.pdf"), is_name_for_windows("auxiliary.pdf")
    (False, True)
    """
    return not (FORBIDDEN.search(name) or RESERVED.match(name))


def check_name(path: Path):
    """Refuse a name that Windows does not take, on Windows.

    Raises
    ------
    LakefloorError
    """
    if _ON_WINDOWS and not is_name_for_windows(path.name):
        raise LakefloorError(
            tr(
                "Windows cannot name a file '{}'. Choose a name without < > : \" / \\ | ? * that is not "
                "the name of a device, such as AUX."
            ).format(path.name)
        )
