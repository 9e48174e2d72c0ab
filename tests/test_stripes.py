"""Stripes of pose pictures: where they lie on a tube, whose angles and places are known."""

import numpy as np
from tubes import straight, tube

from ribbonsim import Layout, Pose, Ribbon, bind
from ribbonsim.view.camera import named_view
from ribbonsim.view.pictures import draw_pose
from ribbonsim.view.scene import Stage
from ribbonsim.view.stripes import stripes, twist_stripes


def test_stripes_lie_at_equal_angles_and_equal_places():
    """Six lines around; along as many as make them about square: 12 / (2 pi 0.5 / 6) = 23."""
    rings, around, radius = 201, 96, 0.5
    mesh = tube(straight(12.0, rings), radius, around)
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(straight(12.0), 0.4, 16), 17, 5))
    shade = stripes(rig)[: rings * around].reshape(rings, around)
    assert shade.max() == 1.0
    assert 0.7 < shade.min() < 0.85
    # a ring that lies between two of the lines around meets each line along once
    between = shade[np.argmax(shade.mean(axis=1))] < 0.9
    assert np.count_nonzero(np.diff(between.astype(int), append=between[0]) == 1) == 6
    # a line of vertices that lies between two lines along meets each line around once
    beside = shade[:, np.argmax(shade.mean(axis=0))] < 0.9
    rises = np.count_nonzero(np.diff(np.r_[0, beside.astype(int)]) == 1)
    assert rises == 23 + 1  # both ends have one


def test_stripes_go_with_the_skin():
    """They are found at rest, so a moved and turned creature has the same."""
    mesh = tube(straight(12.0, 61), 0.5, 24)
    shift = np.array([3.0, 4.0, 5.0])
    layout = Layout.from_ribbon(Ribbon.along(straight(12.0), 0.4, 16), 17, 5)
    rig = bind(mesh, layout)
    moved = bind(
        mesh.with_positions(mesh.positions + shift),
        Layout.from_ribbon(
            Ribbon(layout.ribbon.control_points + shift, layout.ribbon.knots), 17, 5
        ),
    )
    np.testing.assert_allclose(stripes(moved), stripes(rig), atol=1e-6)


def test_only_poses_that_twist_are_drawn_with_stripes():
    """A round tube that turns about its own length looks as it did, but for its stripes."""
    mesh = tube(straight(12.0, 101), 0.5, 48)
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(straight(12.0), 0.4, 16), 17, 5))
    twist, bend = rig.pose_for("twist", 120.0), rig.pose_for("c_bend", 90.0)
    assert twist_stripes(rig, bend) is None
    assert twist_stripes(rig, Pose()) is None
    shade = twist_stripes(rig, twist)
    assert shade is not None
    np.testing.assert_array_equal(shade, stripes(rig))
    with Stage(mesh, (320, 160)) as stage:
        pictures = [
            draw_pose(stage, rig, pose, named_view("front")).astype(int) for pose in (Pose(), twist)
        ]
    tube_alone = np.abs(pictures[0] - pictures[0][0, 0]).sum(axis=2) > 40
    assert tube_alone.sum() > 1000
    darker = (pictures[0] - pictures[1]).sum(axis=2)[tube_alone] > 20
    assert 0.1 < darker.mean() < 0.7
