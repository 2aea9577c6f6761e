"""From a leaflet to a draft sheet with its questions."""
