"""The creature in a browser: what is sent there, and the module that draws it."""
