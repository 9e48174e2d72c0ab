"""Files: they appear whole or not at all, under names that they can have."""
