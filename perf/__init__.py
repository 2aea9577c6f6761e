"""Measurements, printed as tables; ratios within one run, never timed tests."""
