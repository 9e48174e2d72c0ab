"""Poses: what the sliders say, and what frames the controls take for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.frames import ACROSS, ALONG, NORMAL, axis_rotation, invert_rigid

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ControlPose:
    """What one control does, in its own frame.

    Parameters
    ----------
    bend, sway, twist : float
        Degrees about the across, normal and along axis, by the right-hand rule. Bend turns
        first, then sway; twist turns the body about its own length. Several turns of twist
        are several turns.
    shift : (float, float, float)
        Along, across and normal, scene units.
    stretch : float
        Factor along, above 0.
    girth : float
        Factor across, above 0.
    """

    bend: float = 0.0
    sway: float = 0.0
    twist: float = 0.0
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    stretch: float = 1.0
    girth: float = 1.0

    def __post_init__(self) -> None:
        try:
            shift = tuple(float(value) for value in self.shift)
            numbers = [float(getattr(self, f.name)) for f in fields(self) if f.name != "shift"]
        except (TypeError, ValueError) as error:
            raise RibbonsimError(f"{self!r} has a value that is not a number") from error
        if len(shift) != 3:
            raise RibbonsimError(f"shift = {self.shift!r} cannot be used: give three numbers")
        if not np.isfinite([*numbers, *shift]).all():
            raise RibbonsimError(f"{self!r} has a value that is not finite: give finite numbers")
        for key in ("stretch", "girth"):
            if not 1e-3 <= getattr(self, key) <= 1e3:
                raise RibbonsimError(
                    f"{key} = {getattr(self, key)!r} cannot be used: give a factor, 0.001 to 1000"
                )
        object.__setattr__(self, "shift", shift)


QUANTITIES = tuple(f.name for f in fields(ControlPose))


@dataclass(frozen=True, init=False)
class Pose:
    """A pose: values of controls by name; controls not named are at rest.

    Parameters
    ----------
    controls : mapping of str to mapping or ControlPose
        For each control ``bend``, ``sway``, ``twist`` (degrees), ``shift`` (three lengths in
        scene units), ``stretch``, ``girth`` (factors).
    keep_volume : float
        1 lets the girth answer stretch so that volume holds, 0 leaves it alone.

    Raises
    ------
    RibbonsimError
        If a quantity is unknown or a value cannot be used.

    Examples
    --------
    >>> Pose({"control3": {"bend": 40, "twist": 15}})["control3"].bend
    40
    """

    controls: dict[str, ControlPose]
    keep_volume: float

    def __init__(
        self,
        controls: Mapping[str, Mapping[str, object] | ControlPose] | None = None,
        keep_volume: float = 1.0,
    ) -> None:
        check_number("keep_volume", keep_volume, 0.0, 1.0)
        read = {str(name): _read_control(str(name), v) for name, v in (controls or {}).items()}
        object.__setattr__(self, "controls", read)
        object.__setattr__(self, "keep_volume", float(keep_volume))

    def __getitem__(self, name: str) -> ControlPose:
        """Values of a control; those of rest if it is not named."""
        return self.controls.get(name, ControlPose())

    def with_control(self, name: str, control: ControlPose) -> Pose:
        """Return the pose with one control's values replaced.

        Parameters
        ----------
        name : str
        control : ControlPose

        Returns
        -------
        Pose
        """
        return Pose({**self.controls, name: control}, self.keep_volume)

    def scaled(self, amount: float) -> Pose:
        """Return a share of the pose: 0 is rest, 1 the pose itself.

        Parameters
        ----------
        amount : float
            Angles and shifts are multiplied by it, factors raised to its power.

        Returns
        -------
        Pose
        """
        scaled = {
            name: ControlPose(
                bend=amount * c.bend,
                sway=amount * c.sway,
                twist=amount * c.twist,
                shift=(amount * c.shift[0], amount * c.shift[1], amount * c.shift[2]),
                stretch=c.stretch**amount,
                girth=c.girth**amount,
            )
            for name, c in self.controls.items()
        }
        return replace_controls(self, scaled)

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers, fit for TOML or JSON.

        Returns
        -------
        dict
            ``keep_volume`` and ``controls``; ``Pose(**d)`` makes the pose again.
        """
        return {
            "controls": {name: asdict(control) for name, control in self.controls.items()},
            "keep_volume": self.keep_volume,
        }


def replace_controls(pose: Pose, controls: Mapping[str, ControlPose]) -> Pose:
    """Return a pose with all its controls replaced and the rest kept.

    Parameters
    ----------
    pose : Pose
    controls : mapping of str to ControlPose

    Returns
    -------
    Pose
    """
    return Pose(controls, pose.keep_volume)


def _read_control(name: str, values: Mapping[str, object] | ControlPose) -> ControlPose:
    if isinstance(values, ControlPose):
        return values
    if not isinstance(values, Mapping):
        raise RibbonsimError(f"the pose of {name!r} is {values!r}: give quantities with values")
    unknown = [key for key in values if key not in QUANTITIES]
    if unknown:
        raise RibbonsimError(
            f"{name!r} has no quantity {unknown[0]!r}: choose from {', '.join(QUANTITIES)}"
        )
    return replace(ControlPose(), **values)  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class ControlFrames:
    """Where controls stand in a pose.

    Parameters
    ----------
    frames : (K, 4, 4) array
        Posed frames, all of the twist in them.
    twists : (K,) array
        Turn of each frame about the body's own length, in degrees and not folded into one
        turn: what is left against a neighbour when bending is taken away, summed up from the
        control that carries the others.
    stretches, girths : (K,) array
        Factors.
    """

    frames: Array
    twists: Array
    stretches: Array
    girths: Array

    @property
    def untwisted(self) -> Array:
        """(K, 4, 4) frames with the twist taken out."""
        return self.frames @ axis_rotation(ALONG, -self.twists)


def control_frames(
    rest: Array, carry_order: Sequence[tuple[int, int | None]], values: Sequence[ControlPose]
) -> ControlFrames:
    """Frames of controls in a pose.

    A carried control keeps its place in its carrier's frame, farther off by the mean of the
    two stretches, and then moves by its own values: forward kinematics. Twist is carried as
    an angle: from a twisted control on the body turns about its own length, and its midline
    stays where it is. Only the twist of a control that nobody carries rolls what it carries.

    Parameters
    ----------
    rest : (K, 4, 4) array
        Rest frames.
    carry_order : sequence of (index, carrier index or None)
        Carriers first.
    values : (K,) sequence of ControlPose

    Returns
    -------
    ControlFrames
    """
    swings, turns = _own_motions(values)
    stretches = np.array([value.stretch for value in values])
    between = _between(rest, carry_order, stretches)
    untwisted = np.empty_like(rest)
    twists = np.array([value.twist for value in values])
    free = [i for i, carrier in carry_order if carrier is None]
    for i, carrier in carry_order:
        if carrier is None:
            untwisted[i] = rest[i] @ swings[i] @ turns[i]
            continue
        untwisted[i] = untwisted[carrier] @ between[i] @ swings[i]
        if carrier not in free:
            twists[i] += twists[carrier]
    reference = min(free, key=lambda i: abs(twists[i]))
    twists[free] -= twists[reference]
    held = np.where(np.isin(np.arange(len(rest)), free), 0.0, twists)
    frames = untwisted @ axis_rotation(ALONG, held)
    girths = np.array([value.girth for value in values])
    told = _along_body(rest, frames, twists, reference)
    return ControlFrames(frames, told, stretches, girths)


def _along_body(rest: Array, frames: Array, turns: Array, reference: int) -> Array:
    """Turn of each frame about the body's length; ``turns`` only say in which full turn.

    From the reference outwards each frame is compared with where its neighbour, its twist
    taken out, would carry it; the rotation between is split into a swing and a twist about
    the along axis. So a rigid motion of all frames holds no twist, whatever the sliders call
    it.
    """
    twists = np.zeros(len(rest))
    untwisted = frames.copy()
    between = invert_rigid(rest[:-1]) @ rest[1:]
    steps = [(i, i - 1, between[i - 1]) for i in range(reference + 1, len(rest))]
    steps += [(i, i + 1, invert_rigid(between[i])) for i in range(reference - 1, -1, -1)]
    for i, neighbour, step in steps:
        told = untwisted[neighbour] @ step
        apart = told[:3, :3].T @ frames[i, :3, :3]
        # the turn about the along axis that a swing square to it leaves
        sine, cosine = apart[2, 1] - apart[1, 2], apart[1, 1] + apart[2, 2]
        folded = float(np.degrees(np.arctan2(sine, cosine)))
        # at exactly half a turn either side will do: keep the one that the sliders are nearer to
        twists[i] = folded + 360.0 * np.round((turns[i] - folded) / 360.0 * (1.0 - 1e-9))
        untwisted[i] = frames[i] @ axis_rotation(ALONG, -twists[i])
    return twists


def values_for(
    rest: Array,
    carry_order: Sequence[tuple[int, int | None]],
    wanted: ControlFrames,
) -> list[ControlPose]:
    """Values that put controls on wanted frames: the inverse of :func:`control_frames`.

    Parameters
    ----------
    rest : (K, 4, 4) array
    carry_order : sequence of (index, carrier index or None)
    wanted : ControlFrames

    Returns
    -------
    (K,) list of ControlPose
    """
    values: list[ControlPose] = [ControlPose()] * len(rest)
    free = [i for i, carrier in carry_order if carrier is None]
    untwisted, held = wanted.frames.copy(), np.zeros(len(rest))
    between = _between(rest, carry_order, wanted.stretches)
    for i, carrier in carry_order:
        start = rest[i] if carrier is None else untwisted[carrier] @ between[i]
        own = invert_rigid(start) @ wanted.frames[i]
        turns = wanted.twists[i] - (0.0 if carrier is None else wanted.twists[free[0]])
        sway, bend, twist = _split_rotation(own[:3, :3], turns)
        if carrier is not None:
            held[i] = twist
            untwisted[i] = wanted.frames[i] @ axis_rotation(ALONG, -twist)
        values[i] = ControlPose(
            bend=bend,
            sway=sway,
            twist=twist - (0.0 if carrier is None else float(held[carrier])),
            shift=(float(own[0, 3]), float(own[1, 3]), float(own[2, 3])),
            stretch=float(wanted.stretches[i]),
            girth=float(wanted.girths[i]),
        )
    return values


def _between(rest: Array, carry_order: Sequence[tuple[int, int | None]], stretches: Array) -> Array:
    """Each control in its carrier's frame, farther off by the mean of the two stretches."""
    carriers = np.arange(len(rest))
    for i, carrier in carry_order:
        carriers[i] = i if carrier is None else carrier
    between = invert_rigid(rest[carriers]) @ rest
    between[:, :3, 3] *= 0.5 * (stretches + stretches[carriers])[:, None]
    return between


def _own_motions(values: Sequence[ControlPose]) -> tuple[Array, Array]:
    """What each control does in its own frame: shift and swing, and its twist."""
    table = np.array([(value.sway, value.bend, value.twist, *value.shift) for value in values])
    swings = axis_rotation(NORMAL, table[:, 0]) @ axis_rotation(ACROSS, table[:, 1])
    swings[:, :3, 3] = table[:, 3:]
    return swings, axis_rotation(ALONG, table[:, 2])


def _split_rotation(rotation: Array, wanted: float) -> tuple[float, float, float]:
    """Sway, bend and twist in degrees, of all that give a rotation with twist nearest to wanted."""
    bend = np.arctan2(-rotation[2, 0], np.hypot(rotation[0, 0], rotation[1, 0]))
    if np.hypot(rotation[0, 0], rotation[1, 0]) > 1e-9:
        sway = np.arctan2(rotation[1, 0], rotation[0, 0])
        twist = np.arctan2(rotation[2, 1], rotation[2, 2])
    else:  # straight up or down the normal: sway and twist are one, call it sway
        sway = np.arctan2(-rotation[0, 1], rotation[1, 1])
        twist = 0.0
    best = (np.inf, 0.0, 0.0, 0.0)
    for s, b, t in ((sway, bend, twist), (sway + np.pi, np.pi - bend, twist + np.pi)):
        turned = np.degrees(t) + 360.0 * np.round((wanted - np.degrees(t)) / 360.0)
        away = abs(turned - wanted) + 1e-9 * abs(b)
        best = min(best, (away, _half_turn(s), _half_turn(b), float(turned)))
    return best[1:]


def _half_turn(radians: float) -> float:
    """Degrees from -180 to 180."""
    return float((np.degrees(radians) + 180.0) % 360.0 - 180.0)
