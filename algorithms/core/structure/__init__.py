"""What is read out of the bottom."""
