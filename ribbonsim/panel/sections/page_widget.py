"""Widgets whose side on the page is a script of the panel."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import ClassVar

import anywidget
import traitlets


@cache
def page_script(name: str) -> str:
    """The text of a script of the panel, by its file's name."""
    return resources.files("ribbonsim.panel").joinpath(name).read_text("utf-8")


class PageWidget(anywidget.AnyWidget):
    """A widget that a script of the panel shows; a subclass names the file."""

    _page_file: ClassVar[str]
    _esm = traitlets.Unicode().tag(sync=True)

    @traitlets.default("_esm")
    def _default_esm(self) -> str:
        return page_script(self._page_file)
