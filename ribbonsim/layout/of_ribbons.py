"""What a layout says of its ribbons and of their controls, by name."""

from __future__ import annotations

from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.layout.of_body import OfBody
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.settings import Control


class OfRibbons(OfBody):
    """Ribbons and controls of a creature, found by their names."""

    appendages: tuple[Appendage, ...]

    @property
    def ribbons(self) -> dict[str, OneRibbon]:
        """Every ribbon of the creature with its stations and controls, ``body`` first."""
        return {BODY: self.body, **{rider.name: rider.layout for rider in self.appendages}}

    @property
    def all_control_names(self) -> tuple[str, ...]:
        """Names of all controls: the body's, then each appendage's with its name in front."""
        return tuple(
            self.control_name(ribbon, control)
            for ribbon, own in self.ribbons.items()
            for control in own.control_names
        )

    def check_names(self) -> None:
        """Check that no two controls have one name."""
        every = self.all_control_names
        for control in every:
            if every.count(control) > 1:
                raise RibbonsimError(f"two controls are called {control!r}: rename one")

    def control_name(self, ribbon: str, control: str) -> str:
        """Name in the whole creature of a ribbon's control.

        Raises
        ------
        RibbonsimError
            If there is no such ribbon.
        """
        return control if ribbon == BODY else self.appendage(ribbon).control_name(control)

    def control_names_of(self, ribbon: str) -> tuple[str, ...]:
        """Names in the whole creature of a ribbon's controls, from root to tip.

        Raises
        ------
        RibbonsimError
            If there is no such ribbon.
        """
        names = self._own(ribbon).control_names
        return tuple(self.control_name(ribbon, control) for control in names)

    def _own(self, ribbon: str) -> OneRibbon:
        return self.body if ribbon == BODY else self.appendage(ribbon).layout

    def appendage(self, name: str) -> Appendage:
        """Find an appendage by its name.

        Raises
        ------
        RibbonsimError
            If there is none of that name.
        """
        for rider in self.appendages:
            if rider.name == name:
                return rider
        there = ", ".join(rider.name for rider in self.appendages) or "none"
        raise RibbonsimError(f"no appendage is called {name!r}: this layout has {there}")

    def index_of_control(self, name: str) -> int:
        """Index of a control among all of them, in the order of :attr:`all_control_names`.

        Raises
        ------
        RibbonsimError
            If there is no such control.
        """
        names = self.all_control_names
        if name not in names:
            raise RibbonsimError(
                f"no control is called {name!r}: this layout has {', '.join(names)}"
            )
        return names.index(name)

    def control(self, name: str) -> tuple[str, Control]:
        """Find a control and the ribbon that it is on.

        Parameters
        ----------
        name : str
            As in :attr:`all_control_names`.

        Returns
        -------
        ribbon : str
        control : Control
            By its own name, without the ribbon's in front.

        Raises
        ------
        RibbonsimError
            If there is no such control.
        """
        every = [(ribbon, own) for ribbon, one in self.ribbons.items() for own in one.controls]
        return every[self.index_of_control(name)]
