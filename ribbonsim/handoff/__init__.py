"""The chosen layout leaves in open formats."""
