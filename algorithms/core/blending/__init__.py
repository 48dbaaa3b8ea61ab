"""A survey and an older map as one surface."""
