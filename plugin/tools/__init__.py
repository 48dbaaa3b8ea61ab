"""Tools on the map, which work on the lake that the panel holds."""
