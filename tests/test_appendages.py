"""Several ribbons on one creature: weights, poses and errors, against libigl, OpenUSD, scipy."""

from dataclasses import replace
from functools import cache

import igl
import igl.predicates
import numpy as np
import pytest
from cases import first_of
from demos import demo_mesh
from limbs import branched, flat_fin
from pxr import Gf, UsdSkel, Vt
from scipy.spatial.transform import Rotation

from ribbonsim import (
    Appendage,
    Layout,
    Pose,
    Ribbon,
    RibbonsimError,
    Tie,
    bind,
    check,
    find_appendages,
    find_plane,
    pair_appendages,
)
from ribbonsim.bendcheck.symmetry import pose_asymmetry, weight_asymmetry
from ribbonsim.bendcheck.weights import bleed
from ribbonsim.layout.appendage_targets import APPENDAGE_POSES, appendage_target
from ribbonsim.layout.appendages import parents_first
from ribbonsim.layout.targets import TEST_POSES
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.carry_over import carry_over
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.rig.rig import Rig

METHODS = ("linear", "dual_quaternion")
LIMBS = {
    "lampeel": ("barbel_l", "barbel_r", "fin_l", "fin_r"),
    "snuffer": tuple(f"arm_{place}_{side}" for place in ("front", "side", "back") for side in "lr"),
}


@cache
def rig_of(name):
    """A demo creature with every appendage that is proposed, left and right paired."""
    mesh = demo_mesh(name)
    layout = build_layout(mesh)
    for proposal in find_appendages(mesh, layout.ribbon):
        layout = layout.with_appendage(proposal.appendage(controls=3))
    layout, _ = pair_appendages(layout, find_plane(mesh))
    return bind(mesh, layout)


def group(mesh, name):
    wanted = np.asarray(mesh.polygon_groups) == list(mesh.group_names).index(name)
    return np.unique(np.concatenate([mesh.polygons[i] for i in np.flatnonzero(wanted)]))


def size_of(rig):
    return np.linalg.norm(np.ptp(rig.mesh.positions, axis=0))


def beyond_blend(rig, name):
    limb = rig.limbs[name]
    return limb.vertices[limb.places > rig.layout.appendage(name).blend]


def not_rigid(before, after):
    """What Kabsch's best rotation (scipy) leaves: the greatest distance."""
    before, after = before - before.mean(axis=0), after - after.mean(axis=0)
    turn = Rotation.align_vectors(after, before)[0]
    return np.linalg.norm(turn.apply(before) - after, axis=1).max()


def whole_pose(rig, seed):
    """Something for every control of the creature to do."""
    rng = np.random.default_rng(seed)
    controls = {}
    for name in rig.layout.all_control_names:
        bend, sway, twist = rng.uniform(-35, 35, 3)
        controls[name] = {
            "bend": bend,
            "sway": sway,
            "twist": twist,
            "stretch": rng.uniform(0.9, 1.15),
        }
    return Pose(controls)


# -- weights --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_rows_sum_to_one_over_all_ribbons_and_keep_the_limit_of_influences(name):
    rig = rig_of(name)
    weights = rig.mesh_weights
    assert weights.shape[1] == sum(len(one.stations) for one in rig.layout.ribbons.values())
    assert weights.min() >= 0.0
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, atol=1e-12)
    assert np.count_nonzero(weights, axis=1).max() <= 4
    few = [
        replace(one, layout=replace(one.layout, mesh_weights=replace(rules, influences=2)))
        for one in rig.layout.appendages
        for rules in [one.layout.mesh_weights]
    ]
    body = replace(rig.layout.mesh_weights, influences=2)
    less = rebind(rig, replace(rig.layout, mesh_weights=body, appendages=tuple(few)))
    assert np.count_nonzero(less.mesh_weights, axis=1).max() <= 2
    np.testing.assert_allclose(less.mesh_weights.sum(axis=1), 1.0, atol=1e-12)


@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_no_weight_crosses_between_body_and_limb(name):
    # the file's own groups say what is limb and what is body
    rig = rig_of(name)
    for limb in LIMBS[name]:
        own = rig.mesh_weights[:, rig.joints_of[limb]].sum(axis=1)
        off = np.setdiff1d(np.arange(len(own)), group(rig.mesh, limb))
        assert own[off].max() == 0.0  # none of a barbel on the cheek
        beyond = beyond_blend(rig, limb)
        np.testing.assert_allclose(own[beyond], 1.0, atol=1e-12)  # no body out along a barbel
        assert len(beyond) > 0.5 * len(group(rig.mesh, limb))


@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_weights_are_continuous_along_the_base(name):
    rig = rig_of(name)
    edges, positions = rig.mesh.edges, rig.mesh.positions
    lengths = np.linalg.norm(positions[edges[:, 0]] - positions[edges[:, 1]], axis=1)
    for one in rig.layout.appendages:
        share = rig.mesh_weights[:, rig.joints_of[one.name]].sum(axis=1)
        step = np.abs(share[edges[:, 0]] - share[edges[:, 1]])
        # a smoothstep over the blend rises by 1.5 over its width at the most (its derivative);
        # where a limb narrows or turns, places run up to 2.3 times as fast as the way over the skin
        assert (step <= 3.45 * lengths / one.blend).all()
        assert share.max() == pytest.approx(1.0)


def test_a_wider_blend_is_gentler():
    rig = rig_of("lampeel")
    edges = rig.mesh.edges
    steepest = []
    for factor in (0.5, 1.0, 2.0):
        one = rig.layout.appendage("fin_l")
        wide = (
            rebind(rig, rig.layout.with_appendage(replace(one, blend=factor * one.blend)))
            .mesh_weights[:, rig.joints_of["fin_l"]]
            .sum(axis=1)
        )
        steepest.append(np.abs(wide[edges[:, 0]] - wide[edges[:, 1]]).max())
    assert steepest[0] > 1.5 * steepest[1] > 2.0 * steepest[2]


# -- blending, by other libraries -----------------------------------------------------------


def usd_points(rig, pose, method):
    """UsdSkel.SkinPoints over all joints of all ribbons."""
    weights, joints = rig.mesh_weights, rig.joint_pose(pose)
    order = np.argsort(-weights, axis=1, kind="stable")[:, :4]
    held = np.take_along_axis(weights, order, axis=1)
    moves = joints.transforms if method == "linear" else joints.rigid
    points = rig.mesh.positions
    if method == "dual_quaternion":
        # USD's dual quaternions leave out stretch, which ours blend linearly beforehand
        rows = np.concatenate([points, np.ones((len(points), 1))], axis=1)
        points = np.einsum("vn,nij,vj->vi", weights, joints.scales, rows, optimize=True)[:, :3]
    out = Vt.Vec3fArray.FromNumpy(np.ascontiguousarray(points, np.float32))
    matrices = Vt.Matrix4dArray([Gf.Matrix4d(*m.T.ravel().tolist()) for m in moves])
    name = {"linear": "classicLinear", "dual_quaternion": "dualQuaternion"}[method]
    done = UsdSkel.SkinPoints(
        name,
        Gf.Matrix4d(1),
        matrices,
        Vt.IntArray.FromNumpy(np.ascontiguousarray(order, np.int32).ravel()),
        Vt.FloatArray.FromNumpy(np.ascontiguousarray(held, np.float32).ravel()),
        4,
        out,
        True,
    )
    assert done
    return np.array(out, dtype=float)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_blending_over_all_joints_matches_usd(name, method):
    rig = rig_of(name)
    poses = [whole_pose(rig, 1), rig.pose_for("appendage_curl"), rig.pose_for("twist")]
    for pose in poses:
        got = rig.deform(pose, method)
        np.testing.assert_allclose(
            got, usd_points(rig, pose, method), rtol=0, atol=1e-6 * size_of(rig)
        )


@pytest.mark.parametrize("turns", [120.0, 250.0, 360.0])
def test_signs_agree_where_a_turned_appendage_meets_its_carrier(turns):
    # a quaternion past half a turn meets its carrier's with the opposite sign: USD takes the
    # influence of most weight for a pivot, ours the parent; at the base both must come to one
    rig = rig_of("lampeel")
    first = rig.layout.appendage("barbel_l").layout.control_names[0]
    pose = Pose({f"barbel_l.{first}": {"twist": turns}, "control5": {"twist": 200.0}})
    got = rig.deform(pose, "dual_quaternion")
    expected = usd_points(rig, pose, "dual_quaternion")
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-6 * size_of(rig))


@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_linear_blending_over_all_joints_matches_libigl(name):
    rig, pose = rig_of(name), whole_pose(rig_of(name), 2)
    moves = rig.joint_pose(pose).transforms
    matrix = igl.lbs_matrix(rig.mesh.positions, np.ascontiguousarray(rig.mesh_weights))
    stacked = np.vstack([m[:3].T for m in moves])
    expected = matrix @ np.ascontiguousarray(stacked)
    np.testing.assert_allclose(rig.deform(pose), expected, rtol=0, atol=1e-9 * size_of(rig))


# -- posing -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_rest_is_rest(name):
    rig = rig_of(name)
    for method in METHODS:
        got = rig.deform(Pose(), method)
        np.testing.assert_allclose(got, rig.mesh.positions, rtol=0, atol=1e-11 * size_of(rig))


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("limb", LIMBS["lampeel"])
def test_bending_a_limb_by_ninety_degrees_moves_nothing_off_it(limb, method):
    rig = rig_of("lampeel")
    off = np.setdiff1d(np.arange(len(rig.mesh.positions)), group(rig.mesh, limb))
    for control in rig.layout.appendage(limb).layout.control_names:
        for way in ("bend", "sway", "twist"):
            moved = rig.deform(Pose({f"{limb}.{control}": {way: 90.0}}), method)
            away = np.linalg.norm(moved - rig.mesh.positions, axis=1)
            # the bound asked for is 0.1 % of the body's length
            assert away[off].max() <= 1e-3 * rig.layout.ribbon.length
            assert away[off].max() < 1e-9 * rig.layout.ribbon.length
    assert away.max() > 0.0


@pytest.mark.parametrize("pose", ["c_bend", "s_bend", "twist", "stretch", "look_aside"])
@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_moving_the_body_carries_limbs_rigidly(name, pose):
    rig = rig_of(name)
    moved = rig.deform(rig.pose_for(pose))
    for limb in LIMBS[name]:
        beyond = beyond_blend(rig, limb)
        assert not_rigid(rig.mesh.positions[beyond], moved[beyond]) < 1e-9 * size_of(rig)


@pytest.mark.parametrize("name", first_of(*LIMBS))
@pytest.mark.parametrize("method", METHODS)
def test_a_limb_stays_on_its_body(name, method):
    # neither torn off nor pushed in: edges at the base stretch about as much as the body's own
    rig = rig_of(name)
    edges, rest = rig.mesh.edges, rig.mesh.positions
    for pose in ("c_bend", "s_bend", "twist"):
        moved = rig.deform(rig.pose_for(pose), method)

        def lengths(points, edges=edges):
            return np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1)

        stretch = lengths(moved) / lengths(rest)
        for limb in LIMBS[name]:
            on = np.zeros(len(rest), dtype=bool)
            on[rig.limbs[limb].vertices] = True
            base = on[edges].any(axis=1)
            assert stretch[base].max() < max(2.0, 1.3 * stretch[~base].max())
            assert stretch[base].min() > min(0.5, 0.7 * stretch[~base].min())


def test_the_body_does_not_feel_its_limbs():
    # off the limbs a creature with appendages bends as the same creature without
    rig = rig_of("lampeel")
    bare = bind(rig.mesh, build_layout(rig.mesh))
    off = np.ones(len(rig.mesh.positions), dtype=bool)
    for limb in rig.limbs.values():
        off[limb.vertices] = False
    pose = Pose({"control2": {"bend": 30, "twist": 40}, "control4": {"sway": 25}})
    np.testing.assert_allclose(
        rig.deform(pose)[off], bare.deform(pose)[off], rtol=0, atol=1e-10 * size_of(rig)
    )


@pytest.mark.parametrize(
    ("name", "limb"), first_of(("lampeel", "fin_l"), ("snuffer", "arm_side_l"))
)
def test_controls_of_a_limb_move_in_its_own_frame_wherever_it_is_carried(name, limb):
    rig = rig_of(name)
    own = Pose({f"{limb}.control2": {"bend": 40, "sway": 10}})
    body = rig.pose_for("c_bend")
    both = Pose({**body.controls, **own.controls})
    alone, carried = rig.deform(own), rig.deform(both)
    beyond = beyond_blend(rig, limb)
    a, b = alone[beyond], carried[beyond]
    assert not_rigid(a, b) < 1e-9 * size_of(rig)
    assert np.linalg.norm(a - b, axis=1).max() > 1.0


# -- an appendage on an appendage, and one beside the body ----------------------------------


@cache
def branched_rig():
    """A body, an arm on it, and a twig on the arm; the twig's ribbon drawn by hand."""
    mesh, owner = branched()
    layout = build_layout(mesh)
    (arm,) = find_appendages(mesh, layout.ribbon)
    layout = layout.with_appendage(arm.appendage("arm", controls=3))
    ribbon = Ribbon.along([[14, 1.6, 20], [14, 5, 20], [14, 8, 20], [14, 11, 20]], 0.7, 4)
    one = layout.appendage("arm").layout.ribbon
    at = float((14 - one.midline(0.0)[0]) / one.length)
    twig = Appendage("twig", Layout.from_ribbon(ribbon, 5, 2), at, rides_on="arm", blend=1.0)
    return bind(mesh, layout.with_appendage(twig)), owner


@pytest.mark.slow
def test_a_limb_on_a_limb_rides_with_it():
    rig, owner = branched_rig()
    assert set(owner[rig.limbs["twig"].vertices]) == {"twig"}
    assert len(rig.limbs["twig"].vertices) > 0.6 * np.count_nonzero(owner == "twig")
    parents = dict(zip(rig.joint_names, rig.joint_parents, strict=True))
    assert rig.joint_names[parents["twig.joint1"]].startswith("arm.")
    assert rig.joint_names[parents["arm.joint1"]].startswith("joint")
    # the body moves both, the arm the twig, the twig neither
    beyond = beyond_blend(rig, "twig")
    for pose, moves in (
        (rig.pose_for("c_bend"), True),
        (Pose({"arm.control1": {"bend": 40}}), True),
        (Pose({"arm.control2": {"bend": 40}}), True),
    ):
        moved = rig.deform(pose)
        before, after = rig.mesh.positions[beyond], moved[beyond]
        # the second control of two bends the arm's outer half, which the twig stands at the foot of
        assert (np.linalg.norm(after - before, axis=1).min() > 0.02) == moves
        assert not_rigid(before, after) < 1e-9 * size_of(rig)
    twisted = rig.deform(Pose({"twig.control1": {"bend": 90}}))
    away = np.linalg.norm(twisted - rig.mesh.positions, axis=1)
    assert away[owner != "twig"].max() < 1e-9
    assert away.max() > 2.0


@pytest.mark.slow
def test_a_fin_along_the_body_is_not_moved_by_what_it_lies_on():
    mesh, owner = flat_fin()
    layout = build_layout(mesh)
    (fin,) = find_appendages(mesh, layout.ribbon)
    rig = bind(mesh, layout.with_appendage(fin.appendage("fin")))
    own = rig.mesh_weights[:, rig.joints_of["fin"]].sum(axis=1)
    assert own[owner == "body"].max() == 0.0
    beyond = beyond_blend(rig, "fin")
    # the middle of the body, over which the fin lies, is bent away from under it
    moved = rig.deform(Pose({"control4": {"bend": 60}}))
    assert not_rigid(mesh.positions[beyond], moved[beyond]) < 1e-9 * size_of(rig)


# -- rigid parts ----------------------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("ribbon", ["body", "fin_r"])
def test_a_group_tied_to_a_station_of_any_ribbon_is_rigid(ribbon, method):
    plain = rig_of("lampeel")
    rig = rebind(
        plain, plain.layout.without_appendage("fin_l").with_tie(Tie(5, "fin_l", None, ribbon))
    )
    fin = group(rig.mesh, "fin_l")
    rest, pose = rig.mesh.positions[fin], whole_pose(rig, 7)
    moved = rig.deform(pose, method)[fin]
    assert not_rigid(rest, moved) < 1e-9 * size_of(rig)
    # it goes with the station that it is tied to, in its frame
    station = rig.joints_of[ribbon].start + 4
    before, after = rig.joint_rest[station], rig.joint_frames(pose)[station]
    local = (rest - before[:3, 3]) @ before[:3, :3]
    expected = local @ after[:3, :3].T + after[:3, 3]
    np.testing.assert_allclose(moved, expected, rtol=0, atol=1e-9 * size_of(rig))


# -- test poses -----------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [-30.0, 20.0, 60.0, 400.0])
@pytest.mark.parametrize("pose", ["appendage_fold", "appendage_spread"])
@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_fold_and_spread_turn_by_what_is_asked_and_never_past_their_direction(name, pose, degrees):
    rig = rig_of(name)
    for one in rig.layout.appendages:
        ribbon, body = one.layout.ribbon, rig.layout.ribbon
        t = body.place_at(one.at * body.length)
        along = body.midline(t, 1) / np.linalg.norm(body.midline(t, 1))
        base = np.asarray(ribbon.midline(0.0))
        if pose == "appendage_fold":  # towards the body's root
            wanted = -along
        else:  # straight off the body
            off = base - body.midline(t)
            wanted = off - (off @ along) * along
        target = appendage_target(rig.layout, one, pose, degrees)
        middle = int(np.argmin(np.abs(target.lengths - ribbon.arc_length(0.5))))
        before = np.asarray(ribbon.midline(0.5)) - base
        after = target.frames[middle, :3, 3] - base

        def angle(a, b):
            return np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b))

        open_angle = angle(before, wanted)
        turned = min(degrees, open_angle)
        left = open_angle - turned
        assert angle(after, wanted) == pytest.approx(min(left, 360.0 - left), abs=1.0)
        # a rigid turn: nothing within the limb bends
        start, end = ribbon.frames([0.0, 1.0])
        rest = np.linalg.inv(start) @ end
        posed = np.linalg.inv(target.frames[0]) @ target.frames[-1]
        np.testing.assert_allclose(posed, rest, atol=1e-2 * ribbon.length)


def test_curl_bends_every_limb_along_its_own_length():
    rig = rig_of("lampeel")
    pose = rig.pose_for("appendage_curl", 120)
    moved = rig.deform(pose)
    for limb in LIMBS["lampeel"]:
        assert np.linalg.norm(moved - rig.mesh.positions, axis=1)[beyond_blend(rig, limb)].max() > 1
        target = appendage_target(rig.layout, rig.layout.appendage(limb), "appendage_curl", 120)
        own = rig.layout.appendage(limb).layout.ribbon
        rest = own.frames([0.0, 1.0])
        turn = Rotation.from_matrix(
            (np.linalg.inv(rest[0]) @ rest[1])[:3, :3].T
            @ (np.linalg.inv(target.frames[0]) @ target.frames[-1])[:3, :3]
        )
        assert turn.magnitude() > np.radians(60)


@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_poses_of_appendages_leave_the_body_alone(name):
    rig = rig_of(name)
    body = group(rig.mesh, "body")
    body = np.setdiff1d(body, np.concatenate([limb.vertices for limb in rig.limbs.values()]))
    for pose in APPENDAGE_POSES:
        moved = rig.deform(rig.pose_for(pose))
        away = np.linalg.norm(moved - rig.mesh.positions, axis=1)
        assert away[body].max() < 1e-9 * size_of(rig)
        assert away.max() > 0.5


# -- left and right -------------------------------------------------------------------------


@pytest.mark.parametrize("name", first_of(*LIMBS))
def test_weights_of_paired_limbs_are_mirrored(name):
    rig = rig_of(name)
    assert {one.partner for one in rig.layout.appendages} == set(LIMBS[name])
    assert weight_asymmetry(rig, find_plane(rig.mesh)).max() < 1e-4


def test_limbs_that_nobody_paired_are_not_called_uneven():
    rig = rig_of("lampeel")
    alone = tuple(replace(one, partner=None) for one in rig.layout.appendages)
    loose = rebind(rig, replace(rig.layout, appendages=alone))
    plane = find_plane(rig.mesh)
    assert weight_asymmetry(loose, plane).max() < 1e-4
    assert pose_asymmetry(loose, plane, loose.pose_for("appendage_curl")) < 1e-4
    # one that is missing is a difference
    less = rebind(rig, rig.layout.without_appendage("fin_r"))
    assert weight_asymmetry(less, plane).max() > 0.5


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("pose", [*APPENDAGE_POSES, "c_bend", "twist"])
def test_mirrored_poses_mirror_a_creature_with_limbs(pose, method):
    rig = rig_of("lampeel")
    assert pose_asymmetry(rig, find_plane(rig.mesh), rig.pose_for(pose), method) < 1e-4


# -- the check ------------------------------------------------------------------------------


def painted(rig, limb, vertices, share):
    """A rig with weights of a limb painted where they do not belong."""
    weights = rig.mesh_weights.copy()
    weights[vertices] *= 1.0 - share
    weights[vertices, rig.joints_of[limb].start + 3] += share
    return Rig(
        rig.mesh,
        rig.layout,
        rig.places,
        rig.surface_weights,
        weights,
        rig.limbs,
        rig.body_weights,
    )


def test_weight_of_a_barbel_on_the_cheek_is_found_as_bleed():
    rig = rig_of("lampeel")
    assert bleed(rig).max() < 0.01
    base = rig.mesh.positions[rig.limbs["barbel_l"].base].mean(axis=0)
    body = np.setdiff1d(group(rig.mesh, "body"), rig.limbs["barbel_l"].vertices)
    cheek = body[np.argsort(np.linalg.norm(rig.mesh.positions[body] - base, axis=1))[40:80]]
    wrong = painted(rig, "barbel_l", cheek, 0.3)
    held = bleed(wrong)
    np.testing.assert_allclose(held[cheek], 0.3, atol=0.02)
    np.testing.assert_allclose(np.delete(held, cheek), np.delete(bleed(rig), cheek), atol=1e-12)
    report = check(wrong, ["c_bend"], remedies=False)
    found = [finding for finding in report.findings if finding.kind == "bleed"]
    assert found
    assert found[0].value == pytest.approx(held.max(), rel=1e-6)
    assert not [
        finding
        for finding in check(rig, ["c_bend"], remedies=False).findings
        if finding.kind == "bleed"
    ]


def test_weight_of_the_body_out_along_a_barbel_is_found_as_bleed():
    rig = rig_of("lampeel")
    tip = rig.limbs["barbel_r"].vertices[rig.limbs["barbel_r"].places > 9.0]
    weights = rig.mesh_weights.copy()
    weights[tip] *= 0.6
    weights[tip, 16] += 0.4
    wrong = replace(rig, mesh_weights=weights)
    np.testing.assert_allclose(bleed(wrong)[tip], 0.4, atol=1e-9)


def test_a_limb_that_goes_through_the_body_is_named():
    rig = rig_of("lampeel")
    pose = Pose({"fin_l.control1": {"bend": -150.0}})
    # libigl says which triangles cross: the fin's and the body's
    moved = rig.deform(pose)
    crossing = igl.predicates.find_self_intersections(moved, rig.mesh.triangles.astype(np.int64))[1]
    fin = np.isin(rig.mesh.triangles, rig.limbs["fin_l"].vertices).any(axis=1)
    apart = fin[crossing[:, 0]] != fin[crossing[:, 1]]
    assert np.count_nonzero(apart) > 50
    found = check(rig, {"through": pose}, remedies=False).findings
    (contact,) = [finding for finding in found if finding.kind == "contact"]
    assert contact.value == len(crossing)
    assert {contact.place.ribbon, contact.place.against} == {"fin_l", "body"}
    assert "where fin_l meets body" in contact.sentence
    apart_pose = Pose({"fin_l.control2": {"bend": 10.0}})
    folded = check(rig, {"apart": apart_pose}, remedies=False)
    assert not [finding for finding in folded.findings if finding.kind == "contact"]


def test_painting_one_side_is_found_as_a_difference_of_left_and_right():
    rig = rig_of("lampeel")
    plane = find_plane(rig.mesh)
    fin = beyond_blend(rig, "fin_l")[:50]
    wrong = painted(rig, "fin_l", fin, 0.5)
    assert weight_asymmetry(wrong, plane)[fin].min() > 0.1
    assert "asymmetry" in {
        finding.kind for finding in check(wrong, ["c_bend"], remedies=False).findings
    }


@pytest.mark.slow
def test_every_test_pose_of_a_creature_with_limbs_is_checked():
    rig = rig_of("lampeel")
    report = check(rig)
    assert set(report.cases) == {*TEST_POSES, *APPENDAGE_POSES}


# -- layouts --------------------------------------------------------------------------------


def test_a_layout_file_gives_the_same_rig_to_the_last_bit(tmp_path):
    rig = rig_of("lampeel")
    layout = replace(
        rig.layout.with_tie(Tie(3, group="barbel_l", ribbon="body")),
        poses={"reach": whole_pose(rig, 3), "fold": rig.pose_for("appendage_fold")},
    ).without_appendage("barbel_l")
    file = tmp_path / "lampeel.toml"
    layout.save(file)
    again = Layout.load(file)
    assert again.all_control_names == layout.all_control_names
    assert again.ties == layout.ties
    for name, one in layout.ribbons.items():
        other = again.ribbons[name]
        np.testing.assert_array_equal(one.ribbon.control_points, other.ribbon.control_points)
        np.testing.assert_array_equal(one.ribbon.knots, other.ribbon.knots)
        np.testing.assert_array_equal(one.stations, other.stations)
        assert one.controls == other.controls
    for one, other in zip(layout.appendages, again.appendages, strict=True):
        assert (one.name, one.at, one.rides_on, one.blend, one.partner) == (
            *(other.name, other.at, other.rides_on, other.blend, other.partner),
        )
    assert {k: v.to_dict() for k, v in again.poses.items()} == {
        k: v.to_dict() for k, v in layout.poses.items()
    }
    first, second = bind(rig.mesh, layout), bind(rig.mesh, again)
    np.testing.assert_array_equal(first.mesh_weights, second.mesh_weights)
    pose = layout.poses["reach"]
    np.testing.assert_array_equal(first.deform(pose), second.deform(again.poses["reach"]))


@pytest.mark.slow
def test_rebinding_gives_what_binding_gives():
    rig = rig_of("lampeel")
    one = rig.layout.appendage("fin_l")
    changes = [
        rig.layout.with_appendage(replace(one, blend=2.0)),
        rig.layout.without_appendage("barbel_l"),
        rig.layout.with_appendage(replace(one, layout=one.layout.with_stations(5))),
        rig.layout.with_control("control2", station=4),
    ]
    for layout in changes:
        quick, slow = rebind(rig, layout), bind(rig.mesh, layout)
        np.testing.assert_allclose(quick.mesh_weights, slow.mesh_weights, atol=1e-9)
        pose = whole_pose(slow, 4)
        np.testing.assert_allclose(quick.deform(pose), slow.deform(pose), atol=1e-7)


def test_a_pose_is_kept_when_the_layout_under_it_changes():
    rig = rig_of("lampeel")
    pose = whole_pose(rig, 6)
    one = rig.layout.appendage("fin_l")
    more = rebind(rig, rig.layout.with_appendage(replace(one, layout=one.layout.with_added(3))))
    kept = carry_over(rig, more, pose)
    for limb in ("barbel_l", "barbel_r", "fin_r"):
        for control in rig.layout.appendage(limb).layout.control_names:
            assert kept[f"{limb}.{control}"] == pose[f"{limb}.{control}"]
    away = np.linalg.norm(more.deform(kept) - rig.deform(pose), axis=1)
    fin = rig.limbs["fin_l"].vertices
    assert np.delete(away, fin).max() < 1e-9
    assert away[fin].max() < 0.12 * one.layout.ribbon.length
    gone = rebind(rig, rig.layout.without_appendage("fin_l"))
    assert not [name for name in carry_over(rig, gone, pose).controls if name.startswith("fin_l.")]


def test_names_of_controls_and_joints_are_led_by_their_ribbon():
    rig = rig_of("lampeel")
    names = rig.layout.all_control_names
    assert len(set(names)) == len(names)
    body = [name for name in names if "." not in name]
    assert body == list(rig.layout.control_names)
    for limb in LIMBS["lampeel"]:
        own = [name for name in names if name.startswith(f"{limb}.")]
        assert [name.removeprefix(f"{limb}.") for name in own] == list(
            rig.layout.appendage(limb).layout.control_names
        )
    assert len(rig.joint_names) == rig.mesh_weights.shape[1]
    # a dot in a name of its own splits nothing wrongly
    odd = rig.layout.with_appendage_renamed("fin_l", "fin.left.upper")
    own = [name for name in odd.all_control_names if name.startswith("fin.left.upper.")]
    assert len(own) == 3
    assert odd.appendage("fin_r").partner == "fin.left.upper"
    moved = rebind(rig, odd).deform(Pose({own[0]: {"bend": 30}}))
    same = rig.deform(Pose({"fin_l.control1": {"bend": 30}}))
    np.testing.assert_allclose(moved, same, atol=1e-9)


def test_kept_poses_follow_names_and_forget_what_is_gone():
    rig = rig_of("lampeel")
    pose = Pose({"fin_l.control1": {"bend": 30}, "control2": {"sway": 5}})
    layout = replace(rig.layout, poses={"wave": pose})
    renamed = layout.with_appendage_renamed("fin_l", "wing")
    assert set(renamed.poses["wave"].controls) == {"wing.control1", "control2"}
    assert set(layout.without_appendage("fin_l").poses["wave"].controls) == {"control2"}
    assert layout.without_appendage("fin_l").appendage("fin_r").partner is None


def test_reversing_the_body_keeps_limbs_where_they_are():
    rig = rig_of("lampeel")
    turned = bind(rig.mesh, rig.layout.reversed())
    for name in LIMBS["lampeel"]:
        there, here = turned.layout.appendage(name), rig.layout.appendage(name)
        assert there.at == pytest.approx(1.0 - here.at)
        shared = np.intersect1d(turned.limbs[name].vertices, rig.limbs[name].vertices)
        assert len(shared) > 0.98 * len(rig.limbs[name].vertices)


# -- errors ---------------------------------------------------------------------------------


def on_body(name="wart"):
    """An appendage whose tip is on no limb."""
    ribbon = Ribbon.along([[0, 10, 0], [0, 12, 0], [0, 14, 0], [0, 15, 0]], 1.0, 4)
    return Appendage(name, Layout.from_ribbon(ribbon, 4, 2), 0.4)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda rig: bind(rig.mesh, rig.layout.with_appendage(on_body())),
         "the tip of 'wart' is not on a limb of 'body': choose a tip that stands out from it"),
        (lambda rig: bind(rig.mesh, rig.layout.with_appendage(
            replace(rig.layout.appendage("fin_l"), name="twin", partner=None))),
         "are on one limb: take one of them away"),
        (lambda rig: rig.layout.with_appendage(
            replace(rig.layout.appendage("fin_l"), rides_on="mast")),
         "'fin_l' rides on 'mast', which is not there: choose one of body"),
        (lambda rig: parents_first([replace(on_body("a"), rides_on="b"),
                                    replace(on_body("b"), rides_on="a")]),
         "'a' rides on itself in a circle: break the circle"),
        (lambda rig: parents_first([on_body("a"), on_body("a")]), "two ribbons are called 'a'"),
        (lambda rig: parents_first([on_body("body")]), "two ribbons are called 'body'"),
        (lambda rig: replace(on_body(), at=1.2), "at of 'wart' = 1.2"),
        (lambda rig: replace(on_body(), at=float("nan")), "at of 'wart' = nan"),
        (lambda rig: replace(on_body(), blend=-1.0), "blend of 'wart' = -1"),
        (lambda rig: replace(on_body(), blend=float("inf")), "blend of 'wart' = inf"),
        (lambda rig: replace(on_body(), name=" "), "an appendage has no name: give it one"),
        (lambda rig: Tie(1), "a tie names one part: give a group or a component's number"),
        (lambda rig: Tie(1, group="eye", component=2), "a tie names one part"),
        (lambda rig: rig.layout.with_tie(Tie(99, group="fin_l")), "station of group 'fin_l' = 99"),
        (lambda rig: rig.layout.with_tie(Tie(1, group="fin_l", ribbon="mast")),
         "tied to the ribbon 'mast', which is not there"),
        (lambda rig: bind(rig.mesh, rig.layout.with_tie(Tie(2, group="teeth"))),
         "lampeel has no group 'teeth': choose from body"),
        (lambda rig: bind(rig.mesh, rig.layout.with_tie(Tie(2, component=7))),
         "lampeel has no component 7: give 1 to 1"),
        (lambda rig: rig.layout.appendage("tail"), "no appendage is called 'tail'"),
        (lambda rig: rig.deform(Pose({"fin_l.control9": {"bend": 1}})),
         "no control is called 'fin_l.control9'"),
        (lambda rig: replace(rig, layout=replace(rig.layout, appendages=())).pose_for(
            "appendage_curl"), "moves appendages and this layout has none: add one first"),
        (lambda rig: rig.pose_for("appendage_curl", 1e9), "amount of appendage_curl in degrees"),
        (lambda rig: rig.pose_for("c_bend", ribbon="mast"), "no appendage is called 'mast'"),
        (lambda rig: rig.part("mast"), "no appendage is called 'mast'"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_said_in_one_sentence(make, words):
    with pytest.raises(RibbonsimError) as error:
        make(rig_of("lampeel"))
    sentence = str(error.value)
    assert words in sentence
    assert "\n" not in sentence
    assert sentence.count(". ") == 0
