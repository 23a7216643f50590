"""Lynchet: ground-conductivity survey of buried sites, from the logger's file to the report."""


def classFactory(iface):
    """Return the plugin, as the host asks for it."""
    from .plugin.main import LynchetPlugin

    return LynchetPlugin(iface)
