"""Pictures of a posed creature without marks: the stage, the skin's colours, smooth edges."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.arrays import Array, Bytes
from ribbonsim.bendcheck.measures import Measures
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.panel.work.heat import measures_shown, weights_shown
from ribbonsim.panel.work.marks import scale_patch
from ribbonsim.panel.work.subject import MEASURED, Subject
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.rig import Rig
from ribbonsim.view.look import Scale
from ribbonsim.view.scene import Stage
from ribbonsim.view.stripes import twist_stripes

# six shifts within a pixel, no two in one row or column
_NUDGES = tuple(
    ((column - 2.5) / 6.0, (row - 2.5) / 6.0) for column, row in enumerate((1, 4, 0, 3, 5, 2))
)
# of larger pictures the pixels are small: three of the shifts serve
_FEW, _LARGE = (_NUDGES[0], _NUDGES[2], _NUDGES[4]), 2_000_000
_PLAIN, FINE_QUALITY = 85, 93


@dataclass(frozen=True, eq=False)
class Painted:
    """A picture without marks, and what was posed for it."""

    picture: Bytes
    positions: NDArray[np.float32]
    joints: JointPose
    ribbons: Mapping[str, Ribbon]
    measures: Measures | None
    scale: Scale | None


class Painter:
    """Paints subjects on one stage, on the drawing thread.

    Parameters
    ----------
    owner : object
        Whoever has another picture drawn by :data:`PICTURES` stops a fine one.
    """

    def __init__(self, owner: object) -> None:
        self._owner = owner
        self.stage: Stage | None = None
        self._room: tuple[int, int] = (0, 0)
        self._buffers: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None

    def drop(self) -> None:
        """Free the drawing context."""
        if self.stage is not None:
            self.stage.close()
            self.stage = self._buffers = None

    def stage_for(self, mesh: CreatureMesh, most: Canvas, canvas: Canvas) -> Stage:
        """The stage with a mesh, ready for pictures on a canvas.

        Parameters
        ----------
        most : Canvas
            Of the pictures at rest: the stage is made for these.
        """
        if self.stage is not None and self.stage.mesh is not mesh:
            self.drop()
        if self.stage is None:
            self.stage, self._room = Stage(mesh, most.size, smooth_edges=False), most.size
            shape = (len(mesh.positions), 3)
            self._buffers = np.empty(shape, np.float32), np.empty(shape, np.float32)
        if self._room != most.size:
            self.stage.resize(most.size)
            self._room = most.size
        self.stage.draw_within(canvas.size, canvas.grain)
        return self.stage

    def paint(self, stage: Stage, subject: Subject, fine: bool) -> Painted | None:
        """Pose and colour the skin and draw it, without marks; None if a new one is asked for."""
        rig, show = subject.rig, subject.show
        posed = rig.posed(subject.pose)
        joints, ribbons = posed.joints, posed.ribbons
        positions, normals = self._pose(subject, joints)
        stage.update(positions, normals)
        measures = None
        if show.heat in MEASURED:
            measures = subject.model.measures_of(rig, positions, ribbons[BODY], joints)
        stage.hurry(not fine)
        scale = dress(stage, subject, measures)
        stage.show_edges(show.edges)
        stage.show_ghost(rig.mesh.positions if show.rest and subject.guide is None else None)
        stage.show_ribbon(list(ribbons.values()) if show.ribbon else None)
        stage.set_camera(subject.orbit.camera(stage.size[0] / stage.size[1]))
        picture = self._smooth_image(stage) if fine else stage.image(labels=False)
        if picture is None:
            return None
        return Painted(picture, positions, joints, ribbons, measures, scale)

    def _smooth_image(self, stage: Stage) -> Bytes | None:
        """The mean of pictures shifted by parts of a pixel; None if a new one is asked for."""
        width, height = stage.size
        nudges = _FEW if width * height > _LARGE else _NUDGES
        total = np.zeros((height, width, 3), dtype=np.uint16)
        for right, down in nudges:
            if PICTURES.waits(self._owner):
                return None
            stage.nudge(right, down)
            total += stage.image(labels=False)
        total += len(nudges) // 2
        total //= len(nudges)
        return total.astype(np.uint8)

    def _pose(
        self, subject: Subject, joints: JointPose
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        if self._buffers is None:
            raise RuntimeError("the stage is set before the creature is posed")
        positions, normals = self._buffers
        subject.rig.skin_joints(joints, subject.method, positions)
        subject.rig.skinner.normals(joints.rigid, joints.scales, subject.method, normals)
        return positions, normals


def measured(subject: Subject) -> Measures:
    """What a subject's pose measures."""
    rig, posed = subject.rig, subject.rig.posed(subject.pose)
    positions = rig.skin_joints(posed.joints, subject.method, dtype=np.float32)
    return subject.model.measures_of(rig, positions, posed.ribbons[BODY], posed.joints)


def dress(stage: Stage, subject: Subject, measures: Measures | None) -> Scale | None:
    """Colour the skin; the scale of the colours if they mean something."""
    rig, show = subject.rig, subject.show
    heat = heat_of(subject, measures)
    if heat is None:
        if show.glass:
            stage.show_glass()
        else:
            stage.show_clay(twist_stripes(rig, subject.pose))
        return None
    values, scale = heat
    stripes = None if _is_spotted(subject, rig) else twist_stripes(rig, subject.pose)
    stage.show_values(values, scale, stripes)
    return scale if scale.title else None


def _is_spotted(subject: Subject, rig: Rig) -> bool:
    return subject.spot is not None and subject.spot.mesh is rig.mesh


def heat_of(subject: Subject, measures: Measures | None) -> tuple[Array, Scale] | None:
    """Values of the skin's colours with their scale; None where it is clay."""
    spot = subject.spot
    if spot is not None and spot.mesh is subject.rig.mesh:
        return spot.values, spot.scale
    if subject.show.heat == "clay":
        return None
    if measures is None:
        return weights_shown(subject.rig, subject)
    return measures_shown(subject.rig, subject, measures)


def encode(
    picture: Bytes,
    scale: Scale | None,
    canvas: Canvas,
    fine: bool,
    moved: tuple[int, int] = (0, 0),
) -> bytes:
    """A picture as a JPEG file, with the bar of a scale, which may be moved right and up."""
    sheet = Image.fromarray(picture)
    if scale is not None:
        patch, (left, up) = scale_patch(scale, canvas)
        sheet.paste(patch, (left + moved[0], sheet.height - up - moved[1]), patch)
    stream = io.BytesIO()
    sheet.save(stream, "JPEG", quality=FINE_QUALITY if fine else _PLAIN)
    return stream.getvalue()
