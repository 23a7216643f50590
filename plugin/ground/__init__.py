"""Steps of the stage "Ground model"."""
