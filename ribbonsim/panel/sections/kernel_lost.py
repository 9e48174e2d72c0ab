"""What a panel says on the page once its kernel was restarted or has ended."""

from __future__ import annotations

from functools import cache
from importlib import resources

import anywidget
import traitlets


@cache
def _script() -> str:
    return resources.files("ribbonsim.panel").joinpath("kernel_lost.js").read_text("utf-8")


class KernelLost(anywidget.AnyWidget):
    """One sentence and a button, shown by the page alone: the kernel that made it is gone."""

    _esm = traitlets.Unicode().tag(sync=True)

    @traitlets.default("_esm")
    def _default_esm(self) -> str:
        return _script()

    def __init__(self) -> None:
        super().__init__()
        self.add_class("rs-lost-view")
