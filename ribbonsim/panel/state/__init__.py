"""The panel without widgets."""
