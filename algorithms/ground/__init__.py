"""Electromagnetic induction over the ground."""
