"""The ribbon against scipy, geomdl, The NURBS Book and closed forms."""

import re
from itertools import pairwise

import numpy as np
import pytest
from geomdl import BSpline as Geomdl
from geomdl import operations
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.interpolate import NdBSpline

from ribbonsim import Ribbon, RibbonsimError
from ribbonsim.curves.frames import make_frames, rotation_minimising_across
from ribbonsim.curves.splines import uniform_knots

KNOTS = np.r_[[0.0] * 4, [0.1, 0.25, 0.3, 0.5, 0.75, 0.8], [1.0] * 4]
# Piegl, Tiller, The NURBS Book, examples 5.1 and 5.2 (from memory; geomdl and scipy agree):
# degree 3, knots 0,0,0,0,1,2,3,4,5,5,5,5, here over 5
BOOK_KNOTS = np.array([0, 0, 0, 0, 1, 2, 3, 4, 5, 5, 5, 5]) / 5.0


def wavy(knots=KNOTS, seed=0):
    rng = np.random.default_rng(seed)
    n = len(knots) - 4
    points = rng.normal(0.0, 0.3, (n, 2, 3))
    points[..., 0] += np.linspace(0.0, 10.0, n)[:, None]
    points[:, 1, 2] += 2.0
    return Ribbon(points, knots)


def as_geomdl(ribbon):
    surface = Geomdl.Surface()
    surface.degree_u, surface.degree_v = 1, 3
    surface.ctrlpts_size_u, surface.ctrlpts_size_v = 2, len(ribbon.control_points)
    surface.ctrlpts = np.moveaxis(ribbon.control_points, 1, 0).reshape(-1, 3).tolist()
    surface.knotvector_u, surface.knotvector_v = [0, 0, 1, 1], ribbon.knots.tolist()
    return surface


def cox_de_boor(i, p, t, knots):
    """The recursion as The NURBS Book has it, equation 2.5; the last span is closed."""
    if p == 0:
        last = np.flatnonzero(np.diff(knots) > 0)[-1]
        return float(knots[i] <= t < knots[i + 1] or (t == knots[-1] and i == last))
    value = 0.0
    if knots[i + p] > knots[i]:
        value += (t - knots[i]) / (knots[i + p] - knots[i]) * cox_de_boor(i, p - 1, t, knots)
    if knots[i + p + 1] > knots[i + 1]:
        share = (knots[i + p + 1] - t) / (knots[i + p + 1] - knots[i + 1])
        value += share * cox_de_boor(i + 1, p - 1, t, knots)
    return value


# -- values and derivatives ---------------------------------------------------------------


def test_surface_matches_scipy_ndbspline():
    ribbon, rng = wavy(), np.random.default_rng(1)
    u, t = rng.random(200), rng.random(200)
    surface = NdBSpline(
        ([0.0, 0.0, 1.0, 1.0], KNOTS), np.moveaxis(ribbon.control_points, 1, 0), k=(1, 3)
    )
    at = np.stack([u, t], axis=1)
    np.testing.assert_allclose(ribbon.evaluate(u, t), surface(at), atol=1e-12)
    for order in (1, 2):
        expected = surface(at, nu=(0, order))
        size = np.abs(expected).max()
        np.testing.assert_allclose(
            ribbon.derivatives(u, t, order), expected, rtol=0, atol=1e-12 * size
        )


def test_surface_matches_geomdl():
    ribbon, rng = wavy(seed=2), np.random.default_rng(3)
    surface = as_geomdl(ribbon)
    for u, t in rng.random((60, 2)):
        expected = surface.derivatives(u, t, order=2)[0]
        np.testing.assert_allclose(ribbon.evaluate(u, t), expected[0], atol=1e-12)
        np.testing.assert_allclose(ribbon.derivatives(u, t, 1), expected[1], rtol=1e-11, atol=1e-9)
        np.testing.assert_allclose(ribbon.derivatives(u, t, 2), expected[2], rtol=1e-11, atol=1e-9)


@pytest.mark.parametrize("knots", [KNOTS, BOOK_KNOTS, np.r_[[0.0] * 4, [0.5] * 3, [1.0] * 4]])
def test_basis_matches_cox_de_boor(knots):
    ribbon = wavy(knots)
    t = np.r_[np.unique(knots), np.random.default_rng(4).random(40)]
    n = len(knots) - 4
    expected = [[cox_de_boor(i, 3, place, knots) for i in range(n)] for place in t]
    np.testing.assert_allclose(ribbon.basis(t).toarray(), expected, atol=1e-14)


def test_basis_at_cardinal_knots_is_one_four_one_over_six():
    # The cubic cardinal B-spline: 1/6, 4/6, 1/6 at knots; 1/48, 23/48, 23/48, 1/48 half-way
    rows = wavy(uniform_knots(8)).basis([0.5, 0.5 + 1 / 16]).toarray()
    np.testing.assert_allclose(rows[0][rows[0] > 1e-12], [1 / 6, 4 / 6, 1 / 6], atol=1e-15)
    half = [1 / 48, 23 / 48, 23 / 48, 1 / 48]
    np.testing.assert_allclose(rows[1][rows[1] > 1e-12], half, atol=1e-15)


def test_greville_abscissae_have_linear_precision():
    # The NURBS Book, 6.3 (nodes); sum_i g_i N_i(t) = t
    ribbon = wavy()
    t = np.linspace(0, 1, 57)
    np.testing.assert_allclose(ribbon.basis(t) @ ribbon.greville, t, atol=1e-15)


# -- knots --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "alphas"), [(0.5, (5 / 6, 1 / 2, 1 / 6)), (0.4, (2 / 3, 1 / 3, 0.0))]
)
def test_knot_insertion_matches_nurbs_book_alphas(place, alphas):
    ribbon = wavy(BOOK_KNOTS)
    old, new = ribbon.control_points, ribbon.insert_knots(place).control_points
    for i, alpha in zip((3, 4, 5), alphas, strict=True):
        expected = alpha * old[i] + (1 - alpha) * old[i - 1]
        np.testing.assert_allclose(new[i], expected, atol=1e-14)
    np.testing.assert_array_equal(new[:3], old[:3])
    np.testing.assert_array_equal(new[6:], old[5:])


@pytest.mark.parametrize("place", [0.05, 0.3, 0.62, 0.99])
def test_knot_insertion_matches_geomdl(place):
    ribbon = wavy(seed=5)
    fine = ribbon.insert_knots(place)
    surface = operations.insert_knot(as_geomdl(ribbon), [None, place], [0, 1])
    expected = np.moveaxis(np.reshape(surface.ctrlpts, (2, -1, 3)), 0, 1)
    np.testing.assert_allclose(fine.knots, surface.knotvector_v, atol=1e-15)
    np.testing.assert_allclose(fine.control_points, expected, atol=1e-13)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.01, 0.99), min_size=1, max_size=8, unique=True))
def test_knot_insertion_keeps_the_shape(places):
    ribbon = wavy(seed=6)
    fine = ribbon.insert_knots(places)
    u, t = np.meshgrid([0.0, 0.4, 1.0], np.linspace(0, 1, 201))
    np.testing.assert_allclose(fine.evaluate(u, t), ribbon.evaluate(u, t), atol=1e-12)
    assert len(fine.control_points) == len(ribbon.control_points) + len(places)


def test_with_spans_keeps_share_of_spans_in_dense_region():
    # half of the spans stand in the last fifth
    knots = np.r_[[0.0] * 4, np.linspace(0, 0.8, 9)[1:], np.linspace(0.8, 1, 9)[1:-1], [1.0] * 4]
    dense = wavy(knots)
    before = np.mean(dense.breaks[1:] > 0.8 + 1e-12)
    assert before == 0.5
    for spans in (8, 24, 50):
        other = dense.with_spans(spans)
        assert other.spans == spans
        assert abs(np.mean(other.breaks[1:] > 0.8 + 1e-12) - before) <= 1.0 / spans


def test_with_spans_doubled_keeps_the_shape():
    # each span halved: the old surface is in the new space (Boehm 1980)
    ribbon = wavy(seed=7)
    u, t = np.meshgrid([0.0, 1.0], np.linspace(0, 1, 301))
    twice = ribbon.with_spans(2 * ribbon.spans)
    assert np.abs(twice.evaluate(u, t) - ribbon.evaluate(u, t)).max() < 1e-7


def test_with_spans_error_falls_with_fourth_order():
    arc = np.linspace(0, np.radians(120), 400)
    guide = np.c_[4 * np.sin(arc), 4 * np.cos(arc), 0 * arc]
    fine = Ribbon.along(guide, 1.0, 64)
    t = np.linspace(0, 1, 333)
    gaps = [np.abs(fine.with_spans(n).midline(t) - fine.midline(t)).max() for n in (4, 8, 16)]
    assert np.log2(gaps[0] / gaps[1]) > 3.5
    assert np.log2(gaps[1] / gaps[2]) > 3.5


# -- arc length ---------------------------------------------------------------------------


def hodograph_ribbon():
    """A cubic whose speed is the polynomial u² + v²: its length has a closed form.

    Farouki, Sakkalis, "Pythagorean hodographs", IBM J. Res. Dev. 34(5), 1990.
    """
    u, v = np.polynomial.Polynomial([1.0, 2.0]), np.polynomial.Polynomial([0.5, -3.0])
    x, y, length = (u * u - v * v).integ(), (2 * u * v).integ(), (u * u + v * v).integ()

    def bezier(curve):
        c = np.r_[curve.coef, np.zeros(4)][:4]
        return [c[0], c[0] + c[1] / 3, c[0] + 2 * c[1] / 3 + c[2] / 3, c.sum()]

    middle = np.stack([bezier(x), bezier(y), np.zeros(4)], axis=1)
    half = np.array([0.0, 0.0, 0.5])
    return Ribbon(np.stack([middle - half, middle + half], axis=1), uniform_knots(1)), length


def test_arc_length_matches_pythagorean_hodograph():
    ribbon, length = hodograph_ribbon()
    t = np.linspace(0, 1, 101)
    np.testing.assert_allclose(ribbon.arc_length(t), length(t), rtol=1e-12, atol=1e-12)
    assert ribbon.length == pytest.approx(length(1.0), rel=1e-13)


def test_place_at_inverts_pythagorean_hodograph_length():
    ribbon, length = hodograph_ribbon()
    t = np.linspace(0, 1, 101)
    np.testing.assert_allclose(ribbon.place_at(length(t)), t, atol=1e-12)


@settings(max_examples=50, deadline=None)
@given(st.floats(0, 1), st.integers(0, 20))
def test_place_at_inverts_arc_length(share, seed):
    ribbon = wavy(seed=seed)
    s = share * ribbon.length
    assert abs(ribbon.arc_length(ribbon.place_at(s)) - s) < 1e-9 * ribbon.length


def test_lengths_of_helix_and_circle_match_closed_forms():
    angle = np.linspace(0, 2 * np.pi, 1001)
    circle = Ribbon.along(np.c_[3 * np.cos(angle), 3 * np.sin(angle), 0 * angle], 0.5, 48)
    assert circle.length == pytest.approx(2 * np.pi * 3, rel=1e-6)
    angle = np.linspace(0, 4 * np.pi, 2001)
    helix = Ribbon.along(np.c_[np.cos(angle), np.sin(angle), 0.6 * angle], 0.2, 64)
    assert helix.length == pytest.approx(4 * np.pi * np.hypot(1.0, 0.6), rel=1e-6)


# -- frames -------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000))
def test_frames_are_orthonormal_and_ride_the_surface(seed):
    ribbon = wavy(seed=seed)
    t = np.linspace(0, 1, 33)
    frames = ribbon.frames(t)
    turn = frames[:, :3, :3]
    np.testing.assert_allclose(
        turn @ turn.transpose(0, 2, 1), np.broadcast_to(np.eye(3), turn.shape), atol=1e-13
    )
    np.testing.assert_allclose(np.linalg.det(turn), 1.0, atol=1e-13)
    np.testing.assert_allclose(frames[:, :3, 3], ribbon.evaluate(0.5, t), atol=1e-13)
    tangent = ribbon.derivatives(0.5, t)
    along = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
    np.testing.assert_allclose(turn[:, :, 0], along, atol=1e-12)
    across = ribbon.evaluate(1.0, t) - ribbon.evaluate(0.0, t)
    assert (np.sum(across * turn[:, :, 1], axis=1) > 0).all()


def helix_error(n, step):
    """Largest distance from the closed form: the normal turned by minus the torsion's integral."""
    a, b = 1.0, 0.6
    t = np.linspace(0, 4 * np.pi, n + 1)
    speed = np.hypot(a, b)
    points = np.c_[a * np.cos(t), a * np.sin(t), b * t]
    tangents = np.c_[-a * np.sin(t), a * np.cos(t), np.full_like(t, b)] / speed
    normal = np.c_[-np.cos(t), -np.sin(t), 0 * t]
    phi = (-b / speed**2 * speed * t)[:, None]
    exact = np.cos(phi) * normal + np.sin(phi) * np.cross(tangents, normal)
    return np.abs(np.linalg.norm(step(points, tangents, exact[0]) - exact, axis=1)).max()


def projected(points, tangents, first):
    """The naive way: take the last direction and make it orthogonal."""
    across = [first]
    for tangent in tangents[1:]:
        direction = across[-1] - (across[-1] @ tangent) * tangent
        across.append(direction / np.linalg.norm(direction))
    return np.array(across)


def test_double_reflection_is_fourth_order_on_helix():
    # Wang, Jüttler, Zheng, Liu 2008 state the order; the values are for the closed form on
    # the helix a=1, b=0.6 over two turns, n = 50, 100, 200
    errors = [helix_error(n, rotation_minimising_across) for n in (50, 100, 200)]
    np.testing.assert_allclose(errors, [6.977e-06, 4.359e-07, 2.724e-08], rtol=0.05)
    for coarse, fine in pairwise(errors):
        assert np.log2(coarse / fine) >= 3.9


def test_naive_projection_is_first_order_on_helix():
    errors = [helix_error(n, projected) for n in (50, 100, 200)]
    np.testing.assert_allclose(errors, [8.994e-02, 4.490e-02, 2.244e-02], rtol=0.05)


def torus_knot(t):
    """The (2, 3) torus knot, R = 2, r = 1: points and unit tangents."""
    ring = 2.0 + np.cos(3 * t)
    points = np.stack([ring * np.cos(2 * t), ring * np.sin(2 * t), np.sin(3 * t)], axis=-1)
    out = -3 * np.sin(3 * t)
    first = np.stack(
        [
            out * np.cos(2 * t) - 2 * ring * np.sin(2 * t),
            out * np.sin(2 * t) + 2 * ring * np.cos(2 * t),
            3 * np.cos(3 * t),
        ],
        axis=-1,
    )
    return points, first / np.linalg.norm(first, axis=-1, keepdims=True)


def test_double_reflection_matches_ode_on_torus_knot():
    # r' = -(r . T') T, integrated by scipy's DOP853
    def slope(t, r):
        step = 1e-5
        change = (torus_knot(t + step)[1] - torus_knot(t - step)[1]) / (2 * step)
        return -(r @ change) * torus_knot(t)[1]

    whole = 2 * np.pi
    tangent = torus_knot(0.0)[1]
    first = np.cross(tangent, [1.0, 0.0, 0.0])
    first /= np.linalg.norm(first)
    ode = solve_ivp(slope, (0, whole), first, method="DOP853", rtol=1e-10, atol=1e-10)
    errors = []
    for n in (100, 200, 400):
        points, tangents = torus_knot(np.linspace(0, whole, n + 1))
        across = rotation_minimising_across(points, tangents, first)
        errors.append(np.linalg.norm(across[-1] - ode.y[:, -1]))
    assert errors[-1] < 1e-6
    assert np.log2(errors[0] / errors[1]) >= 3.9
    # the turn gathered over one round of this knot
    end = ode.y[:, -1]
    turned = np.degrees(np.arctan2(end @ np.cross(tangent, first), end @ first))
    assert abs(turned) == pytest.approx(173.4339, abs=1e-3)


def test_make_frames_are_right_handed():
    frame = make_frames(np.array([2.0, 0, 0]), np.array([1.0, 3, 0]), np.array([7.0, 8, 9]))
    expected = np.eye(4)
    expected[:3, 3] = 7, 8, 9
    np.testing.assert_allclose(frame, expected, atol=1e-15)


# -- along a guide ------------------------------------------------------------------------


def arc_ribbon(spans, degrees=120.0, length=4.0):
    radius = length / np.radians(degrees)
    angle = np.linspace(0, np.radians(degrees), 2001)
    guide = np.c_[radius * np.sin(angle), radius * (1 - np.cos(angle)), 0 * angle]
    return Ribbon.along(guide, 0.5, spans), radius


def test_strip_bent_to_an_arc_matches_circle():
    # R = L / theta, chord 2 R sin(theta/2), sagitta R (1 - cos(theta/2)), curvature theta / L
    ribbon, radius = arc_ribbon(16)
    half = np.radians(60)
    ends = ribbon.midline([0.0, 1.0])
    assert ribbon.length == pytest.approx(4.0, rel=1e-5)
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(2 * radius * np.sin(half), rel=1e-5)
    rise = np.linalg.norm(ribbon.midline(0.5) - ends.mean(axis=0))
    assert rise == pytest.approx(radius * (1 - np.cos(half)), rel=1e-4)
    inside = np.linspace(0.05, 0.95, 181)
    np.testing.assert_allclose(ribbon.curvature(inside), 1 / radius, rtol=0.01)


def test_arc_converges_as_a_cubic_spline_does():
    # a cubic spline through 7, 13, 25 points of this arc: 7.8e-4, 5.0e-5, 3.1e-6 off in place
    # (fourth order); least squares is no worse
    t = np.linspace(0, 1, 501)
    for spans, bound in ((6, 7.8e-4), (12, 5.0e-5), (24, 3.1e-6)):
        ribbon, radius = arc_ribbon(spans)
        gap = np.abs(np.linalg.norm(ribbon.midline(t) - [0, radius, 0], axis=1) - radius).max()
        assert gap <= bound


def test_along_helix_does_not_turn_about_its_midline():
    # the spin of the frame about the tangent, B' . A, is zero for a rotation-minimising frame
    angle = np.linspace(0, 4 * np.pi, 2001)
    ribbon = Ribbon.along(np.c_[np.cos(angle), np.sin(angle), 0.6 * angle], 0.1, 64)
    t = np.linspace(0.02, 0.98, 500)
    step = 1e-4
    change = (ribbon.frames(t + step) - ribbon.frames(t - step)) / (2 * step)
    frames = ribbon.frames(t)
    spin = np.sum(change[:, :3, 1] * frames[:, :3, 2], axis=1)
    torsion = 0.6 / (1 + 0.36) * ribbon.length  # what a frame fixed to the normal would spin
    assert np.abs(spin).max() < 0.01 * torsion
    np.testing.assert_allclose(ribbon.width(t), 0.1, rtol=1e-3)


def test_along_is_parameterised_by_arc_length():
    ribbon, _ = arc_ribbon(16)
    t = np.linspace(0, 1, 101)
    np.testing.assert_allclose(ribbon.arc_length(t), t * ribbon.length, atol=1e-4)


@pytest.mark.parametrize("roll", [0.0, 30.0, -90.0])
def test_straight_ribbon_lies_flat_and_rolls_by_the_right_hand_rule(roll):
    ribbon = Ribbon.along([[0, 0, 0], [8, 0, 0]], 2.0, 4, roll=roll)
    angle = np.radians(roll)
    normal = ribbon.frames(0.3)[:3, 2]
    # +Y turned about +X towards +Z
    np.testing.assert_allclose(normal, [0, np.cos(angle), np.sin(angle)], atol=1e-9)
    np.testing.assert_allclose(ribbon.width(np.linspace(0, 1, 9)), 2.0, rtol=1e-9)


# -- turned, widened, reversed ------------------------------------------------------------


def test_rolled_frames_are_rotated_about_the_tangent():
    ribbon, _ = arc_ribbon(16)
    t = np.linspace(0, 1, 41)
    before, after = ribbon.frames(t), ribbon.rolled(35.0).frames(t)
    # Rodrigues' formula about the tangent, which the across direction is square to
    angle = np.radians(35.0)
    expected = np.cos(angle) * before[:, :3, 1] + np.sin(angle) * before[:, :3, 2]
    np.testing.assert_allclose(after[:, :3, 1], expected, atol=1e-4)
    np.testing.assert_allclose(after[:, :3, 3], before[:, :3, 3], atol=1e-12)
    again = ribbon.rolled(200.0).rolled(160.0)
    np.testing.assert_allclose(again.control_points, ribbon.control_points, atol=1e-4)


def test_reversed_surface_is_the_same_surface_run_backwards():
    ribbon = wavy(seed=8)
    u, t = np.meshgrid(np.linspace(0, 1, 5), np.linspace(0, 1, 101))
    back = ribbon.reversed()
    np.testing.assert_allclose(back.evaluate(1 - u, 1 - t), ribbon.evaluate(u, t), atol=1e-12)
    normals = ribbon.frames(t[:, 0])[:, :3, 2]
    np.testing.assert_allclose(back.frames(1 - t[:, 0])[:, :3, 2], normals, atol=1e-9)
    np.testing.assert_allclose(back.reversed().knots, ribbon.knots, atol=1e-15)


def test_with_width_scales_about_the_midline():
    ribbon = wavy(seed=9)
    t = np.linspace(0, 1, 101)
    wide = ribbon.with_width(3.0)
    assert wide.width(t).mean() == pytest.approx(3.0, rel=1e-9)
    np.testing.assert_allclose(wide.midline(t), ribbon.midline(t), atol=1e-12)
    ratio = wide.width(t) / ribbon.width(t)
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-9)


def test_with_knots_that_hold_the_old_ones_keeps_the_shape():
    # the finer spline space holds the old surface (Boehm 1980)
    ribbon = wavy(seed=10)
    fine = ribbon.with_knots(np.union1d(ribbon.breaks, [0.05, 0.4, 0.9]))
    u, t = np.meshgrid([0.0, 1.0], np.linspace(0, 1, 301))
    np.testing.assert_allclose(fine.evaluate(u, t), ribbon.evaluate(u, t), atol=1e-7)
    expected = ribbon.insert_knots([0.05, 0.4, 0.9])
    np.testing.assert_allclose(fine.control_points, expected.control_points, atol=1e-5)


@pytest.mark.parametrize(
    "breaks", [[0, 0.5], [0.1, 1], [0, 0.5, 0.5, 1], [0], [0, 0.6, 0.4, 1], [0, np.nan, 1]]
)
def test_breaks_that_do_not_rise_are_refused(breaks):
    with pytest.raises(RibbonsimError, match="list them from 0 to 1"):
        wavy().with_knots(breaks)


# -- refusals -----------------------------------------------------------------------------


def points(n=5):
    middle = np.c_[np.arange(n), np.zeros((n, 2))].astype(float)
    return np.stack([middle, middle + np.array([0, 0, 1.0])], axis=1)


def broken(index, value):
    table = points()
    table[index] = value
    return table


@pytest.mark.parametrize(
    ("table", "knots", "says"),
    [
        (points(3), np.r_[[0.0] * 4, [1.0] * 3], "n at least 4"),
        (points()[:, 0], uniform_knots(2), "give (n, 2, 3)"),
        (points(), uniform_knots(3), "has 10 knots: give 9"),
        (broken((2, 0, 1), np.nan), uniform_knots(2), "not finite"),
        (broken((2, 0, 1), np.inf), uniform_knots(2), "not finite"),
        (broken((slice(None), 1), points()[:, 0]), uniform_knots(2), "no width somewhere"),
        (broken((slice(None), slice(None), 0), 1.0), uniform_knots(2), "no length"),
        (points(), np.r_[[0.0] * 3, 0.1, 0.5, [1.0] * 4], "0,0,0,0 to 1,1,1,1"),
        (points(6), np.r_[[0.0] * 4, 0.6, 0.5, [1.0] * 4], "do not rise"),
        (points(8), np.r_[[0.0] * 4, [0.5] * 4, [1.0] * 4], "more than 3 times"),
    ],
)
def test_surface_that_is_no_ribbon_is_refused(table, knots, says):
    with pytest.raises(RibbonsimError, match=re.escape(says)):
        Ribbon(table, knots)


@pytest.mark.parametrize("wrong", [-0.1, 1.0001, np.nan, np.inf])
def test_places_off_the_ribbon_are_refused(wrong):
    ribbon = wavy()
    for ask in (
        lambda: ribbon.evaluate(wrong, 0.5),
        lambda: ribbon.evaluate(0.5, [0.1, wrong]),
        lambda: ribbon.derivatives(0.5, wrong),
        lambda: ribbon.frames(wrong),
        lambda: ribbon.basis([wrong]),
        lambda: ribbon.width(wrong),
        lambda: ribbon.curvature(wrong),
        lambda: ribbon.arc_length(wrong),
    ):
        with pytest.raises(RibbonsimError, match=r"[ut]=.* is not on the ribbon: give a place"):
            ask()


@pytest.mark.parametrize("wrong", [0.0, 1.0, -1.0, 2.0, np.nan])
def test_knots_outside_are_refused(wrong):
    with pytest.raises(RibbonsimError, match="give a place above 0 and below 1"):
        wavy().insert_knots(wrong)


def test_fourth_knot_in_one_place_is_refused():
    ribbon = wavy().insert_knots([0.5, 0.5])  # it stands there once already
    with pytest.raises(RibbonsimError, match=r"t=0\.5 already stands 3 times"):
        ribbon.insert_knots(0.5)


@pytest.mark.parametrize(
    ("guide", "says"),
    [
        ([[0, 0, 0]], "at least two"),
        ([[1, 2, 3], [1, 2, 3]], "at least two"),
        (np.zeros((0, 3)), "at least two"),
        ([[0, 0], [1, 1]], "give points (n, 3)"),
        ([[0, 0, 0], [np.nan, 0, 0]], "not finite"),
    ],
)
def test_guide_that_leads_nowhere_is_refused(guide, says):
    with pytest.raises(RibbonsimError, match=re.escape(says)):
        Ribbon.along(guide, 1.0)


@pytest.mark.parametrize(
    "options",
    [
        {"width": 0},
        {"width": np.nan},
        {"spans": 0},
        {"spans": 2.5},
        {"up": (0, 0, 0)},
        {"up": (0, np.nan, 1)},
        {"roll": np.nan},
        {"spans": np.nan},
    ],
)
def test_unusable_options_are_refused(options):
    with pytest.raises(RibbonsimError, match=": give "):
        Ribbon.along([[0, 0, 0], [1, 0, 0]], **{"width": 1.0, **options})


@pytest.mark.parametrize("spans", [0, -3, 1001, 3.5])
def test_unusable_span_counts_are_refused(spans):
    with pytest.raises(RibbonsimError, match="give a whole number from 1 to 1000"):
        wavy().with_spans(spans)


def test_lengths_that_are_not_numbers_are_refused():
    with pytest.raises(RibbonsimError, match=": give "):
        wavy().place_at([1.0, np.nan])


def test_lengths_beyond_the_ends_are_held_to_them():
    ribbon = wavy()
    np.testing.assert_array_equal(ribbon.place_at([-5.0, 2 * ribbon.length]), [0.0, 1.0])


@pytest.mark.parametrize("order", [0, 3, -1])
def test_other_orders_of_derivative_are_refused(order):
    with pytest.raises(RibbonsimError, match="order"):
        wavy().derivatives(0.5, 0.5, order)
