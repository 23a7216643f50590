"""Grounds as the user gives them, and what they read."""
