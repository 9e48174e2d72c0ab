"""Splines, moving frames, the ribbon surface."""
