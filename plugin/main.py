"""The plugin: it brings the provider and takes it away again."""

from __future__ import annotations

from qgis.core import QgsApplication

from .provider import LynchetProvider


class LynchetPlugin:
    """What the host loads."""

    def __init__(self, iface):
        self.iface = iface
        self.provider = None

    def initProcessing(self):
        """Register the provider; the headless runner calls only this."""
        self.provider = LynchetProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)
        # Models name our own steps, which resolve only once the provider is registered.
        self.provider.refreshAlgorithms()

    def initGui(self):
        """Register the provider in the desktop."""
        self.initProcessing()

    def unload(self):
        """Take the provider away."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
