"""The live panel: drag, and see it bend."""
