"""The store as a parameter, and the visits chosen from it."""

from qgis.core import QgsProcessingParameterFile

from .. import _params as params
from .._i18n import tr

#: Name of the output by which a model passes the store on, after it was changed.
UPDATED = "UPDATED_STORE"


def store_parameter(text):
    """Return the parameter of the store; a file, since a destination would be overwritten."""
    parameter = QgsProcessingParameterFile("STORE", tr("The lake's store"), extension="gpkg")
    return params.helped(parameter, text)


def visit_names(text, or_commas=False) -> list:
    """Return the names of visits in a text, separated by semicolons, or by commas alone."""
    sign = "," if or_commas and ";" not in text else ";"
    return [name.strip() for name in text.split(sign) if name.strip()]
