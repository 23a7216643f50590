"""Steps of the stage "Grid"."""
