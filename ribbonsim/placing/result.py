"""What a search found: the floor, even and suggested layouts by number of controls, and words."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.settings import Drive
from ribbonsim.placing.asked import Asked
from ribbonsim.placing.judge import Measured, PoseMiss
from ribbonsim.rig.rig import Method, Rig


@dataclass(frozen=True)
class FloorFigures:
    """What even an exact ribbon does to the skin in one pose.

    Parameters
    ----------
    folds : int
        Triangles turned over.
    squeeze, stretch : float
        Smallest and largest stretch of a triangle.
    volume : float
        Posed over rest.
    """

    folds: int
    squeeze: float
    stretch: float
    volume: float


@dataclass(frozen=True, eq=False)
class Placed:
    """One layout, as it was measured.

    Parameters
    ----------
    layout : Layout
    skin_error : float
        Of the worst pose times its weight: root mean square distance from the skin that rides
        the asked shape exactly, as a share of the body length.
    shape_error : float
        Of the worst pose: of the midline from the asked one, as a share of the length.
    misses : mapping of str to PoseMiss
        By pose.
    ribbon : str
        The ribbon that ``stations``, ``controls`` and ``reach`` are of.
    measured : Measured
        The rig in the poses.
    broken : tuple of str or None
        Limits that it breaks and an exact ribbon does not, in sentences; None if nobody looked.
    """

    layout: Layout
    skin_error: float
    shape_error: float
    misses: Mapping[str, PoseMiss]
    ribbon: str
    measured: Measured
    broken: tuple[str, ...] | None = None

    @property
    def stations(self) -> Array:
        """(N,) places of the stations, shares of the length."""
        own = self.layout.ribbons[self.ribbon]
        return own.station_shares

    @property
    def controls(self) -> Array:
        """(K,) places of the controls, shares of the length."""
        own = self.layout.ribbons[self.ribbon]
        return own.control_shares

    @property
    def reach(self) -> float:
        """Reach of the controls."""
        return float(np.mean([c.reach for c in self.layout.ribbons[self.ribbon].controls]))

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers and words, fit for JSON.

        Returns
        -------
        dict
        """
        return {
            "skin_error": self.skin_error,
            "shape_error": self.shape_error,
            "stations": self.stations.tolist(),
            "controls": self.controls.tolist(),
            "reach": self.reach,
            "drive": self.layout.drive,
            "poses": {
                name: {"skin_error": one.skin, "shape_error": one.shape, "kink": one.kink}
                for name, one in self.misses.items()
            },
            "broken": None if self.broken is None else list(self.broken),
        }


@dataclass(frozen=True, eq=False)
class Suggestion:
    """What a search found; made by :func:`ribbonsim.suggest`.

    Parameters
    ----------
    rig : Rig
        What was searched for: its layout is the one the search began with.
    asked : tuple of Asked
        Poses with their weights.
    method : {"linear", "dual_quaternion"}
    within : float or None
        The skin error that is wanted, per cent of the body length.
    floor : mapping of str to FloorFigures
        By pose.
    even, suggested : mapping of int to Placed
        By number of controls.
    recommended : int
        The number of controls to take.
    limit : float
        Skin error of a layout with a control at every other one of 33 stations: about what
        controls and stations without end would reach.
    bends : tuple of two arrays
        Places, shares of the length, and how sharply the poses bend there beside their
        sharpest bends, 0 to 1.
    knots : tuple of float
        Places where knots were added, shares of the length.
    sentences : tuple of str
        The outcome in words, the most important first.
    other_drive : (str, float or None) or None
        The drive that the recommended layout does not have, and the least skin error of as many
        controls under it, None if they cannot do the poses; None before the search has ended.
    """

    rig: Rig
    asked: tuple[Asked, ...]
    method: Method
    within: float | None
    floor: Mapping[str, FloorFigures]
    even: Mapping[int, Placed]
    suggested: Mapping[int, Placed]
    recommended: int
    limit: float
    bends: tuple[Array, Array]
    knots: tuple[float, ...] = ()
    sentences: tuple[str, ...] = ()
    other_drive: tuple[Drive, float | None] | None = None

    @property
    def best(self) -> Placed:
        """The recommended layout."""
        return self.suggested[self.recommended]

    @property
    def layout(self) -> Layout:
        """The recommended layout itself."""
        return self.best.layout

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of controls for which there is a layout, rising."""
        return tuple(sorted(self.suggested))

    @property
    def holds(self) -> bool:
        """Whether the recommended layout is as close as was wanted."""
        return self.within is None or 100.0 * self.best.skin_error <= self.within

    def save(
        self, path: str | os.PathLike[str], controls: int | None = None, force: bool = False
    ) -> None:
        """Write a layout file.

        Parameters
        ----------
        path : path
        controls : int, optional
            The number of controls; the recommended one if left out.
        force : bool
            Replace a file that is there.

        Raises
        ------
        RibbonsimError
            If there is no layout of so many controls, or the file cannot be written.
        """
        number = self.recommended if controls is None else controls
        if number not in self.suggested:
            raise RibbonsimError(
                f"there is no layout of {number} controls: choose from "
                f"{', '.join(map(str, self.numbers))}"
            )
        self.suggested[number].layout.save(path, force=force)

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers and words, fit for JSON.

        Returns
        -------
        dict
        """
        return {
            "mesh": self.rig.mesh.name,
            "method": self.method,
            "drive": self.layout.drive,
            "other_drive": None
            if self.other_drive is None
            else dict(zip(("drive", "skin_error"), self.other_drive, strict=True)),
            "poses": {
                one.name: {"amount": one.wish.amount, "weight": one.weight} for one in self.asked
            },
            "within": self.within,
            "floor": {name: dict(vars(one)) for name, one in self.floor.items()},
            "even": {str(k): placed.to_dict() for k, placed in self.even.items()},
            "suggested": {str(k): placed.to_dict() for k, placed in self.suggested.items()},
            "recommended": str(self.recommended),
            "limit": self.limit,
            "knots": list(self.knots),
            "sentences": list(self.sentences),
        }
