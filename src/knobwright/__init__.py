"""Knobwright: from a maker's leaflet to an instrument under the fingers."""

__version__ = "0.1.0"
