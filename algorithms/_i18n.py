"""Translation of what the user reads."""

from qgis.PyQt.QtCore import QCoreApplication


def tr(text: str) -> str:
    """Translate a literal, or a class constant marked with QT_TRANSLATE_NOOP."""
    return QCoreApplication.translate("@default", text)
