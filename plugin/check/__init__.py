"""Steps of the stage "Check"."""
