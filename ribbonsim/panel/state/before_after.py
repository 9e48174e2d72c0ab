"""Before and after: another layout beside the one that stands, in one picture."""

from __future__ import annotations

from dataclasses import dataclass, field

from ribbonsim.bendcheck.findings import Finding
from ribbonsim.layout.layout import Layout
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Take


@dataclass(frozen=True, eq=False)
class BeforeAfter:
    """Another layout, seen in one picture with the one that stands.

    Parameters
    ----------
    other : Rig
    method : {"linear", "dual_quaternion"}
        How its skin is blended.
    is_before : bool
        Whether it was there before; it is what a change that was tried would make otherwise.
    words : str
        All that differs.
    beside : Layout
        What stood beside it when it was asked for.
    finding : Finding or None
        What is judged by it.
    """

    other: Rig
    method: Method
    is_before: bool
    words: str
    beside: Layout
    finding: Finding | None = None
    _takes: dict[Take, Take] = field(default_factory=dict)

    def take_of(self, take: Take) -> Take:
        """A motion of the layout that stands, on the other one."""
        if take not in self._takes:
            self._takes.clear()
            self._takes[take] = take.on(self.other)
        return self._takes[take]
