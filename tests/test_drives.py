"""The two drives beside each other: what each may be rebuilt from, and what joints cost."""

from functools import cache

import igl
import igl.predicates
import numpy as np
import pytest
from cases import first_of
from creatures import quadruped
from limbs import six_arms
from scipy.spatial.transform import Rotation
from tubes import arc, helix, rigid, s_curve, straight, tube

from ribbonsim import CreatureMesh, Layout, Pose, Ribbon, RibbonsimError, bind, find_appendages
from ribbonsim.curves.frames import invert_rigid, rigid_exp, rigid_log
from ribbonsim.layout.spans import unevenness
from ribbonsim.rig.first_layout import BuildOptions, build_layout

CURVES = {"straight": straight(), "arc": arc(), "s": s_curve(), "helix": helix()}
POSE = Pose(
    {
        "control2": {"sway": 30, "twist": 20},
        "control4": {"bend": -40, "stretch": 1.2},
        "control5": {"sway": 25, "girth": 0.8},
    },
    0.5,
)


@cache
def rig_of(curve="straight", radius=0.6, stations=17, rings=None):
    ribbon = Ribbon.along(CURVES[curve], 0.8, 16)
    mesh = tube(CURVES[curve] if rings is None else straight(rings=rings), radius)
    return bind(mesh, Layout.from_ribbon(ribbon, stations, 5))


def volume(rig, positions):
    return igl.moments(positions, rig.mesh.triangles)[0]


def test_a_drive_that_is_not_there_is_refused():
    with pytest.raises(RibbonsimError, match="choose one of shares, skinned"):
        rig_of().layout.with_drive("blended")


@pytest.mark.parametrize("curve", CURVES)
def test_skinned_control_points_match_libigl_linear_blend_skinning(curve):
    # igl.lbs_matrix (libigl's linear blend skinning) on the ribbon's own control points, by the
    # control joints' transforms: what any package does with a surface bound to joints
    rig = rig_of(curve).under("skinned")
    controls = rig.control_frames(POSE)
    frames = controls.frames.copy()
    frames[:, :3, 0] *= controls.stretches[:, None]
    frames[:, :3, 1:3] *= controls.girths[:, None, None]
    moves = frames @ np.linalg.inv(rig.control_rest)
    flat = rig.layout.ribbon.control_points.reshape(-1, 3)
    matrix = igl.lbs_matrix(flat, np.repeat(rig.surface_weights, 2, axis=0))
    expected = matrix @ np.concatenate([move[:3].T for move in moves])
    got = rig.pose_ribbon(POSE).control_points.reshape(-1, 3)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-12 * rig.layout.ribbon.length)


@pytest.mark.parametrize("curve", CURVES)
def test_skinned_rest_and_rigid_motion_are_exact(curve):
    rig = rig_of(curve).under("skinned")
    np.testing.assert_allclose(rig.deform(Pose()), rig.mesh.positions, atol=1e-11)
    own = rigid([0, 0, np.radians(50)], [1.0, 2.0, 3.0])
    rest = rig.control_rest[0]
    motion = rest @ own @ np.linalg.inv(rest)
    expected = rig.mesh.positions @ motion[:3, :3].T + motion[:3, 3]
    got = rig.deform(Pose({"control1": {"sway": 50, "shift": (1, 2, 3)}}))
    np.testing.assert_allclose(got, expected, atol=1e-9)


def test_half_a_turn_between_skinned_controls_leaves_no_chance_direction():
    # there linear blending narrows the surface to nothing: cos(90 degrees)
    rig = rig_of().under("skinned")
    frames = rig.joint_frames(rig.pose_for("twist", 720))
    assert np.isfinite(frames).all()
    turns = frames[:, :3, :3]
    np.testing.assert_allclose(
        turns @ turns.transpose(0, 2, 1), np.broadcast_to(np.eye(3), turns.shape), atol=1e-9
    )


@pytest.mark.parametrize(("curve", "most"), [("straight", 1e-3), ("s", 2e-3)])
def test_a_chain_of_joints_with_the_share_table_is_the_preview(curve, most):
    # parented joints, each turned by its shares of the sliders as one rotation vector: what the
    # table is for
    rig = rig_of(curve)
    shares, rest = rig.share_table, rig.joint_rest
    assert shares.shape == (17, 4)
    assert (np.diff(shares, axis=0) >= -1e-12).all()  # they rise, but for rounding
    np.testing.assert_array_equal(shares[[0, -1]], [np.zeros(4), np.ones(4)])
    steps = rigid_log(invert_rigid(rest[:-1]) @ rest[1:])
    for sliders in ([22.5] * 4, [0, 60, 0, 0], [40, -40, 30, 10]):
        pose = Pose({f"control{i}": {"sway": v} for i, v in enumerate(sliders, start=2)})
        frame, apart = rest[0], []
        for j, wanted in enumerate(rig.joint_frames(pose)):
            if j:
                turn = steps[j - 1].copy()
                turn[2] += (shares[j] - shares[j - 1]) @ np.radians(sliders)
                frame = frame @ rigid_exp(turn)
            apart.append(np.linalg.norm(frame[:3, 3] - wanted[:3, 3]))
        # one turn a joint stands for what the ribbon does all the way between two
        assert np.sqrt(np.mean(np.square(apart))) < most * rig.layout.ribbon.length


def test_under_another_drive_nothing_is_bound_again():
    rig = rig_of("s")
    other = rig.under("skinned")
    assert other.layout.drive == "skinned"
    assert rig.layout.drive == "shares"
    assert other.mesh_weights is rig.mesh_weights
    assert other.skinner is rig.skinner
    assert rig.under("shares") is rig
    expected = bind(rig.mesh, rig.layout.with_drive("skinned")).deform(POSE)
    np.testing.assert_array_equal(other.deform(POSE), expected)
    assert np.abs(expected - rig.deform(POSE)).max() > 0.05


@pytest.mark.parametrize("drive", ["shares", "skinned"])
def test_appendages_are_driven_as_the_layout_says(drive):
    mesh, _ = six_arms(0.5)
    layout = Layout.from_ribbon(Ribbon.along(straight(40.0, 81), 1.0), 17, 5)
    for proposal in find_appendages(mesh, layout.ribbon)[:1]:
        layout = layout.with_appendage(proposal.appendage(controls=3))
    rig = bind(mesh, layout.with_drive(drive))
    (name,) = [one.name for one in layout.appendages]
    pose = Pose({layout.control_names_of(name)[2]: {"sway": 50}})
    part = rig.part(name)
    assert part.layout.drive == drive
    alone = part.pose_ribbon(Pose({"control3": {"sway": 50}})).control_points
    np.testing.assert_allclose(rig.pose_ribbons(pose)[name].control_points, alone, atol=1e-9)
    np.testing.assert_allclose(rig.sweep(Pose()), mesh.positions, atol=1e-9)


# -- sweep --------------------------------------------------------------------------------


@pytest.mark.parametrize("curve", CURVES)
def test_sweep_reproduces_rest_and_rigid_motion(curve):
    rig = rig_of(curve)
    np.testing.assert_allclose(rig.sweep(Pose()), rig.mesh.positions, atol=1e-11)
    pose = Pose({"control1": {"sway": 50, "twist": 30, "shift": (1, 2, 3)}})
    np.testing.assert_allclose(rig.sweep(pose), rig.deform(pose), atol=1e-9)


@pytest.mark.parametrize("degrees", [90, 180])
def test_sweep_of_a_bent_tube_is_the_torus(degrees):
    # Pappus: a bent tube whose centre line keeps its length holds pi r^2 L; and each point stays
    # in its section, at its own angle of the arc
    rig = rig_of(radius=1.0, rings=401)  # so many that flat faces take nothing
    got = rig.sweep(rig.pose_for("c_bend", degrees))
    assert volume(rig, got) / volume(rig, rig.mesh.positions) == pytest.approx(1.0, abs=2e-4)
    rest, length = rig.mesh.positions[:-2], rig.layout.ribbon.length
    angle = np.radians(degrees) * rest[:, 0] / length
    turn = Rotation.from_rotvec(angle[:, None] * [0.0, 1.0, 0.0])
    radius = length / np.radians(degrees)
    centres = np.c_[radius * np.sin(angle), 0 * angle, -radius * (1 - np.cos(angle))]
    expected = centres + turn.apply(rest * [0.0, 1.0, 1.0])
    np.testing.assert_allclose(got[:-2], expected, atol=2e-3)


@pytest.mark.parametrize(("method", "least"), [("linear", 0.90), ("dual_quaternion", 0.97)])
def test_a_twist_by_two_turns_keeps_more_girth_the_more_stations_there_are(method, least):
    # swept, a straight tube that twists keeps its volume, but for what its flat faces cut off;
    # joints lose cos of half their step
    kept = []
    for stations in (17, 33):
        rig = rig_of(stations=stations, rings=401)
        pose = rig.pose_for("twist", 720)
        whole = volume(rig, rig.mesh.positions)
        assert volume(rig, rig.sweep(pose)) / whole == pytest.approx(1.0, abs=3e-3)
        kept.append(np.sqrt(volume(rig, rig.deform(pose, method)) / whole))
    assert kept[0] >= least
    assert kept[1] >= kept[0] - 1e-3


# -- spans --------------------------------------------------------------------------------


def test_more_spans_bend_a_curved_body_more_evenly():
    # exact frames at the control points' places: what is left is the spline's own
    uneven = [unevenness(Ribbon.along(CURVES["s"], 0.8, spans)) for spans in (8, 16, 32)]
    assert uneven[0] > uneven[1] > uneven[2]
    assert unevenness(Ribbon.along(CURVES["straight"], 0.8, 16)) < 0.002


# -- who stands still ---------------------------------------------------------------------


def reared(height):
    """A body that lies along the ground and rears up at its far end, so high above it."""
    turn = np.linspace(0.0, 1.0, 61)
    lying, rising = turn * 20.0, np.clip(turn - 0.5, 0.0, None) ** 2 * 60.0
    return tube(np.c_[lying, rising + height, 0 * turn], 0.6, name="reared")


# the ground is under it, however high the scene holds it
@pytest.mark.parametrize(("height", "up"), first_of((8.0, "y"), (0.6, "y"), (0.6, "z")))
def test_the_control_that_stands_still_is_where_the_body_rests(height, up):
    # it lies on the ground with its first half: the middle of that is at a quarter
    mesh = reared(height)
    if up == "z":
        mesh = CreatureMesh.from_arrays(mesh.positions[:, [0, 2, 1]], mesh.polygons)
    layout = build_layout(mesh, BuildOptions(up=up))
    ends = layout.ribbon.midline([0.0, 1.0])
    assert layout.chain_root == ("control2" if ends[0, 0] < ends[1, 0] else "control4")


@pytest.mark.parametrize("name", ["c_bend", "s_bend", "tail_flick", "curl"])
@pytest.mark.parametrize("root", [1, 3, 5])
def test_test_poses_leave_the_control_that_carries_the_others_where_it_is(name, root):
    rig = bind(rig_of().mesh, rig_of().layout.with_root(root))
    place = rig.layout.control_places[root - 1]
    (target,) = rig.targets_for(name).values()
    at = target.at([rig.layout.ribbon.arc_length(place)])
    # in the middle it is the place with half of the mass before it, to a facet
    close = 0.05 if root == 3 else 1e-9
    np.testing.assert_allclose(at.frames[0], rig.control_rest[root - 1], atol=close)
    # and one shape of a body whoever carries: all distances between joints are alike
    first = bind(rig_of().mesh, rig_of().layout.with_root(1))
    joints = [r.joint_frames(r.pose_for(name))[:, :3, 3] for r in (rig, first)]
    apart = [np.linalg.norm(p[:, None] - p, axis=-1) for p in joints]
    np.testing.assert_allclose(apart[0], apart[1], atol=0.01 * rig.layout.ribbon.length)


def test_what_rests_behind_stays_on_the_ground_when_the_front_rises():
    """Common practice, no published source: an animal rears up on its hind feet."""
    mesh, trunk = quadruped()
    layout = build_layout(mesh, BuildOptions(swap=True))
    # it stands in its middle, between its feet
    assert layout.chain_root == "control3"
    assert layout.ribbon.midline(0.0)[2] < trunk[0, 2] + 1.0
    rig = bind(mesh, layout)
    feet = mesh.positions[:, 1] < 0.3
    hind, fore = (feet & (sign * mesh.positions[:, 2] > 0.0) for sign in (-1.0, 1.0))
    moved = rig.deform(rig.pose_for("rear_up", 70)) - mesh.positions
    assert np.abs(moved[hind, 1].mean()) < 0.01
    assert np.linalg.norm(moved[hind].mean(axis=0)) < 0.1
    assert moved[fore, 1].min() > 2.5
    assert (mesh.positions + moved)[:, 1].min() > mesh.positions[:, 1].min() - 0.02


@pytest.mark.parametrize(("drive", "folds"), [("shares", False), ("skinned", True)])
@pytest.mark.parametrize("radius", [1.0, 1.4])
def test_one_slider_folds_no_thick_tube_under_shares(drive, folds, radius):
    """A tube folds where its midline bends by more than 1 / radius (the tube formula, Weyl 1939).

    Where the bend stays below that no triangle may face inwards; libigl finds no crossing either.
    """
    mesh = tube(straight(10.0, 161), radius, 32)
    layout = Layout.from_ribbon(Ribbon.along(straight(10.0), 0.8, 16), 17, 5)
    rig = bind(mesh, layout.with_drive(drive))
    pose = Pose({"control3": {"sway": 90}})
    posed, ribbon = rig.deform(pose), rig.pose_ribbon(pose)
    assert (radius * ribbon.curvature(np.linspace(0.0, 1.0, 801)).max() > 1.0) == folds
    middle = ribbon.midline(ribbon.place_at(rig.places))[mesh.triangles].mean(axis=1)
    corners = posed[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    outwards = np.einsum("ti,ti->t", normals, corners.mean(axis=1) - middle) > 0.0
    wall = np.ptp(rig.places[mesh.triangles], axis=1) > 0.0
    assert (not outwards[wall].all()) == folds
    _, pairs, _ = igl.predicates.find_self_intersections(posed, mesh.triangles, False)
    assert (len(pairs) > 0) == folds
