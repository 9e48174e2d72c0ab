"""The rig as it is built by hand from common parts, to say what it leaves out.

Every package can do this much: each control is a joint, the ribbon's control points are
blended linearly between the controls by their weights, ribbon joints ride the surface, and the
mesh is blended linearly between the ribbon joints. What it cannot do is blend rotations as
rotations and carry twist as an angle, so it differs from :meth:`ribbonsim.Rig.deform`; here it
is computed, so that the difference is a number. Controls stand where the rig has them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.chains import JointPose
from ribbonsim.frames import make_frames
from ribbonsim.layout import BODY, Layout
from ribbonsim.pose import ControlFrames, Pose
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig
from ribbonsim.weights import surface_weights

Array = NDArray[np.float64]


def control_places(rig: Rig, pose: Pose, ribbon: str = BODY) -> Array:
    """Where the controls of a ribbon stand in a pose, stretch and girth in them.

    Parameters
    ----------
    rig : Rig
    pose : Pose
    ribbon : str

    Returns
    -------
    (K, 4, 4) array
        Columns along (as long as the stretch), across and normal (as the girth), origin.
    """
    return _scaled(rig.control_frames(pose, ribbon))


def _scaled(controls: ControlFrames) -> Array:
    frames = controls.frames.copy()
    frames[:, :3, 0] *= controls.stretches[:, None]
    frames[:, :3, 1:3] *= controls.girths[:, None, None]
    return frames


def _blended(layout: Layout, controls: ControlFrames) -> Ribbon:
    rest = layout.ribbon.frames(layout.control_places)
    motions = _scaled(controls) @ np.linalg.inv(rest)
    blend = np.einsum("nk,kij->nij", surface_weights(layout), motions)
    points = np.einsum("nij,nuj->nui", blend[:, :3, :3], layout.ribbon.control_points)
    return Ribbon(points + blend[:, None, :3, 3], layout.ribbon.knots)


def plain_joints(rig: Rig, pose: Pose) -> JointPose:
    """Ribbon joints that ride the plain ribbons.

    Each stretches by how much the ribbon does, and thins by one over the square root of that,
    so that volume holds.

    Parameters
    ----------
    rig : Rig
    pose : Pose

    Returns
    -------
    JointPose
    """
    parts = [
        _riding(layout, rig.control_frames(pose, name), pose.keep_volume)
        for name, layout in rig.layout.ribbons.items()
    ]
    return JointPose(
        np.concatenate([part.rigid for part in parts]),
        np.concatenate([part.scales for part in parts]),
        np.concatenate([part.stretch for part in parts]),
        np.concatenate([part.girth for part in parts]),
    )


def _riding(layout: Layout, controls: ControlFrames, keep_volume: float) -> JointPose:
    t, rest, posed = layout.stations, layout.ribbon, _blended(layout, controls)
    before, slope = rest.midline(t, 1), posed.midline(t, 1)
    across = posed.evaluate(1.0, t) - posed.evaluate(0.0, t)
    frames, start = make_frames(slope, across, posed.midline(t)), rest.frames(t)
    back = np.linalg.inv(start)
    stretch = np.linalg.norm(slope, axis=1) / np.linalg.norm(before, axis=1)
    girth = rest.basis(t) @ (surface_weights(layout) @ controls.girths)
    girth = girth * stretch ** (-0.5 * keep_volume)
    factors = np.zeros((len(t), 4, 4))
    factors[:, 0, 0], factors[:, 3, 3] = stretch, 1.0
    factors[:, 1, 1] = factors[:, 2, 2] = girth
    return JointPose(frames @ back, start @ factors @ back, stretch, girth)


def plain_deform(rig: Rig, pose: Pose) -> Array:
    """Pose the mesh as the rig that was built by hand does.

    Parameters
    ----------
    rig : Rig
    pose : Pose

    Returns
    -------
    (V, 3) array
        Scene units.
    """
    return np.asarray(rig.skin_joints(plain_joints(rig, pose), "linear"))
