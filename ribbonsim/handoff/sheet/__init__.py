"""The build sheet."""
