"""Outline and measure anomalies."""
