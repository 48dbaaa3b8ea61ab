"""One wording, one default and one unit for each parameter that several algorithms share."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterDistance,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProperty,
    QgsUnitTypes,
)

from ._compat import is_null
from ._i18n import tr
from ._zones import zone
from .core.units import LENGTH

INPUT = "INPUT"
OUTPUT = "OUTPUT"
SHORELINE = "SHORELINE"
CELL_SIZE = "CELL_SIZE"
MAX_GAP = "MAX_GAP"
LANE_SPACING = "LANE_SPACING"


def helped(parameter, text: str, advanced: bool = False):
    """Return the parameter with its help, moved to the advanced ones if asked."""
    parameter.setHelp(text)
    if advanced:
        parameter.setFlags(
            parameter.flags() | QgsProcessingParameterDefinition.Flag.FlagAdvanced
        )
    return parameter


def number(name, label, default, text, minimum=None, maximum=None, optional=False,
           advanced=False, integer=False):
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
    """Return a distance parameter in metres; the dialog takes it in other units too.

    An advanced one is a plain number: the dialog forgets the unit chosen in a folded group.
    """
    if advanced:
        return number(name, label, default, text, minimum, None, optional, advanced)
    parameter = QgsProcessingParameterDistance(name, label, default, optional=optional)
    parameter.setDefaultUnit(QgsUnitTypes.DistanceUnit.DistanceMeters)
    parameter.setMinimum(minimum)
    return helped(parameter, text)


def choice(name, label, options: dict, default: str, text, advanced=False):
    """Return an enum of stable static strings; ``options`` maps each key to its meaning."""
    meanings = "; ".join(f"{key}: {meaning}" for key, meaning in options.items())
    parameter = QgsProcessingParameterEnum(
        name, label, options=list(options), defaultValue=default, usesStaticStrings=True
    )
    return helped(parameter, f"{text} {meanings}.", advanced)


def soundings(name=INPUT, optional=False):
    """Return the soundings layer parameter."""
    return helped(
        QgsProcessingParameterFeatureSource(
            name, tr("Soundings"), [QgsProcessing.SourceType.TypeVectorPoint], optional=optional
        ),
        tr("Soundings as written by Read logs: depth_m in metres, positive down. Only soundings "
           "whose status is 'accepted' are used for mapping."),
    )


def shoreline(optional=True):
    """Return the shoreline polygon parameter."""
    return helped(
        QgsProcessingParameterFeatureSource(
            SHORELINE, tr("Shoreline"), [QgsProcessing.SourceType.TypeVectorPolygon],
            optional=optional,
        ),
        tr("Polygon of the lake at the datum, islands as holes: zero depth at its edge, "
           "nothing is drawn outside it."),
    )


def surface(name=INPUT, label=None, optional=False):
    """Return the depth raster parameter."""
    return helped(
        QgsProcessingParameterRasterLayer(name, label or tr("Depth surface"), optional=optional),
        tr("Raster whose band 1 is depth in metres, positive down. Where the raster is a Lakefloor "
           "surface, its band 2 gives the standard uncertainty."),
    )


def cell_size():
    """Return the optional cell size parameter."""
    return distance(
        CELL_SIZE, tr("Cell size (m)"), None,
        tr("Side of a raster cell. Left empty, it is taken from the spacing of the lanes."),
        optional=True,
    )


def max_gap():
    """Return the optional maximum gap parameter."""
    return distance(
        MAX_GAP, tr("Maximum gap (m)"), None,
        tr("Nothing is drawn farther than this from a sounding. Left empty, it is taken from the "
           "spacing of the lanes."),
        optional=True,
    )


def lane_spacing():
    """Return the optional lane spacing parameter."""
    return distance(
        LANE_SPACING, tr("Lane spacing (m)"), None,
        tr("Distance between neighboring lanes. If empty, it is estimated from the soundings. "
           "Cell size and maximum gap follow from it where they are empty."),
        optional=True, advanced=True,
    )


def depth_unit(label=None, text=None):
    """Return the choice of the unit in which people read depths."""
    return choice(
        "UNIT", label or tr("Unit of depth on the map"),
        {"ft": tr("feet"), "m": tr("metres")}, "ft",
        text or tr("Unit in which the interval is given and labels are written."),
    )


def time_zone(name, label, text=None):
    """Return the time zone of times that state none; :func:`zone_given` reads it."""
    told = tr("For times that do not state one: UTC, an offset such as UTC-05:00, or an IANA name "
              "such as America/Chicago.")
    return helped(
        QgsProcessingParameterString(name, label, "UTC"), f"{told} {text}" if text else told
    )


def check_zone(algorithm, parameters, name, context):
    """Raise LakefloorError if a time zone is unknown."""
    zone_given(algorithm, parameters, name, context)


def zone_given(algorithm, parameters, name, context):
    """Return a time zone given by name, as tzinfo; raise LakefloorError if it is not known."""
    return zone(algorithm.parameterAsString(parameters, name, context))


def given(algorithm, parameters, name, context) -> bool:
    """Tell whether a parameter has a value; an empty text counts as none."""
    value = parameters.get(name, algorithm.parameterDefinition(name).defaultValue())
    if isinstance(value, QgsProperty):
        value, _ = value.value(context.expressionContext())
    return not is_null(value) and str(value).strip() != ""


def optional_number(algorithm, parameters, name, context):
    """Return a number as float, or None where it was left empty."""
    if not given(algorithm, parameters, name, context):
        return None
    return algorithm.parameterAsDouble(parameters, name, context)


def optional_depth(algorithm, parameters, name, context):
    """Return a number given in the unit of depth, m, or None where it was left empty."""
    value = optional_number(algorithm, parameters, name, context)
    if value is None:
        return None
    return value * LENGTH[algorithm.parameterAsEnumString(parameters, "UNIT", context)]
