"""Play, pause and a slider over a loop, whose clock runs in the browser."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from typing import Any

import traitlets

from ribbonsim.panel.sections.page_widget import PageWidget

# what happened, and the share of the loop, 0 to 1, at which it did
Hears = Callable[[str, float], object]


class Player(PageWidget):
    """A clock over a loop; it goes on while the kernel works.

    The kernel sets what the loop is, and hears by messages what was done: ``play``, ``pause``,
    ``seek``, ``frame`` (only while :attr:`asks`) or else now and then ``at``, where it is, and
    ``fresh`` from a page that was opened anew.
    """

    _page_file = "player.js"
    name = traitlets.Unicode().tag(sync=True)  # by which the page finds the clock again
    seconds = traitlets.Float(2.0).tag(sync=True)
    count = traitlets.Int(48).tag(sync=True)  # frames that the kernel knows
    # share, words, whether it is a worst moment
    marks: traitlets.List[list[object]] = traitlets.List().tag(sync=True)
    asks = traitlets.Bool(True).tag(sync=True)  # whether the kernel draws each frame
    ready = traitlets.Bool(True).tag(sync=True)  # whether there is a loop to play

    def __init__(self, hears: Hears) -> None:
        super().__init__(name=uuid.uuid4().hex)
        self._hears = hears
        self.moving = False
        self.on_msg(self._hear)

    def go(self, share: float) -> None:
        """Stand at a share of the loop, and go on from there if it plays."""
        self.send({"kind": "go", "share": share})

    def stop(self) -> None:
        """Play no more, and stay where the clock is."""
        self.moving = False
        self.send({"kind": "stop"})

    def tell(self, seconds: float, count: int, marks: Sequence[tuple[float, str, bool]]) -> None:
        """Show another loop: its marks are seconds, words, and whether it is a worst moment."""
        shown = [[at / seconds, f"{what} at {at:.2f} s", worst] for at, what, worst in marks]
        with self.hold_sync():
            self.seconds, self.count, self.marks = seconds, count, shown

    def _hear(self, _: Any, told: dict[str, Any], __: list[bytes]) -> None:
        kind = str(told.get("kind"))
        self.moving = {"play": True, "pause": False, "fresh": False}.get(kind, self.moving)
        self._hears(kind, float(told.get("share", 0.0)))
        self.send({"kind": "done"})
