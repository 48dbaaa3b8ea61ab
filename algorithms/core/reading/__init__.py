"""The log readers: files and tables in, soundings out."""
