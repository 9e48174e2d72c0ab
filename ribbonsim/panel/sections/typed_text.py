"""Keeps what is being typed into a field from being replaced by an answer of the kernel."""

from __future__ import annotations

from functools import cache
from importlib import resources

import anywidget
import traitlets


@cache
def _script() -> str:
    return resources.files("ribbonsim.panel").joinpath("typed_text.js").read_text("utf-8")


class TypedText(anywidget.AnyWidget):
    """Watches the text fields of all panels on the page; nothing of it is seen."""

    _esm = traitlets.Unicode().tag(sync=True)

    @traitlets.default("_esm")
    def _default_esm(self) -> str:
        return _script()

    def __init__(self) -> None:
        super().__init__()
        self.layout.display = "none"
