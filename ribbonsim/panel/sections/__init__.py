"""The parts of the panel that hold widgets."""
