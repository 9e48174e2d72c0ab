"""What a layout says of its body's ribbon and changes on it, handed on to that ribbon."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Self

from ribbonsim.arrays import Array
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.one_ribbon import OneRibbon, Spacing
from ribbonsim.layout.settings import Control, ControlWeights, MeshWeights


class OfBody:
    """Values and changes of a body's ribbon."""

    body: OneRibbon

    def with_ribbon(self, name: str, own: OneRibbon) -> Self:
        """Give one ribbon another course, or other stations and controls."""
        raise NotImplementedError

    def with_root(self, root: int | str) -> Self:
        """Let each control be carried by its neighbour nearer to a root control.

        Parameters
        ----------
        root : int or str
            The control's number counted from 1 at the root end, or its name.
        """
        return self.with_ribbon(BODY, self.body.with_root(root))

    def alone(self) -> Self:
        """Let each control stand alone."""
        return self.with_ribbon(BODY, self.body.alone())

    def with_control(
        self, name: str, station: int | None = None, reach: float | None = None
    ) -> Self:
        """Move a control along the body or change its reach.

        Parameters
        ----------
        name : str
        station : int, optional
            Where it stands from now on.
        reach : float, optional
            In multiples of the distance to its neighbours.
        """
        return self.with_ribbon(BODY, self.body.with_control(name, station, reach))

    def with_added(self, station: int, name: str | None = None) -> Self:
        """Add a control; in a chain of carriers it takes its seat in the chain.

        Parameters
        ----------
        station : int
            Number of its station, from 1 at the root end.
        name : str, optional
            The next free of control1, control2, ... if left out.
        """
        return self.with_ribbon(BODY, self.body.with_added(station, name))

    def without_control(self, name: str) -> Self:
        """Remove a control, from kept poses too; those it carried go to its own carrier."""
        return self.with_ribbon(BODY, self.body.without_control(name))

    def with_stations(self, stations: int | Sequence[float], spacing: Spacing = "spans") -> Self:
        """Place the stations anew; controls and ties go to those nearest to where they stood.

        Parameters
        ----------
        stations : int or sequence of float
            How many, or the places ``t`` themselves.
        spacing : {"spans", "length"}
            As in :meth:`from_ribbon`.
        """
        return self.with_ribbon(BODY, self.body.with_stations(stations, spacing))

    @property
    def ribbon(self) -> Ribbon:
        """The body's ribbon."""
        return self.body.ribbon

    @property
    def stations(self) -> Array:
        """(N,) places ``t`` of the body's stations."""
        return self.body.stations

    @property
    def controls(self) -> tuple[Control, ...]:
        """The body's controls, from root to tip."""
        return self.body.controls

    @property
    def control_weights(self) -> ControlWeights:
        """How the body's controls share its ribbon."""
        return self.body.control_weights

    @property
    def mesh_weights(self) -> MeshWeights:
        """How the body's ribbon joints share the mesh."""
        return self.body.mesh_weights

    @property
    def chain_root(self) -> str | None:
        """The body's control that carries all others, neighbour by neighbour; None if none."""
        return self.body.chain_root

    @property
    def control_names(self) -> tuple[str, ...]:
        """Names of the body's controls, from root to tip."""
        return self.body.control_names

    @property
    def control_places(self) -> Array:
        """(K,) places ``t`` of the body's controls."""
        return self.body.control_places

    def control_index(self, name: str) -> int:
        """Index of a control of the body, from 0 at the root end.

        Raises
        ------
        RibbonsimError
            If there is no such control.
        """
        return self.body.control_index(name)

    def carry_order(self) -> list[tuple[int, int | None]]:
        """Indices of the body's controls with their carriers', each carrier first."""
        return self.body.carry_order()
