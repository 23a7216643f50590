"""Translation of what the user reads."""

from qgis.PyQt.QtCore import QCoreApplication


def tr(text: str) -> str:
    """Return the text in the user's language."""
    return QCoreApplication.translate("Lynchet", text)
