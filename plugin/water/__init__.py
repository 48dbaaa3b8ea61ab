"""On the water: what records an outing, and shows it."""
