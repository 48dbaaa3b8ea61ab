"""Making surfaces, how sure they are, and two of them against each other."""
