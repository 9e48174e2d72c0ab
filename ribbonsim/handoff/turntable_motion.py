"""A turntable's motion of the creature, to leave as an animation."""

from __future__ import annotations

from collections.abc import Mapping

from ribbonsim.checks import check_choice, check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.handoff.baking import Motion
from ribbonsim.pose import Pose
from ribbonsim.view.motion import Motion as Kind
from ribbonsim.view.motion import blend, moments


def turntable_motion(
    poses: Mapping[str, Pose],
    motion: Kind = "sequence",
    frames: int = 72,
    fps: float = 24.0,
) -> Motion:
    """Move as :func:`ribbonsim.turntable` does, frame by frame.

    Parameters
    ----------
    poses : mapping of str to Pose
    motion : {"ease", "sequence"}
        From rest into the poses and back to rest; through all poses and back to the first.
    frames : int
        Of one round; the first stands behind the last once more, so that the motion is closed.
    fps : float
        Frames a second.

    Returns
    -------
    Motion
        Named ``turntable``.

    Raises
    ------
    RibbonsimError
        If there is nothing that moves, or a number cannot be used.
    """
    check_choice("motion", motion, ("ease", "sequence"))
    check_number("frames", frames, 2, 100_000, whole=True)
    held = list(poses.values())
    if motion == "ease":
        held = [Pose(), *held]
    if len(held) < 2:
        raise RibbonsimError("a sequence needs two poses or more: name more, or let it ease")
    path = [
        blend(held[moment.before], held[moment.after], moment.share)
        for moment in moments(motion, len(held), int(frames))
    ]
    return Motion.sequence("turntable", [*path, path[0]], fps)
