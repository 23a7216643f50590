"""The parts of the minimum-curvature method."""
