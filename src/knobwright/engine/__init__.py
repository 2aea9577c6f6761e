"""Behaviour over time, on interfaces only."""
