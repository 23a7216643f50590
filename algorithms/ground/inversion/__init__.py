"""From readings to layered ground."""
