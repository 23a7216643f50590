"""The science of Lynchet: pure NumPy and SciPy, no QGIS, no GDAL."""
