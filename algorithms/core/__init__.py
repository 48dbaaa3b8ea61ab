"""The computing: numpy, scipy, pyproj and shapely only.

Arrays are float64, NaN is "no data". Coordinates are metres in a projected
CRS, depth is metres and positive down, times are UTC. Row 0 of a grid is its
northern row.
"""
