"""A creature as it is read, before anything is found in it."""

from __future__ import annotations

from ribbonsim.arrays import Bytes
from ribbonsim.view.camera import fit_camera, named_view
from ribbonsim.view.scene import Stage

FILL = 0.86  # of the picture, from edge to edge


def draw_bare(stage: Stage, aspect: float) -> Bytes:
    """Draw the mesh of a stage in clay, from where a creature is first seen."""
    mesh = stage.mesh
    points = (mesh.positions - mesh.centre) / mesh.diagonal
    stage.show_clay()
    stage.set_camera(fit_camera(points, named_view("three_quarter"), aspect, FILL))
    return stage.image(labels=False)
