"""How a traverse was walked: direction, way along, turns."""
