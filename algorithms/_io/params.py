"""One wording, one default and one unit for each parameter that several algorithms share."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterDistance,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProperty,
    QgsUnitTypes,
)

from .._help import with_meanings
from .._i18n import tr
from .typed_names import typed

INPUT = "INPUT"
OUTPUT = "OUTPUT"
SHORELINE = "SHORELINE"
CELL_SIZE = "CELL_SIZE"
MAX_GAP = "MAX_GAP"
LANE_SPACING = "LANE_SPACING"


def helped(parameter, text: str, advanced: bool = False):
    """Return the parameter with its help, moved to the advanced ones if asked."""
    parameter.setHelp(text)
    return folded(parameter) if advanced else parameter


def folded(parameter):
    """Return the parameter, or output, moved to the folded part of the form."""
    parameter.setFlags(parameter.flags() | QgsProcessingParameterDefinition.Flag.FlagAdvanced)
    return parameter


def number(
    name,
    label,
    default,
    text,
    minimum=None,
    maximum=None,
    optional=False,
    advanced=False,
    integer=False,
):
    """Return a number parameter; the label names the unit."""
    kind = QgsProcessingParameterNumber.Type
    parameter = QgsProcessingParameterNumber(
        name, label, kind.Integer if integer else kind.Double, default, optional
    )
    if minimum is not None:
        parameter.setMinimum(minimum)
    if maximum is not None:
        parameter.setMaximum(maximum)
    return helped(parameter, text, advanced)


def distance(name, label, default, text, optional=False, advanced=False, minimum=0.0):
    """Return a distance parameter in meters; the form shows it in the user's unit.

    One that is declared as advanced is a plain number, and stays one.
    """
    if advanced:
        return number(name, label, default, text, minimum, None, optional, advanced)
    parameter = QgsProcessingParameterDistance(name, label, default, optional=optional)
    parameter.setDefaultUnit(QgsUnitTypes.DistanceUnit.DistanceMeters)
    parameter.setMinimum(minimum)
    return helped(parameter, text)


#: Values that stood for a choice in versions before -> the words that do now. They are accepted
#: for ever: scripts and models that people saved keep running.
FORMER_VALUES = {
    "ft": "feet", "m": "meters", "us-ft": "US survey feet", "fathom": "fathoms",
    "cm": "centimeters", "in": "inches", "kmh": "km/h", "ms": "m/s", "C": "Celsius",
    "F": "Fahrenheit", "stated": "as stated",
}  # fmt: skip
#: In a parameter's metadata, its own former values.
_FORMER = "former_values"


def choice(name, label, options, default: str, text, advanced=False, former=None):
    """Return a drop-down of words, which are also the values that scripts and models give.

    Parameters
    ----------
    options : iterable of str, or dict of str to str
        The words, in order; a dict has what each means, which is added to the help.
    former : dict of str to str, optional
        Values of earlier versions -> the words that stand for them now.
    """
    parameter = QgsProcessingParameterEnum(
        name, label, options=list(options), defaultValue=default, usesStaticStrings=True
    )
    known = {**FORMER_VALUES, **(former or {})}
    parameter.setMetadata(
        {_FORMER: {old: new for old, new in known.items() if new in options and old not in options}}
    )
    if isinstance(options, dict):
        text = with_meanings(text, options)
    return helped(parameter, text, advanced)


def is_list_of_files(definition) -> bool:
    """Tell whether a parameter takes files that are no layers, which QGIS would try to open."""
    return (
        isinstance(definition, QgsProcessingParameterMultipleLayers)
        and definition.layerType() == QgsProcessing.SourceType.TypeFile
    )


def with_current_values(algorithm, parameters: dict, context) -> dict:
    """Return parameters in which values of earlier versions are exchanged for those of now.

    File names that a person typed have their folder. The word that an expression gives is put in
    its place, so that it is checked as one that is given: for a word that it does not know QGIS takes
    the default, and says nothing.
    """
    current = {**parameters, **typed(algorithm, parameters, context)}
    for definition in algorithm.parameterDefinitions():
        value = parameters.get(definition.name())
        if value is None or not isinstance(definition, QgsProcessingParameterEnum):
            continue
        if isinstance(value, QgsProperty):
            value, _ = value.value(context.expressionContext())
        former = (definition.metadata() or {}).get(_FORMER) or {}
        current[definition.name()] = former.get(value, value) if isinstance(value, str) else value
    return current


def soundings(name=INPUT, optional=False):
    """Return the soundings layer parameter."""
    return helped(
        QgsProcessingParameterFeatureSource(
            name, tr("Soundings"), [QgsProcessing.SourceType.TypeVectorPoint], optional=optional
        ),
        tr(
            "Soundings as written by Read logs: depth_m is in meters, positive down. Only "
            "soundings with the status 'accepted' are used for mapping."
        ),
    )


def soundings_output(label):
    """Return the output for soundings, which goes to a file even if it is a temporary one.

    QGIS keeps other temporary layers in memory, where it takes several times as long to write and
    to read them from Python as in a GeoPackage; "memory:" asks for that all the same.
    """
    parameter = QgsProcessingParameterFeatureSink(
        OUTPUT, label, QgsProcessing.SourceType.TypeVectorPoint
    )
    parameter.setSupportsNonFileBasedOutput(False)
    return parameter


def shoreline(optional=True):
    """Return the shoreline polygon parameter."""
    return helped(
        QgsProcessingParameterFeatureSource(
            SHORELINE,
            tr("Shoreline"),
            [QgsProcessing.SourceType.TypeVectorPolygon],
            optional=optional,
        ),
        tr(
            "Polygon of the lake at the datum, with islands as holes. The depth is zero at its "
            "edge, and nothing is drawn outside it."
        )
        + (
            " " + tr("If empty, the map ends at the search distance from the soundings.")
            if optional
            else ""
        ),
    )


def surface(name=INPUT, label=None, optional=False):
    """Return the depth raster parameter."""
    return helped(
        QgsProcessingParameterRasterLayer(name, label or tr("Depth surface"), optional=optional),
        tr(
            "Raster whose band 1 is depth in meters, positive down. In a Lakefloor surface, band 2 "
            "is the standard uncertainty."
        )
        + (" " + tr("It may be empty.") if optional else ""),
    )


def cell_size():
    """Return the optional cell size parameter."""
    return distance(
        CELL_SIZE,
        tr("Cell size (m)"),
        None,
        tr("Side of a raster cell. If empty, it follows from the lane spacing."),
        optional=True,
    )


def max_gap():
    """Return the optional search distance parameter."""
    return distance(
        MAX_GAP,
        tr("Search distance (m)"),
        None,
        tr(
            "Nothing is drawn farther than this from a sounding. If empty, it follows from the "
            "lane spacing."
        ),
        optional=True,
    )


def lane_spacing():
    """Return the optional lane spacing parameter."""
    return distance(
        LANE_SPACING,
        tr("Lane spacing (m)"),
        None,
        tr(
            "Distance between neighboring lanes. If empty, it is estimated from the soundings. "
            "Cell size and search distance follow from it if they are empty."
        ),
        optional=True,
        advanced=True,
    )


def beam_width(text, advanced=False):
    """Return the optional beam width parameter."""
    return number(
        "BEAM_WIDTH",
        tr("Beam width (degrees)"),
        None,
        text,
        minimum=0.0,
        maximum=89.0,
        optional=True,
        advanced=advanced,
    )


def depth_unit(label=None, text=None, name="UNIT"):
    """Return the choice of the unit in which people read depths."""
    return choice(
        name,
        label or tr("Depth unit"),
        ["feet", "meters"],
        "feet",
        text or tr("Depths on the map and in labels are in this unit."),
    )


def time_zone(name, label, text=None):
    """Return the time zone of times that state none; :func:`zone_given` reads it."""
    zones = tr(
        "For times that do not state one: UTC, an offset such as UTC-05:00, or an IANA "
        "name such as America/Chicago."
    )
    return helped(
        QgsProcessingParameterString(name, label, "UTC"), f"{zones} {text}" if text else zones
    )


def week_rollovers():
    """Return the number of spans of 1,024 GPS weeks to add to times."""
    return number(
        "WEEK_ROLLOVERS",
        tr("GPS week roll-overs to add"),
        0,
        tr(
            "Each adds 1,024 weeks to all times. Use 1 where an older GPS receiver dates its logs "
            "19.6 years too early."
        ),
        minimum=-2,
        maximum=2,
        advanced=True,
        integer=True,
        optional=True,
    )
