"""Control points of a site grid: fit, and what may be wrong with them."""
