"""Survey lanes, and the next outing."""
