"""The live rig of a layout driven by shares, held against the preview's own skin."""

from pathlib import Path

import numpy as np
import pytest
from tubes import straight, tube

import ribbonsim as rs
from ribbonsim.handoff.live import live_deform
from ribbonsim.rig.first_layout import build_layout

MESHES = Path(__file__).parents[1] / "meshes"


def missed(rig, pose, turning="vectors"):
    """Root mean square distance from the preview, over the mesh's diagonal."""
    apart = live_deform(rig, pose, turning) - rig.deform(pose)
    return float(np.sqrt(np.mean(np.sum(apart**2, axis=1))) / rig.mesh.diagonal)


@pytest.fixture(scope="module")
def pipe():
    mesh = tube(straight(10.0, 101), 0.5, 16)
    return rs.bind(mesh, rs.Layout.from_ribbon(rs.Ribbon.along(straight(10.0), 0.8, 16), 17, 5))


def test_a_straight_chain_bends_on_an_arc(pipe):
    """A chain of equal turns lies on a circle: chords of 90 / 16 degrees are short by a^2 / 24.

    Turned by halves before and after an offset that keeps its length, each chord is too long by
    that share; the whole, by no more than as much of its length.
    """
    angle = np.radians(90.0 / 16.0)
    found = missed(pipe, pipe.pose_for("c_bend", 90.0))
    assert 0.0 < found < angle**2 / 24.0
    assert found < 2.5e-4


def test_the_lampeel_is_met_within_what_is_wanted():
    mesh = rs.load_mesh(MESHES / "lampeel.obj")
    rig = rs.bind(mesh, build_layout(mesh))
    assert missed(rig, rig.pose_for("c_bend", 90.0)) < 1.4e-3
    assert missed(rig, rs.Pose()) < 1e-12


def test_angles_cost_more_than_vectors_and_least_in_mirrored_order(pipe):
    pose = rs.Pose({f"control{k}": {"bend": 22.5, "sway": 22.5} for k in (2, 3, 4, 5)})
    vectors, mirrored, angles = (
        missed(pipe, pose, turning) for turning in ("vectors", "mirrored", "angles")
    )
    assert vectors < mirrored < angles
    assert mirrored < 0.2 * angles
