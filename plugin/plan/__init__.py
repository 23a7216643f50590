"""Steps of the stage "Plan"."""
