"""Keeps what is being typed into a field from being replaced by an answer of the kernel."""

from __future__ import annotations

from ribbonsim.panel.sections.page_widget import PageWidget


class TypedText(PageWidget):
    """Watches the text fields of all panels on the page; nothing of it is seen."""

    _page_file = "typed_text.js"

    def __init__(self) -> None:
        super().__init__()
        self.layout.display = "none"
