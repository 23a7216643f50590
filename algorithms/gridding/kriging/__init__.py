"""The parts of kriging: variograms and how they are found, neighbourhoods, systems of equations."""
