"""Structure of a depth surface: breaklines, bottom forms, profiles."""
