"""The computing: numpy, scipy, pyproj and shapely only.

Arrays are float64, NaN is "no data". Coordinates are meters in a projected
CRS, depth is meters and positive down, times are UTC. Row 0 of a grid is its
northern row.
"""
