"""Steps of the stage "Deliver"."""
