"""Placing: the layout that bends a creature as asked with the fewest controls."""
