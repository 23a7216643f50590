"""Triangles between neighbouring readings, for the methods that work on them."""
