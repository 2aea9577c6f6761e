"""What must be sent before a song is begun in its middle: ``core.timing.chase``."""

from __future__ import annotations

from knobwright.core.timing.chase import Chase

__all__ = ["Chase"]
