"""Data-grid and traverse geometry."""
