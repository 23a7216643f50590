"""Parse tables and place readings."""
