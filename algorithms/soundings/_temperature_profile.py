"""A table of water temperature by depth, as an input of what corrects depths."""

from __future__ import annotations

import numpy as np
from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSource

from .._i18n import tr
from .._io import params
from .._io.values import as_numbers
from ..core.errors import LakefloorError, excerpt
from ..core.number_text import written
from ..core.soundings import distinct
from ..core.units import LENGTH, fahrenheit_to_celsius

_PROFILE = "TEMPERATURE_PROFILE"


def temperature_profile():
    """Yield the parameters of an optional table of temperature by depth."""
    yield params.helped(
        QgsProcessingParameterFeatureSource(
            _PROFILE,
            tr("Temperature profile"),
            [QgsProcessing.SourceType.TypeVector],
            optional=True,
        ),
        tr(
            "Table with the fields depth and temperature, and visit if a profile is for one visit "
            "only. Depths count from the surface of the lake. If empty, the water is taken to be as "
            "warm as the surface."
        ),
        advanced=True,
    )
    yield params.choice(
        "PROFILE_DEPTH_UNIT",
        tr("Depth unit of the profile"),
        ["feet", "meters"],
        "feet",
        tr("Unit of the field depth of the temperature profile."),
        advanced=True,
    )
    yield params.choice(
        "PROFILE_TEMPERATURE_UNIT",
        tr("Temperature unit of the profile"),
        ["Fahrenheit", "Celsius"],
        "Fahrenheit",
        tr("Unit of the field temperature of the temperature profile."),
        advanced=True,
    )


def refuse_two_waters(inputs):
    """Raise LakefloorError if a profile is given beside one temperature or speed for all."""
    if inputs.given(_PROFILE) and any(
        inputs.given(name) for name in ("WATER_TEMPERATURE", "ACTUAL_SOUND_SPEED")
    ):
        raise LakefloorError(
            tr(
                "A temperature profile is given, and a water temperature or a sound speed too. Give "
                "one of them."
            )
        )


def read_profiles(inputs, soundings) -> dict:
    """Return the profile of each visit that has one, and that of all others by the name ''.

    Raises
    ------
    LakefloorError
        If the table lacks a field or a row cannot be right; it says which.
    """
    from ..core.correcting.water_column import TemperatureProfile

    layer = inputs.source(_PROFILE)
    if layer is None:
        return {}
    table, columns = layer.sourceName(), inputs.table(_PROFILE)
    depth, temperature = (_field(table, columns, word) for word in ("depth", "temp"))
    visit = next((name for name in columns if name.lower() == "visit"), None)
    down = np.array(as_numbers(layer, depth, columns[depth])) * _feet_or_meters(inputs)
    warmth = np.array(as_numbers(layer, temperature, columns[temperature]))
    if inputs.choice("PROFILE_TEMPERATURE_UNIT") == "Fahrenheit":
        warmth = fahrenheit_to_celsius(warmth)
    names = columns[visit] if visit else [None] * len(down)
    names = np.array(["" if name is None else str(name).strip() for name in names], dtype=object)
    profiles = {}
    for name in dict.fromkeys(names):
        rows = names == name
        try:
            profiles[name] = TemperatureProfile.of(down[rows], warmth[rows])
        except LakefloorError as error:
            whose = tr(", visit '{}'").format(excerpt(name)) if name else ""
            raise LakefloorError(
                tr("Table '{}'{} of temperatures: {}").format(table, whose, error)
            ) from error
        _say(inputs, name, profiles[name])
    known = {str(name) for name in distinct(soundings.visit)[0]}
    strangers = [name for name in profiles if name and name not in known]
    if strangers:
        inputs.warn(
            tr("The temperature profile names visits that the soundings do not have: {}.").format(
                ", ".join(f"'{excerpt(name)}'" for name in strangers)
            )
        )
    return profiles


def _feet_or_meters(inputs) -> float:
    return LENGTH[inputs.unit("PROFILE_DEPTH_UNIT")]


def _field(table, columns, word) -> str:
    found = next((name for name in columns if name.lower().startswith(word)), None)
    if found is None:
        raise LakefloorError(
            tr(
                "Table '{}' has no field whose name begins with '{}'. Name its fields depth and "
                "temperature."
            ).format(table, word)
        )
    return found


def _say(inputs, name, profile):
    whose = tr("visit '{}'").format(excerpt(name)) if name else tr("all other visits")
    inputs.say(
        tr("Temperature profile for {}: {} °C at {} m to {} °C at {} m").format(
            whose,
            written(profile.temperature[0], ".1f"),
            written(profile.depth[0], ".1f"),
            written(profile.temperature[-1], ".1f"),
            written(profile.depth[-1], ".1f"),
        )
    )
