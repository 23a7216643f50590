"""Steps of the stage "Bring in"."""
