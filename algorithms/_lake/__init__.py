"""The lake as a folder: what is known of it, where its files are, its runs and its steps."""
