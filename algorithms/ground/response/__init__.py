"""The field of coil pairs over layered ground."""
