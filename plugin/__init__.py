"""The host side of Lynchet: everything that touches QGIS."""
