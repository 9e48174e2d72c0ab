"""Left and right: planes of meshes that are mirror images by construction, and rigs on them."""

from dataclasses import replace

import numpy as np
import pytest
from cases import first_of
from demos import demo_mesh, demo_rig
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from tubes import arc, straight, swept, tube

from ribbonsim import (
    TEST_POSES,
    ControlPose,
    CreatureMesh,
    Layout,
    MeshWeights,
    Pose,
    Ribbon,
    bind,
)
from ribbonsim.bendcheck.symmetry import pose_asymmetry, weight_asymmetry
from ribbonsim.body.plane import find_plane
from ribbonsim.rig.mirror import mirror_pose

METHODS = ("linear", "dual_quaternion")


def bent_body(positions=None):
    """A tube bent in the plane z = 0, its rings laid out evenly to both sides."""
    points, faces = swept(arc(80, 10.0, 41), np.linspace(0.9, 0.4, 41), 16)
    return CreatureMesh.from_arrays(points if positions is None else positions, faces, "body")


# -- planes -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["lampeel", "grub"])
def test_mirrored_creatures_have_the_plane_they_were_made_about(name):
    mesh = demo_mesh(name)
    plane = find_plane(mesh)
    np.testing.assert_allclose(plane.normal, [1, 0, 0], atol=1e-12)
    assert abs(plane.offset) < 1e-12 * mesh.diagonal
    assert plane.residual == 0.0
    # meshes/README.md: exact mirror images of themselves about x = 0
    mirrored = mesh.positions[plane.pairs]
    np.testing.assert_array_equal(mirrored, mesh.positions * [-1, 1, 1])
    np.testing.assert_array_equal(plane.pairs[plane.pairs], np.arange(len(mesh.positions)))
    np.testing.assert_allclose(plane.mirror(mesh.positions), mirrored, atol=1e-12)


def test_coiled_creature_has_no_plane():
    assert find_plane(demo_mesh("coil")) is None


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(-3, 3), st.tuples(*[st.floats(-30, 30)] * 3))
def test_the_plane_goes_with_the_scene(seed, power, shift):
    mesh, scale = bent_body(), 10.0**power
    turn = Rotation.random(random_state=seed).as_matrix()
    moved = mesh.with_positions(scale * (mesh.positions @ turn.T + shift))
    plane, there = find_plane(mesh), find_plane(moved)
    np.testing.assert_allclose(np.abs(plane.normal), [0, 0, 1], atol=1e-9)
    assert abs(abs(there.normal @ (turn @ plane.normal)) - 1) < 1e-9
    on_it = scale * (turn @ np.array([5.0, 1.0, 0.0]) + shift)
    assert abs(there.normal @ on_it - there.offset) < 1e-9 * scale * 100
    np.testing.assert_array_equal(there.pairs, plane.pairs)
    assert there.residual < 1e-9


def test_round_tube_gets_a_plane_along_its_body():
    plane = find_plane(tube(straight(), 0.6, 16))
    assert abs(plane.normal[0]) < 1e-9


def test_a_dent_on_one_side_leaves_its_vertex_without_a_partner_and_slight_noise_none():
    mesh = bent_body()
    size = mesh.diagonal
    dented = mesh.positions.copy()
    dented[200] += 0.02 * size
    plane = find_plane(bent_body(dented))
    assert np.flatnonzero(~plane.matched).tolist() == sorted(
        {200, int(find_plane(mesh).pairs[200])}
    )
    np.testing.assert_allclose(np.abs(plane.normal), [0, 0, 1], atol=2e-2)
    assert plane.share > 0.95
    noise = np.random.default_rng(3).uniform(-1, 1, mesh.positions.shape)
    plane = find_plane(bent_body(mesh.positions + 1e-4 * size * noise))
    assert 1e-5 < plane.residual < 1e-3
    np.testing.assert_allclose(np.abs(plane.normal), [0, 0, 1], atol=1e-2)
    np.testing.assert_array_equal(plane.pairs, find_plane(mesh).pairs)


def test_vertices_on_one_place_find_partners():
    # a seam split into two vertices on each place, as many files have it
    mesh = bent_body()
    faces = [list(map(int, face)) for face in mesh.polygons]
    count = len(mesh.positions)
    for face in faces[:50]:
        face[:] = [v + count for v in face]
    points = np.vstack([mesh.positions, mesh.positions])
    plane = find_plane(CreatureMesh.from_arrays(points, faces, "split"))
    used = np.unique([v for face in faces for v in face])
    mirrored = points[used] * [1, 1, -1]
    np.testing.assert_allclose(points[plane.pairs[used]], mirrored, atol=1e-9)


# -- rigs -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["lampeel", "grub"])
def test_weights_of_a_mirrored_creature_are_mirrored(name):
    rig = demo_rig(name)
    apart = weight_asymmetry(rig, find_plane(rig.mesh))
    assert apart.shape == (len(rig.mesh.positions),)
    assert apart.max() < 1e-6


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("name", first_of(*TEST_POSES))
def test_mirrored_poses_mirror_the_eel(name, method):
    rig = demo_rig("lampeel")
    assert pose_asymmetry(rig, find_plane(rig.mesh), rig.pose_for(name), method) < 1e-9


values = st.floats(-60, 60)
controls = st.builds(
    ControlPose,
    bend=values,
    sway=values,
    twist=st.floats(-300, 300),
    shift=st.tuples(*[st.floats(-5, 5)] * 3),
    stretch=st.floats(0.7, 1.4),
    girth=st.floats(0.7, 1.4),
)


@settings(max_examples=15, deadline=None)
@given(st.lists(controls, min_size=5, max_size=5), st.sampled_from(METHODS))
def test_any_pose_of_the_grub_can_be_mirrored(chosen, method):
    rig = demo_rig("grub")
    plane = find_plane(rig.mesh)
    pose = Pose(dict(zip(rig.layout.control_names, chosen, strict=True)), keep_volume=0.3)
    assert pose_asymmetry(rig, plane, pose, method) < 1e-9
    assert mirror_pose(rig.layout, plane, mirror_pose(rig.layout, plane, pose)) == pose


def test_mirror_turns_what_leaves_the_plane():
    rig = demo_rig("lampeel")
    plane = find_plane(rig.mesh)
    value = ControlPose(10, 20, 30, (1, 2, 3), 1.1, 0.9)
    got = mirror_pose(rig.layout, plane, Pose({"control2": value}, 0.5))
    # the eel's ribbon lies level, across to the side: sway and twist go the other way
    assert got["control2"] == ControlPose(10, -20, -30, (1, -2, 3), 1.1, 0.9)
    assert got.keep_volume == 0.5
    upright = bind(rig.mesh, replace(rig.layout, ribbon=rig.layout.ribbon.rolled(90)))
    got = mirror_pose(upright.layout, plane, Pose({"control2": value}))["control2"]
    assert got == ControlPose(-10, 20, -30, (1, 2, -3), 1.1, 0.9)
    assert pose_asymmetry(upright, plane, upright.pose_for("curl")) < 1e-9


def test_rolled_ribbon_is_found_out():
    rig = demo_rig("lampeel")
    plane = find_plane(rig.mesh)
    level = pose_asymmetry(rig, plane, rig.pose_for("s_bend"))
    rolled = bind(rig.mesh, replace(rig.layout, ribbon=rig.layout.ribbon.rolled(5)))
    # the plane of the bend leans by 5 degrees: sin 10 of how far the body swings
    assert pose_asymmetry(rolled, plane, rolled.pose_for("s_bend")) > 0.01 > 1e6 * level


def test_ribbon_that_leaves_the_plane_is_found_out():
    rig = demo_rig("lampeel")
    plane = find_plane(rig.mesh)
    ribbon = rig.layout.ribbon
    off = np.sin(np.linspace(0, 2 * np.pi, len(ribbon.control_points)))
    aside = Ribbon(ribbon.control_points + 3.0 * off[:, None, None] * [1.0, 0, 0], ribbon.knots)
    layout = replace(rig.layout, ribbon=aside, mesh_weights=MeshWeights(distance="straight"))
    moved = bind(rig.mesh, layout)
    straight_on = bind(rig.mesh, replace(layout, ribbon=ribbon))
    assert weight_asymmetry(moved, plane).max() > 0.02
    assert weight_asymmetry(straight_on, plane).max() < 1e-6
    pose = moved.pose_for("twist")
    assert pose_asymmetry(moved, plane, pose) > 100 * pose_asymmetry(straight_on, plane, pose)


def test_control_turned_out_of_the_plane_is_found_out():
    # half of the ribbon twisted by hand: control points from the middle on turned by 30 degrees
    rig = demo_rig("grub")
    plane = find_plane(rig.mesh)
    points, turned = rig.layout.ribbon.control_points.copy(), rig.layout.ribbon.rolled(30)
    half = len(points) // 2
    points[half:] = turned.control_points[half:]
    layout = replace(rig.layout, ribbon=Ribbon(points, rig.layout.ribbon.knots))
    twisted = bind(rig.mesh, layout)
    pose = Pose({"control4": {"bend": 40}})
    assert pose_asymmetry(twisted, plane, pose) > 0.01
    assert pose_asymmetry(rig, plane, pose) < 1e-9


def test_asymmetry_does_not_depend_on_units():
    rig = demo_rig("grub")
    plane = find_plane(rig.mesh)
    rolled = bind(rig.mesh, replace(rig.layout, ribbon=rig.layout.ribbon.rolled(10)))
    big = rig.mesh.with_positions(1000 * rig.mesh.positions)
    ribbon = rolled.layout.ribbon
    large = Ribbon(1000 * ribbon.control_points, ribbon.knots)
    same = bind(big, Layout(large, rig.layout.stations, rig.layout.controls))
    pose = Pose({"control3": {"bend": 40, "twist": 20}})
    expected = pose_asymmetry(rolled, plane, pose)
    assert expected > 0.01
    assert pose_asymmetry(same, find_plane(big), pose) == pytest.approx(expected, rel=1e-6)
