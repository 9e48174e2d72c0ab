"""The whole chain, controls to skin, against rigid motions, closed forms and libigl."""

import re
from functools import cache

import igl
import numpy as np
import pytest
from cases import first_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay
from scipy.spatial.transform import Rotation
from tubes import arc, helix, rigid, s_curve, straight, swept, triangulated, tube

from ribbonsim import (
    TEST_POSES,
    Control,
    ControlPose,
    ControlWeights,
    CreatureMesh,
    Layout,
    MeshWeights,
    Pose,
    Ribbon,
    RibbonsimError,
    Rig,
    bind,
    make_target,
)
from ribbonsim.layout.control_frames import ControlFrames, values_for
from ribbonsim.layout.falloff import KERNELS
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.weights import mesh_weights, surface_weights

METHODS = ("linear", "dual_quaternion")
CURVES = {"straight": straight(), "arc": arc(), "s": s_curve(), "helix": helix()}
RADIUS = 0.6
TWIST_SLACK = {"straight": 1e-6, "arc": 15, "s": 15, "helix": 25}


@cache
def rig_of(curve="straight", controls=5, carry=True, root=1):
    centres = CURVES[curve]
    ribbon = Ribbon.along(centres, 0.8, 16)
    chosen = list(controls) if isinstance(controls, tuple) else controls
    layout = Layout.from_ribbon(ribbon, 17, chosen, root=root, carry=carry)
    return bind(tube(centres, RADIUS), layout)


def size_of(rig):
    return np.linalg.norm(np.ptp(rig.mesh.positions, axis=0))


def volume(rig, positions):
    return igl.moments(positions, rig.mesh.triangles)[0]


def moved(motion, points):
    return points @ motion[:3, :3].T + motion[:3, 3]


# -- rest and rigid motions ---------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("curve", CURVES)
def test_rest_pose_reproduces_the_mesh(curve, method):
    rig = rig_of(curve)
    got = rig.deform(Pose(), method)
    np.testing.assert_allclose(got, rig.mesh.positions, rtol=0, atol=1e-12 * size_of(rig))


angles = st.floats(-400, 400)
shifts = st.tuples(*[st.floats(-20, 20)] * 3)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("curve", CURVES)
@settings(max_examples=12, deadline=None)
@given(angles, angles, angles, shifts)
def test_root_control_moves_the_mesh_rigidly(curve, method, bend, sway, twist, shift):
    # twist, then bend, then sway, each about an axis of the control's rest frame:
    # scipy's extrinsic x, y, z
    rig = rig_of(curve)
    own = np.eye(4)
    own[:3, :3] = Rotation.from_euler("xyz", [twist, bend, sway], degrees=True).as_matrix()
    own[:3, 3] = shift
    rest = rig.control_rest[0]
    pose = Pose({"control1": {"bend": bend, "sway": sway, "twist": twist, "shift": shift}})
    got = rig.deform(pose, method)
    expected = moved(rest @ own @ np.linalg.inv(rest), rig.mesh.positions)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-9 * size_of(rig))
    assert volume(rig, got) == pytest.approx(volume(rig, rig.mesh.positions), rel=1e-9)


def alone_pose(rig, motion):
    """The pose that puts every control where a rigid motion of the scene puts it."""
    count = len(rig.control_rest)
    wanted = ControlFrames(
        motion @ rig.control_rest, np.zeros(count), np.ones(count), np.ones(count)
    )
    values = values_for(rig.control_rest, rig.layout.carry_order(), wanted)
    return Pose(dict(zip(rig.layout.control_names, values, strict=True)))


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("carry", [True, False])
@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000))
def test_one_motion_for_all_controls_moves_the_mesh_rigidly(curve, method, carry, seed):
    rig = rig_of(curve, carry=carry)
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    motion = rigid(rng.uniform(0, np.pi) * axis / np.linalg.norm(axis), rng.normal(0, 5, 3))
    got = rig.deform(alone_pose(rig, motion), method)
    expected = moved(motion, rig.mesh.positions)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-9 * size_of(rig))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_values_for_inverts_control_frames(seed, carry):
    # where the surface is skinned to the controls, they stand by forward kinematics
    rig = rig_of("s", carry=carry).under("skinned")
    rng = np.random.default_rng(seed)
    pose = Pose(
        {
            name: ControlPose(
                bend=rng.uniform(-80, 80),
                sway=rng.uniform(-170, 170),
                twist=rng.uniform(-900, 900),
                shift=tuple(rng.normal(size=3)),
                stretch=rng.uniform(0.5, 2),
            )
            for name in rig.layout.control_names
        }
    )
    frames = rig.control_frames(pose)
    values = values_for(rig.control_rest, rig.layout.carry_order(), frames)
    again = rig.control_frames(Pose(dict(zip(rig.layout.control_names, values, strict=True))))
    np.testing.assert_allclose(again.frames, frames.frames, atol=1e-8)
    if carry:  # standing alone, they may count twist from another of them
        np.testing.assert_allclose(again.twists, frames.twists, atol=1e-6)
    np.testing.assert_allclose(again.stretches, frames.stretches, atol=1e-12)


# -- bending ------------------------------------------------------------------------------


def quarter_arc(length, x):
    """A straight body along +X swayed by 90 degrees about +Y: +X goes towards -Z."""
    radius = length / np.radians(90)
    angle = np.radians(90) * x
    return np.c_[radius * np.sin(angle), 0 * x, -radius * (1 - np.cos(angle))]


@pytest.mark.parametrize(
    ("controls", "drive", "low", "high", "most"),
    [
        (5, "shares", 0.998, 1.002, 1e-6),
        ((1, 3, 5, 13, 17), "shares", 0.998, 1.002, 1e-6),
        (5, "skinned", 0.6, 1.45, 0.013),
        (9, "skinned", 0.86, 1.14, 0.0035),
    ],
)
def test_quarter_bend_is_close_to_the_circle(controls, drive, low, high, most):
    # controls posed on a circle: curvature is pi / 2 over the length
    rig = rig_of("straight", controls).under(drive)
    pose = rig.pose_for("c_bend", 90)
    ribbon, length = rig.pose_ribbon(pose), rig.layout.ribbon.length
    ratio = ribbon.curvature(np.linspace(0, 1, 801)) * length / np.radians(90)
    assert low <= ratio.min()
    assert ratio.max() <= high
    x = np.linspace(0, 1, 401)
    gap = ribbon.midline(rig.layout.ribbon.place_at(x * length)) - quarter_arc(length, x)
    error = np.sqrt(np.mean(np.sum(gap**2, axis=1))) / length
    assert error <= most
    reported = rig.shape_error(make_target(rig.layout.ribbon, "c_bend", 90), pose)
    assert reported == pytest.approx(error, rel=0.01, abs=1e-9)


def test_target_of_c_bend_is_the_circle():
    ribbon = rig_of().layout.ribbon
    target = make_target(ribbon, "c_bend", 90)
    expected = quarter_arc(ribbon.length, target.lengths / ribbon.length)
    np.testing.assert_allclose(target.frames[:, :3, 3], expected, atol=1e-9)


@pytest.mark.parametrize("turns", [0.5, 1.0, -2.0])
def test_target_of_corkscrew_is_a_helix(turns):
    # a helix of curvature k and torsion w has radius k / (k^2 + w^2), rise w / (k^2 + w^2)
    # per radian and chords of 4 a^2 sin^2(q/2) + (b q)^2, q = sqrt(k^2 + w^2) ds
    ribbon = rig_of().layout.ribbon
    target = make_target(ribbon, "corkscrew", turns)
    whole = 2 * np.pi * turns / ribbon.length
    k, w = abs(whole) * np.sin(np.radians(30)), abs(whole) * np.cos(np.radians(30))
    a, b, rate = k / (k * k + w * w), w / (k * k + w * w), np.hypot(k, w)
    points = target.frames[:, :3, 3]
    for apart in (20, 100, 300):
        q = rate * ribbon.length * apart / (len(points) - 1)
        chord = np.sqrt(4 * a * a * np.sin(q / 2) ** 2 + (b * q) ** 2)
        found = np.linalg.norm(points[apart:] - points[:-apart], axis=1)
        np.testing.assert_allclose(found, chord, rtol=1e-3)


@pytest.mark.parametrize("method", METHODS)
def test_bent_tube_keeps_the_volume_of_pappus(method):
    # Pappus: a tube bent with its centreline's length kept holds pi r^2 L
    rig = rig_of("straight", 9)
    got = rig.deform(rig.pose_for("c_bend", 90), method)
    assert volume(rig, got) / volume(rig, rig.mesh.positions) == pytest.approx(1.0, abs=0.01)


def test_bent_tube_stretches_inside_and_outside_as_a_torus_does():
    # an arc at distance r from the midline is 1 + r / R times as long outside, 1 - r / R inside
    rig = rig_of("straight", 9)
    rest = rig.mesh.positions[:-2].reshape(-1, 16, 3)
    got = rig.deform(rig.pose_for("c_bend", 90), "dual_quaternion")[:-2].reshape(-1, 16, 3)
    radius = rig.layout.ribbon.length / np.radians(90)
    for column in range(16):
        before = np.linalg.norm(np.diff(rest[:, column], axis=0), axis=1).sum()
        after = np.linalg.norm(np.diff(got[:, column], axis=0), axis=1).sum()
        expected = 1 + rest[0, column, 2] / radius
        assert after / before == pytest.approx(expected, abs=0.02)


# -- twist --------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [90, 180, 720])
def test_twisted_ribbon_keeps_its_width(degrees):
    # blending positions would leave cos(theta / 2) of the width between two controls, nothing
    # at 180 degrees
    rig = rig_of()
    ribbon = rig.pose_ribbon(rig.pose_for("twist", degrees))
    width = ribbon.width(np.linspace(0, 1, 801)) / 0.8
    assert width.min() > 0.97
    assert width.max() < 1.03
    np.testing.assert_allclose(ribbon.width(ribbon.greville), 0.8, rtol=1e-9)
    turn = ribbon.frames(np.linspace(0, 1, 101))[:, :3, :3]
    np.testing.assert_allclose(
        turn @ turn.transpose(0, 2, 1), np.broadcast_to(np.eye(3), turn.shape), atol=1e-12
    )
    np.testing.assert_allclose(ribbon.length, rig.layout.ribbon.length, rtol=1e-9)


def twist_angles(rig, pose, t):
    """Degrees that frames of a straight ribbon have turned about it, not folded."""
    rest, posed = rig.layout.ribbon.frames(t), rig.pose_ribbon(pose).frames(t)
    y = np.sum(rest[:, :3, 1] * posed[:, :3, 1], axis=1)
    z = np.sum(rest[:, :3, 2] * posed[:, :3, 1], axis=1)
    return np.degrees(np.unwrap(np.arctan2(z, y)))


def test_an_even_twist_is_in_proportion_to_length_on_a_straight_body():
    # a bar twisted at its ends turns in proportion to the length (Saint-Venant)
    rig = rig_of()
    pose = rig.pose_for("twist", 720)
    np.testing.assert_allclose(
        [pose[name].twist for name in rig.layout.control_names], [0, 180, 180, 180, 180], atol=1e-9
    )
    ribbon = rig.layout.ribbon
    for places in (ribbon.greville, rig.layout.stations):
        share = ribbon.arc_length(places) / ribbon.length
        np.testing.assert_allclose(twist_angles(rig, pose, places), 720 * share, atol=1e-8)


@pytest.mark.parametrize("curve", CURVES)
def test_twist_of_a_curved_body_turns_it_by_the_whole_amount(curve):
    # a quarter turn more at each of five controls, about the tangent, and no more turns than
    # that; a curved midline moves a little between the controls, and turns with it
    rig = rig_of(curve)
    ribbon = rig.pose_ribbon(rig.pose_for("twist", 360))
    t = np.linspace(0, 1, 401)
    rest, posed = rig.layout.ribbon.frames(t), ribbon.frames(t)
    # carry the rest's direction across to the posed tangent by the smallest rotation
    axis = np.cross(rest[:, :3, 0], posed[:, :3, 0])
    sine = np.linalg.norm(axis, axis=1)
    angle = np.arctan2(sine, np.sum(rest[:, :3, 0] * posed[:, :3, 0], axis=1))
    scale = np.divide(angle, sine, out=np.zeros_like(sine), where=sine > 1e-12)
    carried = Rotation.from_rotvec(axis * scale[:, None]).apply(rest[:, :3, 1])
    y = np.sum(carried * posed[:, :3, 1], axis=1)
    z = np.sum(np.cross(posed[:, :3, 0], carried) * posed[:, :3, 1], axis=1)
    turned = np.degrees(np.unwrap(np.arctan2(z, y)))
    assert turned[-1] - turned[0] == pytest.approx(360, abs=TWIST_SLACK[curve])


@pytest.mark.parametrize("method", METHODS)
def test_twist_does_not_move_the_axis(method):
    rig = rig_of()
    got = rig.deform(rig.pose_for("twist", 180), method)[:-2].reshape(-1, 16, 3)
    centre = got.mean(axis=1)
    np.testing.assert_allclose(centre[:, 1:], 0, atol=1e-9)


# -- stretch ------------------------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("factor", [0.7, 1.4])
def test_even_stretch_keeps_volume(method, factor):
    # an incompressible rod stretched by f has f^-1/2 of its girth
    rig = rig_of()
    got = rig.deform(rig.pose_for("stretch", factor), method)
    rest = rig.mesh.positions
    np.testing.assert_allclose(got[:, 0], factor * rest[:, 0], atol=1e-9)
    np.testing.assert_allclose(got[:, 1:], factor**-0.5 * rest[:, 1:], atol=1e-9)
    assert volume(rig, got) == pytest.approx(volume(rig, rest), rel=1e-6)


@pytest.mark.parametrize("root", [1, 3])
def test_carried_controls_stand_where_evenly_rising_stretch_puts_them(root):
    # the integral of a factor that rises in a straight line is the trapezium: the mean of both
    # ends times the gap
    rig = rig_of(root=root)
    factors = np.array([0.5, 0.8, 1.1, 1.4, 1.7])
    names = rig.layout.control_names
    pose = Pose({n: {"stretch": f} for n, f in zip(names, factors, strict=True)})
    x = rig.control_frames(pose).frames[:, 0, 3]
    gaps = np.diff(rig.control_rest[:, 0, 3])
    np.testing.assert_allclose(np.diff(x), gaps * 0.5 * (factors[1:] + factors[:-1]), atol=1e-12)
    assert x[root - 1] == pytest.approx(rig.control_rest[root - 1, 0, 3], abs=1e-12)
    # the ribbon between them has the same length
    exact = np.sum(gaps * 0.5 * (factors[1:] + factors[:-1]))
    assert rig.pose_ribbon(pose).length == pytest.approx(exact, rel=0.02)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("share", [0.0, 0.5])
def test_keep_volume_is_the_exponent_of_girth(method, share):
    rig = rig_of()
    pose = rig.pose_for("stretch", 1.4)
    got = rig.deform(Pose(pose.controls, keep_volume=share), method)
    girth = 1.4 ** (-0.5 * share)
    np.testing.assert_allclose(got[:, 1:], girth * rig.mesh.positions[:, 1:], atol=1e-9)


def test_girth_thickens_where_it_is_asked():
    rig = rig_of()
    pose = Pose({name: {"girth": 1.5} for name in rig.layout.control_names})
    got = rig.deform(pose)
    np.testing.assert_allclose(got, rig.mesh.positions * [1, 1.5, 1.5], atol=1e-9)
    one = rig.deform(Pose({"control3": {"girth": 1.5}}))
    radius = np.hypot(*one[:-2, 1:].T).reshape(-1, 16).mean(axis=1) / RADIUS
    assert abs(np.argmax(radius) - 20) <= 1  # the middle ring
    np.testing.assert_allclose(radius, radius[::-1], atol=1e-9)
    np.testing.assert_allclose(radius[[0, -1]], 1.0, atol=1e-3)


# -- carrying -----------------------------------------------------------------------------


def test_a_control_bends_the_piece_that_leads_to_it_and_carries_what_is_beyond():
    # forward kinematics of the piece's end: beyond the reach everything is turned as one
    rig = rig_of(root=1)
    pose = Pose({"control3": {"sway": 40}})
    frames, rest = rig.control_frames(pose).frames, rig.control_rest
    np.testing.assert_allclose(frames[0], rest[0], atol=1e-12)
    whole = frames @ np.linalg.inv(rest)
    np.testing.assert_allclose(whole[3], whole[4], atol=1e-12)
    turned = Rotation.from_matrix(whole[:, :3, :3]).as_rotvec(degrees=True)
    axis = rest[0, :3, 2]
    np.testing.assert_allclose(turned[4], 40 * axis, atol=1e-9)
    # half of it is done half-way along the piece, the same on both sides
    np.testing.assert_allclose(turned[1] + turned[2], 40 * axis, atol=1e-9)
    under = rig.under("skinned").control_frames(pose).frames
    turn = rest[2] @ rigid([0, 0, np.radians(40)], [0, 0, 0]) @ np.linalg.inv(rest[2])
    np.testing.assert_allclose(under[:2], rest[:2], atol=1e-12)
    np.testing.assert_allclose(under[3:], turn @ rest[3:], atol=1e-12)


def added_rates(rig, pose, count=801):
    """Turn about the normal that a pose adds, for each share of the length; by frames alone."""
    t = np.linspace(0, 1, count)
    rest, posed = rig.layout.ribbon.frames(t), rig.pose_ribbon(pose).frames(t)
    turns = []
    for frames in (rest, posed):
        steps = np.einsum("kji,kjl->kil", frames[:-1, :3, :3], frames[1:, :3, :3])
        turns.append(Rotation.from_matrix(steps).as_rotvec()[:, 2])
    lengths = np.diff(rig.layout.ribbon.arc_length(t)) / rig.layout.ribbon.length
    return (turns[1] - turns[0]) / lengths


@pytest.mark.parametrize("degrees", [40, 90, 180])
def test_one_slider_bends_one_way_and_stretches_nothing(degrees):
    rig = rig_of()
    pose = Pose({"control3": {"sway": degrees}})
    rates = added_rates(rig, pose)
    back = np.clip(-rates, 0, None).sum() / np.clip(rates, 0, None).sum()
    assert back <= 1.1e-4  # what the surface's spline leaves of it
    length = rig.pose_ribbon(pose).length / rig.layout.ribbon.length
    assert length == pytest.approx(1.0, abs=1.2e-4)


@pytest.mark.parametrize(("degrees", "most"), [(90, 0.0013), (180, 0.005)])
def test_equal_sliders_make_an_arc(degrees, most):
    # the arc of constant curvature: degrees over the length
    rig = rig_of()
    pose = Pose({f"control{i}": {"sway": degrees / 4} for i in (2, 3, 4, 5)})
    ratio = rig.pose_ribbon(pose).curvature(np.linspace(0, 1, 801))
    ratio = ratio * rig.layout.ribbon.length / np.radians(degrees)
    assert abs(ratio - 1).max() <= most


def test_one_slider_keeps_the_section_of_a_thick_tube():
    mesh = tube(straight(rings=161), 1.0, 32)
    rig = bind(mesh, rig_of().layout)
    pose = Pose({"control3": {"sway": 90}})
    areas = []
    for positions in (mesh.positions, rig.deform(pose, "dual_quaternion")):
        rings = positions[:-2].reshape(-1, 32, 3)
        spokes = rings - rings.mean(axis=1, keepdims=True)
        square = np.cross(spokes, np.roll(spokes, -1, axis=1)).sum(axis=1)
        areas.append(0.5 * np.linalg.norm(square, axis=1))
    np.testing.assert_allclose(areas[1] / areas[0], 1.0, atol=1e-3)


@pytest.mark.parametrize("carry", [True, False])
def test_nothing_moves_beyond_the_reach(carry):
    # reach of 2: control5 bends its piece and half of what is beside it, alone both pieces
    rig = rig_of("s" if carry else "straight", 9, carry=carry)
    pose = Pose({"control5": {"sway": 50, "shift": (0.1, 0.2, -0.3)}})
    rest, posed = rig.joint_rest, rig.joint_frames(pose)
    still = 5 if carry else 4  # the direction of a spline is found from the cuts beside it
    np.testing.assert_allclose(posed[:still], rest[:still], atol=1e-13 * 20)
    motion = posed[13:] @ np.linalg.inv(rest[13:])
    expected = np.eye(4) if not carry else motion[0]
    np.testing.assert_allclose(motion, np.broadcast_to(expected, motion.shape), atol=1e-12)


def test_a_control_alone_carries_nothing():
    rig = rig_of(carry=False)
    frames = rig.control_frames(Pose({"control3": {"sway": 40, "shift": (1, 2, 3)}})).frames
    np.testing.assert_allclose(frames[[0, 4]], rig.control_rest[[0, 4]], atol=1e-12)
    # its reach of two ends at the first and the last control: there the ribbon stays
    ribbon = rig.pose_ribbon(Pose({"control3": {"shift": (0, 2, 0)}}))
    np.testing.assert_allclose(
        ribbon.midline([0.0, 1.0]), rig.layout.ribbon.midline([0.0, 1.0]), atol=1e-12
    )
    side = np.sign(rig.control_rest[2, 2, 1])  # which way across is
    assert ribbon.midline(0.5)[2] == pytest.approx(2.0 * side, rel=0.5)


def test_root_in_the_middle_carries_outwards_to_both_ends():
    layout = rig_of(root=3).layout
    carriers = {control.name: control.carried_by for control in layout.controls}
    assert carriers == {
        "control1": "control2",
        "control2": "control3",
        "control3": None,
        "control4": "control3",
        "control5": "control4",
    }
    assert layout.with_root("control3").controls == layout.controls
    rig = rig_of(root=3)
    frames = rig.control_frames(Pose({"control2": {"sway": 30}})).frames
    rest = rig.control_rest
    turned = Rotation.from_matrix((frames @ np.linalg.inv(rest))[:, :3, :3])
    turned = turned.as_rotvec(degrees=True) @ rest[0, :3, 2]
    np.testing.assert_allclose(frames[2], rest[2], atol=1e-12)
    # the bend reaches past the control that stands still by half a piece, as it does anywhere
    assert turned[0] - turned[4] == pytest.approx(30, abs=1e-9)
    assert 0 < -turned[4] < 5 < 25 < turned[0]


def test_two_sections_of_nine_share_a_joint():
    # common practice, no published source: 9 + 9 - 1 = 17, controls on 1, 5, 9, 13, 17
    layout = Layout.sections(rig_of().layout.ribbon, [9, 9], controls_per_section=3)
    assert len(layout.stations) == 17
    assert [control.station for control in layout.controls] == [1, 5, 9, 13, 17]
    np.testing.assert_allclose(layout.stations, np.linspace(0, 1, 17), atol=1e-9)
    uneven = Layout.sections(rig_of().layout.ribbon, [9, 5], 3, meets=[0.75])
    assert len(uneven.stations) == 13
    assert uneven.stations[8] == pytest.approx(0.75, abs=1e-9)


# -- weights ------------------------------------------------------------------------------


@st.composite
def layouts(draw):
    curve = draw(st.sampled_from(sorted(CURVES)))
    stations = draw(st.integers(2, 25))
    numbers = draw(st.sets(st.integers(1, stations), min_size=1, max_size=8))
    ribbon = rig_of(curve).layout.ribbon
    places = np.linspace(0, 1, stations) ** draw(st.floats(0.5, 2.0))
    reach = st.sampled_from([0.05, 0.5, 2.0, 50.0])
    controls = [Control(f"c{i}", i, draw(reach)) for i in sorted(numbers)]
    rules = ControlWeights(
        draw(st.sampled_from(sorted(KERNELS))),
        draw(st.floats(0.1, 32)),
        draw(st.sampled_from(["ribbon", "straight"])),
    )
    skin = MeshWeights(
        draw(st.sampled_from(sorted(KERNELS))),
        draw(st.floats(0.1, 32)),
        draw(st.sampled_from(["body", "straight"])),
        draw(st.sampled_from([0.1, 0.5, 2.0, 50.0])),
        draw(st.integers(1, 8)),
        draw(st.integers(0, 3)),
        draw(st.floats(0, 0.25)),
    )
    return curve, Layout(ribbon, places, controls, "any", rules, skin)


@settings(max_examples=80, deadline=None)
@given(layouts())
def test_all_weights_are_partitions_of_unity(case):
    curve, layout = case
    weights = surface_weights(layout.body)
    assert (weights >= 0).all()
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    rig = rig_of(curve)
    weights = mesh_weights(rig.mesh, layout.body, rig.places)
    assert (weights >= 0).all()
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert np.count_nonzero(weights, axis=1).max() <= layout.mesh_weights.influences


@settings(max_examples=12, deadline=None)
@given(layouts())
def test_any_layout_reproduces_rest_and_rigid_motion(case):
    curve, layout = case
    rig = bind(rig_of(curve).mesh, layout.with_root(1))
    size = size_of(rig)
    np.testing.assert_allclose(rig.deform(Pose()), rig.mesh.positions, rtol=0, atol=1e-11 * size)
    name = layout.control_names[0]
    own = rigid([0, 0, np.radians(50)], [1.0, 2.0, 3.0])
    got = rig.deform(Pose({name: {"sway": 50, "shift": (1, 2, 3)}}), "dual_quaternion")
    rest = rig.control_rest[0]
    expected = moved(rest @ own @ np.linalg.inv(rest), rig.mesh.positions)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-9 * size)


def bounded_biharmonic(stations):
    """A tube's surface and its weights by igl.bbw for point handles on the axis.

    A. Jacobson, I. Baran, J. Popović, O. Sorkine, "Bounded biharmonic weights for real-time
    deformation", ACM TOG 30(4), 2011.
    """
    positions, faces = swept(straight(10.0, 33), RADIUS, 12, round_ends=2)
    triangles = triangulated(faces)
    handles = np.c_[np.linspace(0, 10, stations), np.zeros((stations, 2))]
    axes = np.arange(-0.3, 10.31, 0.2), *2 * [np.arange(-0.4, 0.41, 0.2)]
    inside = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = inside[np.linalg.norm(inside[:, 1:], axis=1) < 0.75 * RADIUS]
    inside = inside[np.linalg.norm(inside[:, None] - handles, axis=-1).min(axis=1) > 0.05]
    points = np.vstack([positions, handles, inside])
    # the tube is convex, so that Delaunay's tetrahedra fill it; those without volume are left out
    tets = Delaunay(points).simplices.astype(np.int64)
    volumes = np.linalg.det(points[tets[:, 1:]] - points[tets[:, :1]]) / 6.0
    tets[volumes < 0] = tets[volumes < 0][:, [0, 1, 3, 2]]
    tets = tets[np.abs(volumes) > 1e-9]
    assert np.abs(volumes).sum() == pytest.approx(
        igl.moments(positions, triangles.astype(np.int64))[0], rel=1e-9
    )
    known = len(positions) + np.arange(stations)
    weights = igl.bbw(points, tets, known, np.eye(stations), max_iter=50)
    weights = weights[: len(positions)]
    return positions, faces, triangles, weights / weights.sum(axis=1, keepdims=True)


def energies(positions, triangles, weights):
    """Dirichlet and biharmonic energy over the surface, libigl's operators."""
    cotangents = igl.cotmatrix(positions, triangles)
    mass = igl.massmatrix(positions, triangles, igl.MASSMATRIX_TYPE_VORONOI).diagonal()
    change = cotangents @ weights
    return -np.sum(weights * change), np.sum(change**2 / mass[:, None])


@pytest.mark.slow
def test_mesh_weights_are_about_as_smooth_as_bounded_biharmonic_weights():
    stations = 5
    positions, faces, triangles, reference = bounded_biharmonic(stations)
    mesh = CreatureMesh.from_arrays(positions, faces)
    layout = Layout.from_ribbon(Ribbon.along(straight(), 0.8, 16), stations, stations)
    ours = bind(mesh, layout).mesh_weights
    dirichlet, biharmonic = energies(positions, triangles, ours)
    dirichlet_bbw, biharmonic_bbw = energies(positions, triangles, reference)
    # ours do not interpolate at the stations, so they may well have less of both
    assert dirichlet <= dirichlet_bbw
    assert biharmonic <= biharmonic_bbw


@settings(max_examples=8, deadline=None)
@given(layouts(), layouts())
def test_rebinding_gives_what_binding_gives(one, two):
    curve, before = one
    after = two[1]
    rig = Rig(
        rig_of(curve).mesh,
        before,
        rig_of(curve).places,
        surface_weights(before.body),
        mesh_weights(rig_of(curve).mesh, before.body, rig_of(curve).places),
    )
    got, expected = rebind(rig, after), bind(rig.mesh, after)
    np.testing.assert_array_equal(got.surface_weights, expected.surface_weights)
    np.testing.assert_array_equal(got.mesh_weights, expected.mesh_weights)
    pose = Pose({after.control_names[0]: {"bend": 30}})
    np.testing.assert_array_equal(got.deform(pose), expected.deform(pose))


@pytest.mark.parametrize(
    "change",
    [
        lambda ribbon: ribbon.with_width(1.3),
        lambda ribbon: ribbon.rolled(40.0),
        lambda ribbon: ribbon.insert_knots([0.43, 0.91]),
        lambda ribbon: ribbon.with_spans(9),
        lambda ribbon: ribbon.reversed(),
    ],
    ids=["width", "roll", "knots", "spans", "reversed"],
)
def test_rebinding_to_another_ribbon_gives_what_binding_gives(change):
    mesh = tube(arc(), 0.7)
    layout = Layout.from_ribbon(Ribbon.along(arc(), 0.8, 16), 11, 4)
    changed = Layout.from_ribbon(change(layout.ribbon), 11, 4)
    got, expected = rebind(bind(mesh, layout), changed), bind(mesh, changed)
    np.testing.assert_allclose(got.mesh_weights, expected.mesh_weights, atol=1e-12)


# -- symmetry and refinement --------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("curve", ["straight", "s", "helix"])
def test_mirrored_body_and_pose_give_the_mirrored_result(curve, method):
    # in a mirror rotations keep their sense about axes that turn over, and change it about
    # axes that do not; with the edges exchanged only across turns over
    rig = rig_of(curve)
    flip = np.array([1.0, 1.0, -1.0])
    mesh, ribbon = rig.mesh, rig.layout.ribbon
    faces = [face[[0, *range(len(face) - 1, 0, -1)]] for face in mesh.polygons]
    other = CreatureMesh.from_arrays(mesh.positions * flip, faces)
    mirrored = Layout(
        Ribbon(ribbon.control_points[:, ::-1] * flip, ribbon.knots),
        rig.layout.stations,
        rig.layout.controls,
    )
    rng = np.random.default_rng(5)
    pose, reflection = {}, {}
    for name in rig.layout.control_names:
        bend, sway, twist, a, c, n = rng.uniform(-40, 40, 6) * [1, 1, 1, 0.01, 0.01, 0.01]
        pose[name] = ControlPose(bend, sway, twist, (a, c, n), 1.1, 0.9)
        reflection[name] = ControlPose(bend, -sway, -twist, (a, -c, n), 1.1, 0.9)
    got = bind(other, mirrored).deform(Pose(reflection), method)
    expected = rig.deform(Pose(pose), method) * flip
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-7 * size_of(rig))


@pytest.mark.parametrize("curve", ["straight", "helix"])
def test_knots_inserted_into_the_ribbon_leave_rest_and_skin_weights(curve):
    rig = rig_of(curve)
    layout = rig.layout
    fine = Layout(
        layout.ribbon.insert_knots([0.81, 0.86, 0.9, 0.93, 0.93]), layout.stations, layout.controls
    )
    other = bind(rig.mesh, fine)
    np.testing.assert_allclose(other.joint_rest, rig.joint_rest, atol=1e-9)
    np.testing.assert_allclose(other.control_rest, rig.control_rest, atol=1e-9)
    np.testing.assert_allclose(other.mesh_weights, rig.mesh_weights, atol=1e-6)
    np.testing.assert_allclose(
        other.deform(Pose()), rig.mesh.positions, rtol=0, atol=1e-12 * size_of(rig)
    )
    # and no jump in how it bends: the same pose, the same shape within a percent
    pose = rig.pose_for("c_bend", 60)
    gap = np.abs(other.deform(pose) - rig.deform(pose)).max()
    assert gap < 0.01 * size_of(rig)


# -- test poses ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(TEST_POSES))
@pytest.mark.parametrize("curve", CURVES)
def test_every_test_pose_fits_and_scales_down_to_rest(curve, name):
    for root in (1, 3):
        rig = rig_of(curve, root=root)
        pose = rig.pose_for(name)
        for method in METHODS:
            got = rig.deform(pose, method)
            assert np.isfinite(got).all()
            assert np.abs(got - rig.mesh.positions).max() > 0.05 * RADIUS
            rest = rig.deform(pose.scaled(0.0), method)
            np.testing.assert_allclose(rest, rig.mesh.positions, atol=1e-11)
        assert pose.scaled(1.0) == pose


# what four pieces cannot say: rates are even over a piece but for the kernel
MOST = {"c_bend": 1e-4, "curl": 3e-4, "corkscrew": 1.7e-3, "s_bend": 1.7e-3, "twist": 1e-4}
CURVED = {"s_bend": 2.1e-3}


@pytest.mark.parametrize("name", ["c_bend", "s_bend", "curl", "corkscrew", "twist", "stretch"])
@pytest.mark.parametrize("curve", CURVES)
def test_a_test_pose_comes_near_to_its_target(curve, name):
    rig = rig_of(curve)
    target = make_target(rig.layout.ribbon, name)
    most = MOST.get(name, 1e-5)
    if curve != "straight":
        most = CURVED.get(name, most)
    assert rig.shape_error(target, rig.pose_for(name)) <= most


@pytest.mark.parametrize("root", [1, 3, 5])
def test_values_of_a_c_bend_read_plainly(root):
    # 90 degrees over four pieces: 22.5 each, counted from the control that carries the others
    rig = rig_of(root=root)
    pose = rig.pose_for("c_bend", 90)
    values = [pose[f"control{i}"] for i in range(1, 6)]
    sways = [np.sign(i - root) * 22.5 for i in range(1, 6)]
    for i, (value, sway) in enumerate(zip(values, sways, strict=True), start=1):
        if i != root:
            assert value == ControlPose(sway=sway)


@pytest.mark.parametrize("name", sorted(TEST_POSES))
@pytest.mark.parametrize("curve", CURVES)
def test_controls_stand_on_the_target_of_a_test_pose(curve, name):
    # where the surface is skinned to them, the controls' frames are the target's
    for carry in (True, False):
        rig = rig_of(curve, carry=carry).under("skinned")
        target = rig.targets_for(name)["body"]
        frames = rig.control_frames(rig.pose_for(name)).frames
        wanted = target.at(rig.layout.ribbon.arc_length(rig.layout.control_places)).frames
        np.testing.assert_allclose(frames, wanted, atol=1e-7)


@pytest.mark.parametrize("drive", ["shares", "skinned"])
def test_many_poses_fitted_at_once_are_each_as_if_alone(drive):
    rig = rig_of("arc").under(drive)
    asked = [rig.targets_for(name) for name in TEST_POSES]
    for together, targets in zip(rig.fit_many(asked), asked, strict=True):
        alone = rig.fit_all(targets)
        for name in rig.layout.control_names:
            one, other = vars(together[name]), vars(alone[name])
            for quantity, value in one.items():
                assert value == pytest.approx(other[quantity], rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("name", sorted(TEST_POSES))
@pytest.mark.parametrize("curve", CURVES)
def test_who_carries_hardly_changes_the_shape_of_a_test_pose(curve, name):
    # a test pose asks every layout for the same shape; a body that stands alone at each of
    # its controls is smoothed once more
    one = rig_of(curve)
    target = make_target(one.layout.ribbon, name)
    expected = one.deform(one.fit(target))
    others = [(rig_of(curve, carry=False), 0.09)]
    if name != "twist":
        others.append((rig_of(curve, root=3), 0.01))
    for other, most in others:
        got = other.deform(other.fit(target))
        np.testing.assert_allclose(got, expected, rtol=0, atol=most * size_of(one))


@pytest.mark.parametrize("root", [1, 3, 5])
@pytest.mark.parametrize("curve", CURVES)
def test_twist_is_the_same_between_controls_whoever_carries(curve, root):
    # the midline of the target is that of the rest, and its rate of twist is even: both by the
    # definition of the test pose; only which place keeps its turn goes by who carries
    rig = rig_of(curve, root=root)
    pose = rig.pose_for("twist", 180)
    assert rig.shape_error(make_target(rig.layout.ribbon, "twist", 180), pose) < 0.02
    turned = rig.control_frames(pose).twists
    np.testing.assert_allclose(turned, 180 * (np.linspace(0, 1, 5) - (root - 1) / 4), atol=1.0)
    held = rig.deform(pose)
    if curve == "straight":  # there a roll of the whole body is a rigid motion
        first = rig_of(curve)
        moved_back = moved(
            rigid([np.radians(-45.0 * (root - 1)), 0, 0], [0, 0, 0]),
            first.deform(first.pose_for("twist", 180)),
        )
        np.testing.assert_allclose(held, moved_back, atol=1e-6 * size_of(rig))


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("amount", [90, 180, 720])
def test_twist_turns_a_curved_body_about_its_own_length(curve, amount):
    # the midline of the target is that of the rest: the definition of the test pose
    rig = rig_of(curve, 9)
    pose = rig.pose_for("twist", amount)
    assert rig.shape_error(make_target(rig.layout.ribbon, "twist", amount), pose) < 0.01
    turned = rig.control_frames(pose).twists
    np.testing.assert_allclose(turned, amount * np.linspace(0, 1, 9), atol=0.02 * amount)


@pytest.mark.parametrize("controls", [5, 9])
@pytest.mark.parametrize("amount", [90, 180, 270, 540])
@pytest.mark.parametrize("carry", [True, False])
def test_curl_of_a_straight_body_stays_in_its_plane(carry, amount, controls):
    # a plane curve has no torsion: the direction across, square to the plane, stays
    rig = rig_of("straight", controls, carry)
    frames = rig.pose_ribbon(rig.pose_for("curl", amount)).frames(np.linspace(0, 1, 201))
    across = frames[:, :3, 1]
    np.testing.assert_allclose(across, np.broadcast_to(across[0], across.shape), atol=1e-9)
    height = frames[:, :3, 3] @ across[0]
    np.testing.assert_allclose(height, height[0], atol=1e-9)


def test_more_controls_come_nearer_to_every_test_pose():
    for name in ("c_bend", "s_bend", "curl", "corkscrew", "rear_up", "look_aside"):
        errors = []
        for controls in (3, 5, 9, 17):
            rig = rig_of("straight", controls)
            errors.append(rig.shape_error(make_target(rig.layout.ribbon, name), rig.pose_for(name)))
        assert errors[0] > errors[-1], name
        assert errors[-1] < 0.01, name


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("name", first_of(*sorted(TEST_POSES)))
def test_walking_into_a_test_pose_makes_no_step(name, method):
    # a slider moved a little moves the skin a little: ten times shorter, ten times less
    rig = rig_of("s")
    pose = rig.pose_for(name)
    jumps = []
    for steps in (40, 400):
        walk = [rig.deform(pose.scaled(x), method) for x in np.linspace(0.5, 0.7, steps // 4)]
        jumps.append(np.abs(np.diff(walk, axis=0)).max())
    assert jumps[1] < 0.2 * jumps[0]


# -- output and normals -------------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
def test_out_is_written_in_place(method):
    rig = rig_of("s")
    pose = rig.pose_for("c_bend")
    out = np.empty(rig.mesh.positions.shape, np.float32)
    assert rig.deform(pose, method, out=out) is out
    np.testing.assert_allclose(out, rig.deform(pose, method), atol=1e-5 * size_of(rig))


@pytest.mark.parametrize("method", METHODS)
def test_carried_normals_match_those_of_the_posed_mesh(method):
    # against igl.per_vertex_normals of the bent tube; they differ where weights change
    rig = rig_of("straight", 9)
    pose = rig.pose_for("c_bend", 60)
    got = rig.deform_normals(pose, method)
    expected = igl.per_vertex_normals(rig.deform(pose, method), rig.mesh.triangles)
    inner = np.abs(rig.mesh.positions[:, 0] - 5) < 4.5
    cosine = np.sum(got * expected, axis=1)[inner]
    np.testing.assert_allclose(np.linalg.norm(got, axis=1), 1, atol=1e-12)
    assert np.degrees(np.arccos(np.clip(cosine, -1, 1))).max() < 6.0


# -- refusals -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ask", "says"),
    [
        (lambda: rig_of().deform(Pose({"control9": {}})), "no control is called 'control9'"),
        (lambda: Pose({"control1": {"bned": 1}}), "'control1' has no quantity 'bned'"),
        (lambda: Pose({"control1": {"bend": np.nan}}), "not finite"),
        (lambda: Pose({"control1": {"shift": (0, np.inf, 0)}}), "not finite"),
        (lambda: Pose({"control1": {"shift": (0, 1)}}), "give three numbers"),
        (lambda: Pose({"control1": {"shift": 1.0}}), "not a number"),
        (lambda: Pose({"control1": {"bend": "much"}}), "not a number"),
        (lambda: Pose({"control1": {"stretch": 0}}), "give a factor"),
        (lambda: Pose({"control1": {"girth": -1}}), "give a factor"),
        (lambda: Pose({"control1": 3}), "give quantities with values"),
        (lambda: Pose(keep_volume=1.5), "give a number from 0 to 1"),
        (lambda: Pose(keep_volume="all"), "give a number from 0 to 1"),
        (lambda: rig_of().pose_for("moonwalk"), "no test pose is called 'moonwalk'"),
        (lambda: rig_of().pose_for("c_bend", np.nan), "give a number from -7200 to 7200"),
        (lambda: rig_of().pose_for("stretch", 0), "give a number from 0.1 to 10"),
        (lambda: rig_of().pose_for("c_bend", "far"), "give a number from -7200 to 7200"),
        (lambda: rig_of().deform(Pose(), "cubic"), "choose linear or dual_quaternion"),
        (lambda: rig_of().deform_normals(Pose(), "cubic"), "choose linear or dual_quaternion"),
        (lambda: rig_of().layout.with_root(9), "give a whole number from 1 to 5"),
        (lambda: rig_of().layout.with_control("control1", station=5), "two controls stand at"),
        (lambda: rig_of().layout.with_control("control1", reach=np.nan), "reach of 'control1'"),
        (lambda: MeshWeights(falloff="cosine"), "choose one of wendland_c2"),
        (lambda: MeshWeights(influences=2.5), "give a whole number"),
        (lambda: ControlWeights(distance="body"), "choose one of ribbon, straight"),
        (lambda: Layout.from_ribbon(rig_of().layout.ribbon, 17, 18), "from 1 to 17"),
        (lambda: Layout.from_ribbon(rig_of().layout.ribbon, [0.0, 0.5, 0.4], 2), "do not rise"),
        (lambda: Layout.from_ribbon(rig_of().layout.ribbon, 17, [1, 2.5]), "whole station numbers"),
        (lambda: Layout.from_ribbon(rig_of().layout.ribbon, 17, [1, 18]), "station of 'control2'"),
        (lambda: Layout.sections(rig_of().layout.ribbon, [9, 1]), "at least two joints"),
        (lambda: Layout.sections(rig_of().layout.ribbon, [9, 9], meets=[1.5]), "from 0 to 1"),
        (lambda: Layout.sections(rig_of().layout.ribbon, [9, 9], meets=[]), "meet at 1 places"),
    ],
)
def test_bad_input_is_refused_in_a_sentence(ask, says):
    with pytest.raises(RibbonsimError, match=re.escape(says)) as refusal:
        ask()
    assert "\n" not in str(refusal.value)


def test_controls_carried_in_a_circle_are_refused():
    ribbon = rig_of().layout.ribbon
    pair = [Control("a", 1, carried_by="b"), Control("b", 3, carried_by="a")]
    with pytest.raises(RibbonsimError, match="carried by itself in a circle"):
        Layout(ribbon, [0, 0.5, 1], pair)


def test_eyes_ride_rigidly_on_the_nearest_part_of_the_body():
    # a body with two loose balls: each keeps all its distances (Kabsch: scipy's align_vectors)
    points = straight(40.0, 81)
    body = tube(points, 2.0, 16)
    ball = tube(points[:4] * 0.05, 0.4, 8)
    at = [np.array([10.0, 0.0, 2.5]), np.array([30.0, 0.0, -2.5])]
    count, size = len(body.positions), len(ball.positions)
    positions = np.concatenate([body.positions, *(ball.positions + place for place in at)])
    polygons = [list(p) for p in body.polygons]
    polygons += [list(p + count + k * size) for k in range(2) for p in ball.polygons]
    mesh = CreatureMesh.from_arrays(positions, polygons)
    assert "The mesh has 3 separate pieces" in mesh.notes[0]
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(points, 1.0), 17, 5))
    for name in ("c_bend", "twist", "curl"):
        posed = rig.deform(rig.pose_for(name), "dual_quaternion")
        for k in range(2):
            part = slice(count + k * size, count + (k + 1) * size)
            one, other = positions[part], posed[part]
            one, other = one - one.mean(axis=0), other - other.mean(axis=0)
            _, off = Rotation.align_vectors(other, one)
            # stretch and girth of the station are in it, a few percent of a ball of 0.4
            assert off / np.sqrt(size) < 0.05
            apart = np.linalg.norm(posed[:count] - posed[part].mean(axis=0), axis=1)
            rest = np.linalg.norm(positions[:count] - positions[part].mean(axis=0), axis=1)
            assert apart.min() == pytest.approx(rest.min(), rel=0.2)
