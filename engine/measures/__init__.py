"""Calculations from readings: one module per subject, all listed in `engine.measures.catalogue`."""
