"""What a panel says on the page once its kernel was restarted or has ended."""

from __future__ import annotations

from ribbonsim.panel.sections.page_widget import PageWidget


class KernelLost(PageWidget):
    """One sentence and a button, shown by the page alone: the kernel that made it is gone."""

    _page_file = "kernel_lost.js"

    def __init__(self) -> None:
        super().__init__()
        self.add_class("rs-lost-view")
