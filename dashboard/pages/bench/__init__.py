"""Bench: a session from the choice of a meter to its calibration record."""
