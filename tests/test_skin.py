"""Skinning against libigl, OpenUSD, closed forms and the plain sums."""

import os
import re
import subprocess
import sys
from types import SimpleNamespace

import igl
import numba
import numpy as np
import pytest
from cases import first_of
from hypothesis import given, settings
from hypothesis import strategies as st
from pxr import Gf, UsdSkel, Vt
from scipy.linalg import expm, logm
from scipy.spatial.transform import Rotation
from tubes import rigid, triangulated

from ribbonsim import RibbonsimError
from ribbonsim.rig import kernels
from ribbonsim.rig.dual_quaternions import (
    align_signs,
    from_dual_quaternions,
    to_dual_quaternions,
)
from ribbonsim.rig.skin import Skinner


def chain(joints, seed, most=150.0):
    """Rigid joints, each turned by less than a half turn against the one before it."""
    rng = np.random.default_rng(seed)
    motions, motion = [], np.eye(4)
    for _ in range(joints):
        axis = rng.normal(size=3)
        step = np.radians(rng.uniform(0, most)) * axis / np.linalg.norm(axis)
        motion = motion @ rigid(step, rng.normal(size=3))
        motions.append(motion)
    return np.array(motions)


def cloud(vertices=500, seed=0):
    return np.random.default_rng(seed).normal(size=(vertices, 3)) * [5, 1, 1]


def windowed(vertices, joints, width, seed):
    """Weights over neighbouring joints, as a ribbon has them."""
    rng = np.random.default_rng(seed)
    first = rng.integers(0, joints - width + 1, vertices)
    weights = np.zeros((vertices, joints))
    columns = first[:, None] + np.arange(width)
    np.put_along_axis(weights, columns, rng.random((vertices, width)) ** 2 + 1e-3, axis=1)
    return weights / weights.sum(axis=1, keepdims=True)


def scattered(vertices, joints, seed):
    """Weights anywhere, zeros among them."""
    rng = np.random.default_rng(seed)
    weights = rng.random((vertices, joints)) * (rng.random((vertices, joints)) < 0.4)
    weights[np.arange(vertices), rng.integers(0, joints, vertices)] += 0.1
    return weights / weights.sum(axis=1, keepdims=True)


def usd_skinned(method, rest, weights, transforms):
    """OpenUSD's UsdSkel.SkinPoints, float32 points, row-vector matrices."""
    joints = Vt.Matrix4dArray([Gf.Matrix4d(*m.T.ravel().tolist()) for m in transforms])
    points = Vt.Vec3fArray.FromNumpy(np.ascontiguousarray(rest, np.float32))
    count = weights.shape[1]
    index = np.tile(np.arange(count, dtype=np.int32), len(rest))
    assert UsdSkel.SkinPoints(
        method,
        Gf.Matrix4d(1),
        joints,
        Vt.IntArray.FromNumpy(index),
        Vt.FloatArray.FromNumpy(np.ascontiguousarray(weights, np.float32).ravel()),
        count,
        points,
        True,
    )
    return np.array(points, dtype=float)


def einsum_blend(rest, weights, transforms):
    rows = np.einsum("vn,nij->vij", weights, transforms[:, :3, :])
    return np.einsum("vij,vj->vi", rows[:, :, :3], rest) + rows[:, :, 3]


def linear_blend(rest, weights, transforms):
    return Skinner(rest, weights).linear(transforms)


def dual_quaternion_blend(rest, weights, rigid, scales=None):
    return Skinner(rest, weights).dual_quaternion(rigid, scales)


# -- linear -------------------------------------------------------------------------------


@pytest.mark.parametrize("weights", [windowed(500, 9, 4, 1), scattered(500, 9, 2)])
def test_linear_matches_igl_lbs_matrix(weights):
    rest, transforms = cloud(), chain(9, 3)
    stacked = np.vstack([m[:3].T for m in transforms])
    expected = igl.lbs_matrix(rest, weights) @ np.ascontiguousarray(stacked)
    got = linear_blend(rest, weights, transforms)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-12 * np.abs(expected).max())


@pytest.mark.parametrize("weights", [windowed(500, 9, 4, 4), scattered(500, 9, 5)])
def test_linear_matches_usd_classic_linear(weights):
    rest, transforms = cloud(seed=6), chain(9, 7)
    expected = usd_skinned("classicLinear", rest, weights, transforms)
    size = np.linalg.norm(np.ptp(expected, axis=0))
    got = linear_blend(rest, weights, transforms)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-6 * size)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 40), st.integers(1, 12))
def test_linear_matches_einsum_for_any_weights(seed, vertices, joints):
    weights = scattered(vertices, joints, seed)
    rest, transforms = (
        cloud(vertices, seed),
        np.random.default_rng(seed).normal(size=(joints, 4, 4)),
    )
    got = linear_blend(rest, weights, transforms)
    np.testing.assert_allclose(got, einsum_blend(rest, weights, transforms), atol=1e-11)


# -- dual quaternions ---------------------------------------------------------------------


def naive_dual_quaternions(rest, weights, transforms):
    """Kavan et al. 2008, algorithm 1, vertex by vertex; pivot: the greatest weight."""
    quats = Rotation.from_matrix(transforms[:, :3, :3]).as_quat()
    result = np.empty_like(rest)
    for v, (point, row) in enumerate(zip(rest, weights, strict=True)):
        pivot = quats[np.argmax(row)]
        signs = np.where(quats @ pivot < 0, -1.0, 1.0) * row
        real = signs @ quats
        dual = np.zeros(4)
        for share, q, m in zip(signs, quats, transforms, strict=True):
            x, w, t = q[:3], q[3], m[:3, 3]
            dual += share * 0.5 * np.r_[w * t + np.cross(t, x), -t @ x]
        size = np.linalg.norm(real)
        x, w, dx, dw = real[:3] / size, real[3] / size, dual[:3] / size, dual[3] / size
        shift = 2 * (w * dx - dw * x + np.cross(x, dx))
        result[v] = Rotation.from_quat(real).apply(point) + shift
    return result


def chain_for_pivots(seed):
    """Joints that agree in sign whichever is the pivot: below a half turn over any window."""
    return chain(9, seed, most=40.0)


@pytest.mark.parametrize("seed", range(4))
def test_dual_quaternions_match_usd(seed):
    rest, weights, transforms = cloud(seed=seed), windowed(500, 9, 4, seed), chain_for_pivots(seed)
    expected = usd_skinned("dualQuaternion", rest, weights, transforms)
    size = np.linalg.norm(np.ptp(expected, axis=0))
    got = dual_quaternion_blend(rest, weights, transforms)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-6 * size)


def test_dual_quaternions_of_neighbours_below_a_half_turn_match_usd():
    # up to 150 degrees from joint to joint and two joints a vertex: still one sign for both
    rest, weights, transforms = cloud(seed=8), windowed(500, 9, 2, 8), chain(9, 8)
    expected = usd_skinned("dualQuaternion", rest, weights, transforms)
    size = np.linalg.norm(np.ptp(expected, axis=0))
    got = dual_quaternion_blend(rest, weights, transforms)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-6 * size)


@pytest.mark.parametrize("seed", range(3))
def test_dual_quaternions_match_kavan_by_the_letter(seed):
    rest, weights = cloud(200, seed), windowed(200, 9, 4, seed)
    transforms = chain_for_pivots(seed)
    got = dual_quaternion_blend(rest, weights, transforms)
    np.testing.assert_allclose(got, naive_dual_quaternions(rest, weights, transforms), atol=1e-11)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 10))
def test_dual_quaternions_of_one_motion_are_that_motion(seed, joints):
    rest, weights = cloud(60, seed), scattered(60, joints, seed)
    motion = chain(1, seed, most=179.0)[0]
    got = dual_quaternion_blend(rest, weights, np.broadcast_to(motion, (joints, 4, 4)))
    np.testing.assert_allclose(got, rest @ motion[:3, :3].T + motion[:3, 3], atol=1e-11)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_dual_quaternions_are_left_and_right_invariant(seed):
    # Kavan et al. 2008, section 4: coordinate invariance of the blend
    rest, weights, transforms = cloud(60, seed), windowed(60, 6, 3, seed), chain(6, seed, 50.0)
    left = chain(1, seed + 1, 179.0)[0]
    moved = dual_quaternion_blend(rest, weights, left @ transforms)
    expected = dual_quaternion_blend(rest, weights, transforms) @ left[:3, :3].T + left[:3, 3]
    np.testing.assert_allclose(moved, expected, atol=1e-10)
    back = np.linalg.inv(left)
    there = rest @ left[:3, :3].T + left[:3, 3]
    again = dual_quaternion_blend(there, weights, transforms @ back)
    np.testing.assert_allclose(again, dual_quaternion_blend(rest, weights, transforms), atol=1e-9)


def test_scaled_dual_quaternions_are_linear_scaling_then_blending():
    rest, weights, transforms = cloud(200, 9), windowed(200, 9, 4, 9), chain_for_pivots(9)
    scales = np.broadcast_to(np.eye(4), (9, 4, 4)).copy()
    scales[:, [0, 1, 2], [0, 1, 2]] = np.random.default_rng(9).uniform(0.5, 2, (9, 3))
    scales[:, :3, 3] = np.random.default_rng(10).normal(size=(9, 3))
    got = dual_quaternion_blend(rest, weights, transforms, scales)
    grown = einsum_blend(rest, weights, scales)
    np.testing.assert_allclose(got, naive_dual_quaternions(grown, weights, transforms), atol=1e-11)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_dual_quaternion_conversion_matches_scipy(seed):
    transforms = chain(5, seed, most=179.0)
    dual = to_dual_quaternions(transforms)
    quats = Rotation.from_matrix(transforms[:, :3, :3]).as_quat()[:, [3, 0, 1, 2]]
    agree = np.abs(np.sum(dual[:, :4] * quats, axis=1))
    np.testing.assert_allclose(agree, 1.0, atol=1e-12)
    np.testing.assert_allclose(np.sum(dual[:, :4] * dual[:, 4:], axis=1), 0.0, atol=1e-12)
    np.testing.assert_allclose(from_dual_quaternions(3.0 * dual), transforms, atol=1e-12)


def test_aligned_signs_agree_along_the_chain():
    quats = to_dual_quaternions(chain(40, 3, most=179.0))
    aligned = align_signs(quats)
    assert (np.sum(aligned[1:, :4] * aligned[:-1, :4], axis=1) >= 0).all()
    np.testing.assert_array_equal(np.abs(aligned), np.abs(quats))


# -- angles of the blend ------------------------------------------------------------------


def blended_angle(w, theta):
    """Degrees that two joints about z, 0 and theta, turn a point of weight w."""
    joints = np.array([np.eye(4), rigid([0, 0, np.radians(theta)], [0, 0, 0])])
    rest = np.broadcast_to([1.0, 0.0, 0.0], (len(w), 3))
    moved = dual_quaternion_blend(rest, np.stack([1 - w, w], axis=1), joints)
    return np.degrees(np.arctan2(moved[:, 1], moved[:, 0]))


@pytest.mark.parametrize("theta", [30.0, 90.0, 150.0, 179.9])
def test_blended_angle_matches_closed_form(theta):
    # phi(w) = 2 atan2(w sin(theta/2), 1 - w + w cos(theta/2)): two unit quaternions mixed
    w, half = np.linspace(0, 1, 41), np.radians(theta / 2)
    phi = np.degrees(2 * np.arctan2(w * np.sin(half), 1 - w + w * np.cos(half)))
    np.testing.assert_allclose(blended_angle(w, theta), phi, atol=1e-9)


def screw_interpolated(motion, w):
    """ScLERP of the rest and a motion: the w-th power of the motion, by scipy's expm and logm."""
    log = np.real(logm(motion))
    return np.array([expm(share * log) for share in w])


@pytest.mark.parametrize("theta", [30.0, 90.0, 150.0, 179.0])
def test_blend_stays_within_kavan_bound_of_sclerp(theta):
    # Kavan et al. 2008: never more than 8.15 degrees apart (bound from memory)
    axis = np.array([0.6, 0.0, 0.8])
    motion = rigid(np.radians(theta) * axis, [1.0, -2.0, 0.5])
    w = np.linspace(0, 1, 201)
    weights = np.stack([1 - w, w], axis=1)

    def told(points):
        rest = np.broadcast_to(np.asarray(points, dtype=float), (len(w), 3))
        return dual_quaternion_blend(rest, weights, np.array([np.eye(4), motion]))

    origin = told([0, 0, 0])
    turn = np.stack([told(e) - origin for e in np.eye(3)], axis=-1)
    exact = screw_interpolated(motion, w)[:, :3, :3]
    gap = np.degrees(Rotation.from_matrix(turn @ exact.transpose(0, 2, 1)).magnitude())
    assert gap.max() <= 8.15
    assert gap[[0, 100, 200]].max() < 1e-5  # exact at the ends and, by symmetry, half-way


@pytest.mark.parametrize(("theta", "most"), [(90, 0.9188), (179.99999, 8.1491)])
def test_largest_distance_from_sclerp_matches_closed_form(theta, most):
    # about one axis ScLERP turns evenly, by w theta; the maxima of |phi(w) - w theta| at
    # w = 0.2175 and 0.2386
    w = np.linspace(0, 1, 20_001)
    gap = np.abs(blended_angle(w, theta) - w * theta)
    assert gap.max() == pytest.approx(most, abs=6e-5)
    assert min(w[gap.argmax()], 1 - w[gap.argmax()]) == pytest.approx(
        0.2175 if theta == 90 else 0.2386, abs=2e-3
    )


# -- closed forms on tubes ----------------------------------------------------------------

LENGTH, RAMP, RADIUS = 8.0, 4.0, 1.0


def cylinder(rings, around):
    """A closed tube about z: positions, faces."""
    z = np.linspace(-LENGTH / 2, LENGTH / 2, rings)
    angle = 2 * np.pi * np.arange(around) / around
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    wall = np.concatenate(
        [np.tile(RADIUS * circle, (rings, 1)), np.repeat(z, around)[:, None]], axis=1
    )
    points = np.vstack([wall, [[0, 0, z[0]], [0, 0, z[-1]]]])
    ring = np.arange(rings * around).reshape(rings, around)
    after = np.roll(ring, -1, axis=1)
    quads = np.stack([ring[:-1], after[:-1], after[1:], ring[1:]], axis=-1).reshape(-1, 4)
    faces = quads.tolist()
    faces += [[rings * around, b, a] for a, b in zip(ring[0], after[0], strict=True)]
    faces += [[rings * around + 1, a, b] for a, b in zip(ring[-1], after[-1], strict=True)]
    return points, faces


def ramp(points, kind):
    x = np.clip(points[:, 2] / RAMP + 0.5, 0, 1)
    w = x * x * (3 - 2 * x) if kind == "smooth" else x
    return np.stack([1 - w, w], axis=1)


def two_joints(kind, degrees):
    axis = [0, 0, 1.0] if kind == "twist" else [1.0, 0, 0]
    return np.array([np.eye(4), rigid(np.radians(degrees) * np.array(axis), [0, 0, 0])])


def volume(points, faces):
    """Volume within bilinear quads: the mean of cutting them one way and the other."""
    other = [face[1:] + face[:1] for face in faces]
    return np.mean([igl.moments(points, triangulated(f))[0] for f in (faces, other)])


@pytest.mark.parametrize("degrees", [45, 90, 135, 170])
def test_twisted_cylinder_radius_is_cos_half_angle(degrees):
    points, _ = cylinder(41, 24)
    middle = np.abs(points[:, 2]) < 1e-9
    weights, joints = ramp(points, "linear"), two_joints("twist", degrees)
    moved = linear_blend(points, weights, joints)[middle]
    np.testing.assert_allclose(
        np.hypot(*moved[:, :2].T), np.cos(np.radians(degrees / 2)), atol=1e-12
    )
    moved = dual_quaternion_blend(points, weights, joints)[:-2]
    np.testing.assert_allclose(np.hypot(*moved[:, :2].T), 1.0, atol=1e-12)


@pytest.mark.parametrize("degrees", first_of(120, 60, 180))
@pytest.mark.parametrize("kind", ["twist", "bend"])
@pytest.mark.parametrize("shape", first_of("smooth", "linear"))
def test_linear_volume_loss_matches_closed_form(shape, kind, degrees):
    # with I the integral of w (1 - w) over the ramp, l/6 or 9 l/70 for 3t^2 - 2t^3:
    # twist V/V0 = 1 - 4 sin^2(theta/2) I/L, bend 1 - 2 sin^2(theta/2) I/L
    integral = RAMP / 6 if shape == "linear" else 9 * RAMP / 70
    factor = 4 if kind == "twist" else 2
    expected = 1 - factor * np.sin(np.radians(degrees / 2)) ** 2 * integral / LENGTH
    points, faces = cylinder(161, 96)
    moved = linear_blend(points, ramp(points, shape), two_joints(kind, degrees))
    assert volume(moved, faces) / volume(points, faces) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("degrees", first_of(150, 60, 120))
@pytest.mark.parametrize("kind", ["twist", "bend"])
@pytest.mark.parametrize("shape", first_of("smooth", "linear"))
def test_dual_quaternions_keep_volume(shape, kind, degrees):
    # exact in the smooth limit; the mesh's own error falls with its square, 0.9999 at 161x96
    losses = []
    for rings, around in ((81, 48), (161, 96)):
        points, faces = cylinder(rings, around)
        moved = dual_quaternion_blend(points, ramp(points, shape), two_joints(kind, degrees))
        losses.append(1 - volume(moved, faces) / volume(points, faces))
    assert abs(losses[1]) < 2e-4
    assert abs(losses[1]) < 0.35 * abs(losses[0]) + 1e-9


# -- normals ------------------------------------------------------------------------------


def usd_normals(normals, weights, transforms):
    inverse = [np.linalg.inv(m[:3, :3]).T for m in transforms]
    joints = Vt.Matrix3dArray([Gf.Matrix3d(*m.T.ravel().tolist()) for m in inverse])
    result = Vt.Vec3fArray.FromNumpy(np.ascontiguousarray(normals, np.float32))
    count = weights.shape[1]
    assert UsdSkel.SkinNormals(
        "classicLinear",
        Gf.Matrix3d(1),
        joints,
        Vt.IntArray.FromNumpy(np.tile(np.arange(count, dtype=np.int32), len(normals))),
        Vt.FloatArray.FromNumpy(np.ascontiguousarray(weights, np.float32).ravel()),
        count,
        result,
        True,
    )
    return np.array(result, dtype=float)


def unit(vectors):
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def test_linear_normals_match_usd():
    rest, weights, transforms = cloud(seed=11), windowed(500, 9, 4, 11), chain(9, 11, most=60)
    normals = unit(np.random.default_rng(12).normal(size=rest.shape))
    scales = np.broadcast_to(np.diag([1.3, 0.8, 0.8, 1.0]), (9, 4, 4))
    got = Skinner(rest, weights, normals).normals(transforms, scales, "linear")
    np.testing.assert_allclose(got, usd_normals(normals, weights, transforms @ scales), atol=2e-6)


def test_dual_quaternion_normals_turn_with_the_skin():
    # with even weights the whole cloud moves rigidly, so normals turn as edges do
    rest, transforms = cloud(seed=13), chain(6, 13, most=60)
    weights = np.full((500, 6), 1 / 6)
    normals = unit(np.random.default_rng(14).normal(size=rest.shape))
    step = dual_quaternion_blend(rest + normals, weights, transforms) - dual_quaternion_blend(
        rest, weights, transforms
    )
    eyes = np.broadcast_to(np.eye(4), (6, 4, 4))
    got = Skinner(rest, weights, normals).normals(transforms, eyes, "dual_quaternion")
    np.testing.assert_allclose(got, step, atol=1e-11)


def test_normals_of_a_stretched_sphere_match_the_ellipsoid():
    # x^2/a^2 + y^2/b^2 + z^2/b^2 = 1 has its normal along (x/a^2, y/b^2, z/b^2)
    rest = unit(np.random.default_rng(15).normal(size=(300, 3)))
    a, b = 1.7, 0.6
    scales = np.diag([a, b, b, 1.0])[None]
    skinner = Skinner(rest, np.ones((300, 1)), rest)
    moved = skinner.linear(scales)
    expected = unit(moved / np.array([a, b, b]) ** 2)
    for method in ("linear", "dual_quaternion"):
        got = skinner.normals(np.eye(4)[None], scales, method)
        np.testing.assert_allclose(got, expected, atol=1e-12)


# -- precision, output --------------------------------------------------------------------


@pytest.mark.parametrize("weights", [windowed(9000, 9, 4, 16), scattered(9000, 9, 17)])
def test_float32_is_close_to_float64(weights):
    rest, transforms = cloud(9000, 18), chain_for_pivots(18)
    skinner = Skinner(rest, weights)
    for pose in (
        lambda kind: skinner.linear(transforms, dtype=kind),
        lambda kind: skinner.dual_quaternion(transforms, dtype=kind),
    ):
        fine, coarse = pose(np.float64), pose(np.float32)
        assert fine.dtype == np.float64
        assert coarse.dtype == np.float32
        size = np.linalg.norm(np.ptp(fine, axis=0))
        np.testing.assert_allclose(coarse, fine, rtol=0, atol=2e-6 * size)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_out_is_written_in_place_and_nothing_else_is_kept(kind):
    rest, weights, transforms = cloud(seed=19), windowed(500, 9, 4, 19), chain(9, 19)
    skinner = Skinner(rest, weights, unit(rest))
    eyes = np.broadcast_to(np.eye(4), (9, 4, 4))
    for pose in (
        lambda out, m: skinner.linear(m, out),
        lambda out, m: skinner.dual_quaternion(m, None, out),
        lambda out, m: skinner.normals(m, eyes, "linear", out),
        lambda out, m: skinner.normals(m, eyes, "dual_quaternion", out),
    ):
        one, two = np.full((500, 3), np.nan, kind), np.full((500, 3), np.nan, kind)
        assert pose(one, transforms) is one
        before = one.copy()
        pose(two, eyes)
        np.testing.assert_array_equal(one, before)
        assert not np.array_equal(one, two)
        again = pose(np.empty((500, 3), kind), transforms)
        np.testing.assert_array_equal(again, one)


def test_strided_out_is_written_in_place():
    rest, weights, transforms = cloud(seed=20), windowed(500, 9, 4, 20), chain(9, 20)
    wide = np.zeros((500, 5))
    skinner = Skinner(rest, weights)
    skinner.linear(transforms, out=wide[:, 1:4])
    np.testing.assert_array_equal(wide[:, 1:4], skinner.linear(transforms))
    np.testing.assert_array_equal(wide[:, [0, 4]], 0)


@pytest.mark.parametrize("out", [np.empty((4, 3)), np.empty((500, 2)), np.empty((500, 3), int)])
def test_output_of_another_kind_is_refused(out):
    skinner = Skinner(cloud(), windowed(500, 9, 4, 0))
    with pytest.raises(RibbonsimError, match=re.escape("give (500, 3) of float32 or float64")):
        skinner.linear(chain(9, 0), out=out)


def test_weights_that_do_not_fit_are_refused():
    with pytest.raises(RibbonsimError, match="do not fit"):
        Skinner(cloud(), windowed(499, 9, 4, 0))


def test_normals_that_were_not_given_are_refused():
    skinner = Skinner(cloud(), windowed(500, 9, 4, 0))
    with pytest.raises(RibbonsimError, match="no normals were given"):
        skinner.normals(chain(9, 0), chain(9, 0), "linear")


# -- compiled kernels ---------------------------------------------------------------------


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("case", ["linear", "dual", "scaled", "normals", "dual normals"])
@pytest.mark.parametrize("weights", [windowed(3000, 9, 4, 21), scattered(3000, 9, 22)])
def test_compiled_kernels_match_numpy(weights, case, kind):
    # to the rounding of each precision, in parts of the creature's size
    rest, transforms = cloud(3000, 23), chain_for_pivots(23)
    scales = np.broadcast_to(np.diag([1.3, 0.8, 0.9, 1.0]), (9, 4, 4))
    pose = {
        "linear": lambda s, out: s.linear(transforms, out),
        "dual": lambda s, out: s.dual_quaternion(transforms, None, out),
        "scaled": lambda s, out: s.dual_quaternion(transforms, scales, out),
        "normals": lambda s, out: s.normals(transforms, scales, "linear", out),
        "dual normals": lambda s, out: s.normals(transforms, scales, "dual_quaternion", out),
    }[case]
    assert kernels.kernel_for(kind) is not None
    plain, compiled = (
        pose(Skinner(rest, weights, unit(rest), compiled=way), np.empty((3000, 3), kind))
        for way in (False, True)
    )
    exact = pose(Skinner(rest, weights, unit(rest), compiled=False), np.empty((3000, 3)))
    size = np.linalg.norm(np.ptp(exact, axis=0))
    most = {np.float32: 2e-7, np.float64: 1e-15}[kind] * size
    assert np.abs(compiled - exact).max() <= most
    assert np.abs(compiled - plain).max() <= 2 * most  # both are rounded


def test_compiled_kernels_write_a_strided_output_and_leave_the_rest():
    rest, weights, transforms = cloud(seed=24), windowed(500, 9, 4, 24), chain(9, 24)
    skinner = Skinner(rest, weights, compiled=True)
    wide = np.zeros((500, 5))
    skinner.linear(transforms, out=wide[:, 1:4])
    np.testing.assert_array_equal(wide[:, 1:4], skinner.linear(transforms))
    np.testing.assert_array_equal(wide[:, [0, 4]], 0)


def in_a_process(code, **environment):
    """Run code in a process of its own; its standard output."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    ).stdout


@pytest.mark.parametrize("broken", ["raise ImportError('none')", "raise RuntimeError('broken')"])
def test_numpy_poses_where_numba_is_absent_or_broken(broken, tmp_path):
    (tmp_path / "numba.py").write_text(broken)
    code = (
        "import numpy as np; from ribbonsim.rig.skin import Skinner;"
        "s = Skinner(np.eye(3), np.ones((3, 1)), compiled=True);"
        "m = np.diag([2.0, 3, 4, 1])[None]; print(s.linear(m).tolist())"
    )
    path = os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")])
    told = in_a_process(code, PYTHONPATH=path)
    assert told.strip() == "[[2.0, 0.0, 0.0], [0.0, 3.0, 0.0], [0.0, 0.0, 4.0]]"


def test_kernels_compile_where_no_folder_can_keep_them(monkeypatch):
    # numba raises RuntimeError where neither the installation nor a cache folder can be written
    asked = []

    def njit(cache, **_options):
        asked.append(cache)
        if cache:
            raise RuntimeError("cannot cache function 'blend': no locator available")
        # other tests compile: here is asked only whether it goes on
        return lambda _: SimpleNamespace(compile=lambda _: None, disable_compile=lambda: None)

    monkeypatch.setattr(numba, "njit", njit)
    assert kernels._compiled("float32") is not None
    assert asked == [True, False]


def test_small_meshes_do_not_load_numba():
    code = (
        "import sys, numpy as np; from ribbonsim.rig.skin import Skinner;"
        "Skinner(np.eye(3), np.ones((3, 1))).linear(np.eye(4)[None]); print('numba' in sys.modules)"
    )
    assert in_a_process(code).strip() == "False"
