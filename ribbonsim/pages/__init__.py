"""Pages in one file."""
