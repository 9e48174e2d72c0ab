"""The creature's left and right: the plane between them, and poses of both sides at once."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from ribbonsim.body.plane import SymmetryPlane, find_plane, plane_across
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import ControlPose
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.mirror import mirror_control
from ribbonsim.rig.rig import Rig

BothSides = Literal["off", "alike", "opposite"]


class Sides:
    """The plane that parts left from right, and whether the other side moves too."""

    def __init__(self) -> None:
        self.move: BothSides = "off"
        self.given: tuple[int, float] | None = None
        self._found: tuple[CreatureMesh, SymmetryPlane | None] | None = None

    def plane(self, mesh: CreatureMesh) -> SymmetryPlane:
        """The plane, given or found."""
        if self.given is not None:
            axis, at = self.given
            return plane_across(mesh, np.eye(3)[axis], at)
        if self._found is None or self._found[0] is not mesh:
            self._found = mesh, find_plane(mesh)
        if self._found[1] is None:
            raise RibbonsimError(
                f"{mesh.name} has no plane of symmetry between left and right: "
                "give a plane across x, y or z"
            )
        return self._found[1]

    def give_plane(self, mesh: CreatureMesh, axis: int | None, at: float = 0.0) -> None:
        """Say which plane parts left from right."""
        if axis is not None:
            plane_across(mesh, np.eye(3)[axis], at)
        self.given = None if axis is None else (axis, float(at))

    def set_move(self, mesh: CreatureMesh, move: BothSides) -> None:
        """Choose whether the appendage on the other side moves too."""
        if move != "off":
            self.plane(mesh)
        self.move = move

    def both(self, rig: Rig, values: dict[str, ControlPose]) -> dict[str, ControlPose]:
        """Values of controls, and of those on the other side if they are to move too."""
        whole = dict(values)
        if self.move == "off":
            return whole
        opposite = self.move == "opposite"
        for name, value in values.items():
            ribbon, _ = rig.layout.control(name)
            if ribbon == BODY or rig.layout.appendage(ribbon).partner is None:
                continue
            across, image = mirror_control(
                rig.layout, self.plane(rig.mesh), name, value, opposite=opposite
            )
            whole.setdefault(across, _without_minus_zero(image))
        return whole


def _without_minus_zero(value: ControlPose) -> ControlPose:
    """The same values, a zero that was turned round written as a zero."""
    along, across, normal = (0.0 + shift for shift in value.shift)
    return replace(
        value,
        bend=0.0 + value.bend,
        sway=0.0 + value.sway,
        twist=0.0 + value.twist,
        shift=(along, across, normal),
    )
