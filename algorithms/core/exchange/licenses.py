"""The terms under which a copy may be given away."""

#: Licenses offered, with what they mean.
LICENSES = {
    "personal use only": "For the person who received it. Do not pass it on or publish it.",
    "CC0 1.0": "Creative Commons Zero 1.0: no rights reserved. https://creativecommons.org/publicdomain/zero/1.0/",
    "CC BY 4.0": "Creative Commons Attribution 4.0. https://creativecommons.org/licenses/by/4.0/",
    "CC BY-SA 4.0": "Creative Commons Attribution-ShareAlike 4.0. "
    "https://creativecommons.org/licenses/by-sa/4.0/",
    "CC BY-NC 4.0": "Creative Commons Attribution-NonCommercial 4.0. "
    "https://creativecommons.org/licenses/by-nc/4.0/",
    "ODbL 1.0": "Open Database License 1.0. https://opendatacommons.org/licenses/odbl/1-0/",
}
