"""Coverage, noise and repeatability statistics."""
