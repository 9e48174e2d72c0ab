"""The module that draws in a browser, as text."""

from __future__ import annotations

from functools import cache
from importlib import resources

# one ES module in parts of one idea each; read in this order it is what a browser runs
PARTS = (
    "bytes",
    "poses",
    "shaders",
    "card",
    "layout",
    "camera",
    "overlay",
    "drawn",
    "ghost",
    "split",
    "view",
)


@cache
def view_source() -> str:
    """The whole ES module: its parts one after the other, unchanged."""
    folder = resources.files("ribbonsim.inpage").joinpath("creature_view")
    return "".join(folder.joinpath(f"{part}.js").read_text("utf-8") for part in PARTS)
