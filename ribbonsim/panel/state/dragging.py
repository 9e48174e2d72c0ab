"""A control's dot that is dragged in the picture: which bend, sway, twist, shift or stretch."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.rig.rig import Rig

DragKind = Literal["bend", "twist", "shift", "stretch"]

_NUDGE = 1.0  # degrees
_MOST = 180.0
# of the creature's size: a handle that a degree moves less than this does not follow a hand
_HARDLY = 1e-6
_TWIST_A_SIZE, _STRETCH_A_SIZE = 540.0, 2.0
_LEAST_STRETCH, _MOST_STRETCH = 0.25, 3.0
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Grip:
    """A control's dot as it was when it was pressed.

    Parameters
    ----------
    rig : Rig
    pose : Pose
    control : str
    axes : (2, 3) array
        To the picture's right and up.
    """

    rig: Rig
    pose: Pose
    control: str
    axes: Array

    def dragged(self, right: float, up: float, kind: DragKind) -> ControlPose:
        """Values of the control after a drag.

        Parameters
        ----------
        right, up : float
            How far from where it was pressed, at the dot's depth; in parts of the creature's size.
        kind : {"bend", "twist", "shift", "stretch"}
            What the drag does; ``bend`` bends and sways.

        Returns
        -------
        ControlPose
        """
        start = self.pose[self.control]
        if kind == "twist":
            return replace(start, twist=round(start.twist + _TWIST_A_SIZE * right, 1))
        if kind == "stretch":
            factor = start.stretch * float(np.exp(_STRETCH_A_SIZE * up))
            return replace(
                start, stretch=round(float(np.clip(factor, _LEAST_STRETCH, _MOST_STRETCH)), 3)
            )
        moved = np.array([right, up]) @ self.axes * self.rig.mesh.diagonal
        if kind == "shift":
            return self._shifted(start, moved)
        return self._bent(start, np.array([right, up]) * self.rig.mesh.diagonal)

    def station(self, right: float, up: float) -> int:
        """Number of the station on the control's ribbon that its dot was dragged to.

        Parameters
        ----------
        right, up : float
            As for :meth:`dragged`.

        Returns
        -------
        int
            From 1 at the root end.
        """
        name, control = self.rig.layout.control(self.control)
        own = self.rig.layout.ribbons[name]
        seats = self.rig.posed(self.pose).ribbons[name].midline(own.stations) @ self.axes.T
        there = seats[control.station - 1] + np.array([right, up]) * self.rig.mesh.diagonal
        return int(np.argmin(np.linalg.norm(seats - there, axis=1))) + 1

    def _shifted(self, start: ControlPose, moved: Array) -> ControlPose:
        ribbon, _ = self.rig.layout.control(self.control)
        number = self.rig.layout.control_names_of(ribbon).index(self.control)
        frame = self.rig.control_frames(self.pose, ribbon).frames[number]
        along, across, normal = (np.array(start.shift) + moved @ frame[:3, :3]).tolist()
        return replace(start, shift=(along, across, normal))

    def _bent(self, start: ControlPose, wanted: Array) -> ControlPose:
        """Bend and sway that bring the dot under the hand, by Gauss and Newton.

        What moves least, as a control that carries the others, is taken by the dot that its
        bend moves most.
        """
        here = self._seats(start)
        handle = self._handle(start, here)
        value = np.array([start.bend, start.sway])
        for _ in range(_ROUNDS):
            now = self._seats(_with(start, value))
            left = wanted - self.axes @ (now[handle] - here[handle])
            turn = np.column_stack(
                [
                    self.axes @ (self._seats(_with(start, value + step))[handle] - now[handle])
                    for step in _NUDGE * np.eye(2)
                ]
            )
            # damped, as a dot that moves towards the eye cannot follow
            soft = (0.05 * np.linalg.norm(turn)) ** 2 + (1e-9 * self.rig.mesh.diagonal) ** 2
            step = np.linalg.solve(turn.T @ turn + soft * np.eye(2), turn.T @ left)
            size = float(np.abs(step).max())
            value = np.clip(value + step * min(1.0, 25.0 / max(size, 1e-9)), -_MOST, _MOST)
        return _with(start, np.round(value, 1))

    def _handle(self, start: ControlPose, here: Array) -> int:
        names = self.rig.layout.all_control_names
        moved = [
            np.linalg.norm(self._seats(_with(start, np.array(turned))) - here, axis=1)
            for turned in (
                (start.bend + _NUDGE, start.sway),
                (start.bend, start.sway + _NUDGE),
            )
        ]
        far = np.max(moved, axis=0)
        own = names.index(self.control)
        return own if far[own] > _HARDLY * self.rig.mesh.diagonal else int(np.argmax(far))

    def _seats(self, values: ControlPose) -> Array:
        """(A, 3) where all controls' dots stand with other values of this control."""
        pose = Pose({**self.pose.controls, self.control: values}, self.pose.keep_volume)
        ribbons = self.rig.posed(pose).ribbons
        return np.vstack(
            [
                ribbons[name].midline(own.control_places)
                for name, own in self.rig.layout.ribbons.items()
            ]
        )


def _with(start: ControlPose, value: Array) -> ControlPose:
    return replace(start, bend=float(value[0]), sway=float(value[1]))
