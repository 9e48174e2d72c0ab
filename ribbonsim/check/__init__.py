"""Measures of how the skin bends."""
