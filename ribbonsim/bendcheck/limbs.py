"""Limbs that bend with the body since no appendage of the layout holds them."""

from __future__ import annotations

from functools import cached_property

from ribbonsim.arrays import Ints
from ribbonsim.body.plane import find_plane
from ribbonsim.body.propose import Proposal, find_appendages
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.layout import Layout
from ribbonsim.rig.mirror import pair_appendages
from ribbonsim.rig.rig import Rig

# share of some vertices on limbs from which on these are to blame
_BLAMED = 0.3


class LooseLimbs:
    """The limbs of a mesh whose layout has no appendages."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    @cached_property
    def _found(self) -> list[Proposal]:
        rig = self._rig
        if rig.layout.appendages:
            return []
        try:
            return list(
                find_appendages(rig.mesh, rig.layout.ribbon, up=rig.layout.up, places=rig.places)
            )
        except RibbonsimError:
            return []

    def to_blame(self, vertices: Ints) -> bool:
        """Whether many of some vertices are on such limbs."""
        on = {int(v) for one in self._found for v in one.vertices}
        return sum(int(v) in on for v in vertices) >= max(_BLAMED * len(vertices), 1)

    @property
    def names(self) -> str:
        """Of all of them, as they stand in sentences."""
        names = [one.name for one in self._found]
        return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)

    def as_appendages(self) -> Layout | None:
        """The layout with appendages of all of them; None if that cannot be."""
        layout = self._rig.layout
        try:
            for one in self._found:
                layout = layout.with_appendage(one.appendage())
            plane = find_plane(self._rig.mesh, layout.ribbon)
            return layout if plane is None else pair_appendages(layout, plane)[0]
        except RibbonsimError:
            return None
