"""Poses: what the sliders of the controls say."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace

import numpy as np

from ribbonsim.checks import check_number, check_pose_name
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.fields import within

FACTORS = (1e-3, 1e3)
# what can be reckoned with: a thousand turns or so; as far as vertices may be
MOST_DEGREES, MOST_SHIFT = 360_000.0, 1e18


@dataclass(frozen=True)
class ControlPose:
    """What one control does, in its own frame.

    Parameters
    ----------
    bend : float
        Degrees about the across axis, by the right-hand rule.
    sway : float
        Degrees about the normal axis. Carried in a chain that shares drive, bend and sway are
        one turn, about an axis between the two; elsewhere bend turns first.
    twist : float
        Degrees about the along axis, the body's own length; several turns are several turns.
    shift : (float, float, float)
        Along, across and normal, scene units.
    stretch : float
        Factor along, 0.001 to 1000.
    girth : float
        Factor across, 0.001 to 1000.
    """

    bend: float = 0.0
    sway: float = 0.0
    twist: float = 0.0
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    stretch: float = within(*FACTORS, 1.0)
    girth: float = within(*FACTORS, 1.0)

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
        for key in ("bend", "sway", "twist"):
            check_number(key, getattr(self, key), -MOST_DEGREES, MOST_DEGREES)
        for value in shift:
            check_number("shift", value, -MOST_SHIFT, MOST_SHIFT)
        for key in ("stretch", "girth"):
            if not FACTORS[0] <= getattr(self, key) <= FACTORS[1]:
                raise RibbonsimError(
                    f"{key} = {getattr(self, key)!r} cannot be used: give a factor, 0.001 to 1000"
                )
        object.__setattr__(self, "shift", shift)


QUANTITIES = tuple(f.name for f in fields(ControlPose))
_REST = ControlPose()


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
        return self.controls.get(name, _REST)

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

    def relabelled(self, labels: Mapping[str, str]) -> Pose:
        """Return the pose with other names of controls, new ones by old; the rest stay.

        Parameters
        ----------
        labels : mapping of str to str

        Returns
        -------
        Pose
        """
        controls = {labels.get(name, name): value for name, value in self.controls.items()}
        return Pose(controls, self.keep_volume)

    def only(self, names: Container[str]) -> Pose:
        """Return the pose without controls of other names.

        Parameters
        ----------
        names : container of str

        Returns
        -------
        Pose
        """
        kept = {name: value for name, value in self.controls.items() if name in names}
        return Pose(kept, self.keep_volume)

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
        return Pose(scaled, self.keep_volume)

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


def check_kept_poses(poses: Mapping[str, Pose], controls: Sequence[str]) -> None:
    """Check that kept poses have names and move controls that there are."""
    for name, pose in poses.items():
        check_pose_name(name)
        for control in pose.controls:
            if control not in controls:
                raise RibbonsimError(
                    f"the kept pose {name!r} moves {control!r}, which is not there: "
                    f"choose from {', '.join(controls)}"
                )
