"""Distance marks: which is which, and which are wrong."""
