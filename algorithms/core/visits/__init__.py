"""Many visits to one lake: crossings, levels, the store's content, change of the bottom."""
