"""Interpolate readings to raster cells and filter rasters."""
