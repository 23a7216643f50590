"""Steps of the stage "Interpret"."""
