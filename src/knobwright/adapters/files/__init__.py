"""Leaflets, sheets and results on disk."""
