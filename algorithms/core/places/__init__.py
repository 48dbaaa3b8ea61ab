"""Places: what is near them, marks in words, candidate spots, places like marks."""
