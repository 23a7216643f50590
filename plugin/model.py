"""A ready-made model of the provider."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsProcessingModelAlgorithm

from .step import icon
from .tr import tr

TITLES = {
    "correctreadings": "Correct readings (ready-made model)",
    "tabletomap": "Logger table to anomaly map (ready-made model)",
}


class ReadyModel(QgsProcessingModelAlgorithm):
    """A model file under the provider, with a stable id and a title for people."""

    @classmethod
    def load(cls, path: Path) -> ReadyModel:
        """Read a model file.

        Raises
        ------
        RuntimeError
            If the file is not a model: the plugin is damaged.
        """
        model = cls()
        if not model.fromFile(str(path)):
            raise RuntimeError(f"'{path}' is not a model. Install the plugin again.")
        return model

    def displayName(self):
        return tr(TITLES.get(self.name(), self.name()))

    def icon(self):
        return icon()
