"""Steps of the stage "Correct"."""
