"""Text files read in pieces: lines, cells and numbers."""
