"""Screws, shares and the path they give, against scipy and closed forms."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from cases import first_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.linalg import expm
from tubes import arc, helix, rigid, s_curve, straight

from ribbonsim import ControlPose, Layout, Ribbon
from ribbonsim.curves.frames import rigid_exp
from ribbonsim.curves.screws import rigid_log_near, walk
from ribbonsim.layout.control_frames import ControlFrames, ControlTree
from ribbonsim.layout.falloff import KERNELS, kernel_values
from ribbonsim.layout.frame_spline import FrameSpline
from ribbonsim.layout.rates import CarriedRibbons, RestPath, own_turns, slider_table
from ribbonsim.layout.shares import Shares, between_neighbours, control_shares

CURVES = {"straight": straight(), "arc": arc(), "s": s_curve(), "helix": helix()}
EVEN, UNEVEN = np.linspace(0, 1, 5), np.array([0.0, 0.125, 0.25, 0.75, 1.0])


def paths_of(curve="straight", controls=EVEN, root=0, reach=2.0, falloff="wendland_c2"):
    ribbon = Ribbon.along(CURVES[curve], 0.8, 16)
    reaches = np.broadcast_to(reach, len(controls))
    places = ribbon.place_at(np.asarray(controls) * ribbon.length)
    path = RestPath.of(ribbon, np.linspace(0, 1, 17), places, reaches, falloff, 2.0)
    return path, CarriedRibbons([path], [root])


def table_of(values, count=5):
    return slider_table([ControlPose(**values.get(i, {})) for i in range(count)])


# -- screws -------------------------------------------------------------------------------


def matrix_of(screw):
    """The 4x4 matrix whose exponential is the screw's motion."""
    x, y, z = screw[:3]
    matrix = np.zeros((4, 4))
    matrix[:3, :3] = [[0, -z, y], [z, 0, -x], [-y, x, 0]]
    matrix[:3, 3] = screw[3:]
    return matrix


@pytest.mark.parametrize("size", [0.0, 1e-12, 1e-6, 1e-3, 0.29, 0.31, 1.0, np.pi, 5.0, 30.0])
def test_walk_matches_products_of_scipy_expm(size):
    rng = np.random.default_rng(3)
    screws = rng.normal(size=(9, 6))
    screws[:, :3] *= size / np.linalg.norm(screws[:, :3], axis=1, keepdims=True)
    turns, points = walk(screws.T)
    expected = np.eye(4)
    for i, screw in enumerate(screws):
        expected = expected @ expm(matrix_of(screw))
        np.testing.assert_allclose(turns[i + 1], expected[:3, :3], atol=1e-12)
        np.testing.assert_allclose(points[i + 1], expected[:3, 3], atol=1e-12)


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10_000), st.floats(0, 20))
def test_logarithm_on_the_branch_nearest_to_a_screw_is_that_screw(seed, size):
    rng = np.random.default_rng(seed)
    screw = rng.normal(size=6)
    screw[:3] *= size / np.linalg.norm(screw[:3])
    whole = size / (2 * np.pi)
    if abs(whole - round(whole)) < 1e-3 and round(whole):
        return  # at whole turns the shift along says nothing: no logarithm
    found = rigid_log_near(rigid_exp(screw[None]), screw[None, :3])[0]
    np.testing.assert_allclose(found, screw, atol=1e-6)


def test_principal_logarithm_holds_at_nothing_and_at_half_a_turn():
    half = np.array([[0.0, np.pi, 0.0, 1.0, 2.0, 3.0], [0, 0, 0, 1, 2, 3]])
    found = rigid_log_near(rigid_exp(half), half[:, :3])
    np.testing.assert_allclose(rigid_exp(found), rigid_exp(half), atol=1e-12)
    np.testing.assert_allclose(found, half, atol=1e-7)


# -- shares -------------------------------------------------------------------------------


@pytest.mark.parametrize("falloff", ["wendland_c2", "gaussian", "linear"])
@pytest.mark.parametrize("reach", first_of(2.0, 1.3, 3.0))
def test_shares_match_the_kernel_integrated_by_scipy(falloff, reach):
    # kernel * box, folded once at both ends, integrated from 0: scipy.integrate.quad
    count, width = 4, reach - 1.0
    shares = Shares(np.arange(count + 1.0), np.full(count + 1, reach), falloff)

    def density(x, i):
        return quad(
            lambda y: kernel_values(falloff, abs(x - y) / width), i, i + 1, points=[x], limit=200
        )[0]

    def folded(x, i):
        return density(x, i) + density(-x, i) + density(2 * count - x, i)

    for i in (0, 1, 3):
        edges = sorted(
            {0, count, *(e for e in (i - width, i, i + 1, i + 1 + width) if 0 < e < count)}
        )

        def upto(o, i=i, edges=edges):
            ends = [e for e in edges if e < o] + [o]
            return sum(quad(folded, a, b, args=(i,))[0] for a, b in itertools.pairwise(ends))

        whole = upto(count)
        for o in (0.3, 1.7, 2.6):
            assert shares.values([o])[0, i] == pytest.approx(upto(o) / whole, abs=1e-6)


@pytest.mark.parametrize("falloff", sorted(KERNELS))
@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.01, 60), min_size=2, max_size=8), st.integers(0, 1000))
def test_shares_rise_from_nothing_to_one(falloff, reaches, seed):
    gaps = np.random.default_rng(seed).uniform(0.1, 3, len(reaches) - 1)
    shares = Shares(np.r_[0.0, np.cumsum(gaps)], np.array(reaches), falloff)
    order = np.linspace(0, shares.count, 101)
    values = shares.values(order)
    np.testing.assert_allclose(values[0], 0, atol=1e-9)
    np.testing.assert_allclose(values[-1], 1, atol=1e-9)
    assert (np.diff(values, axis=0) >= -1e-9).all()
    # partition of unity, and the order coordinate is the inverse of the shares' length
    np.testing.assert_allclose(control_shares(values).sum(axis=1), 1, atol=1e-12)
    lengths = np.linspace(0, gaps.sum(), 57)
    np.testing.assert_allclose(shares.values(shares.order(lengths)) @ gaps, lengths, atol=1e-9)


@pytest.mark.parametrize("falloff", sorted(KERNELS))
def test_slopes_of_shares_are_their_derivatives(falloff):
    shares = Shares(np.array([0.0, 1.0, 1.5, 4.0]), np.array([2.0, 1.5, 3.0, 2.0]), falloff)
    order, step = np.linspace(0.05, 2.95, 41), 1e-5
    rise = (shares.values(order + step) - shares.values(order - step)) / (2 * step)
    np.testing.assert_allclose(shares.slopes(order), rise, atol=1e-5)
    lengths = np.linspace(0.1, 3.9, 41)
    rise = shares.values(shares.order(lengths + step)) - shares.values(shares.order(lengths - step))
    np.testing.assert_allclose(shares.slopes_along(lengths), rise / (2 * step), atol=1e-5)
    assert (shares.slopes_along([-1.0, 5.0]) == 0).all()


def test_a_reach_of_one_keeps_what_is_added_inside_its_piece():
    shares = Shares(np.array([0.0, 2.0, 3.0]), np.ones(3))
    np.testing.assert_allclose(shares.values([0.5, 1.0, 1.25]), [[0.5, 0], [1, 0], [1, 0.25]])


def test_weights_between_neighbours_hold_each_control_whole():
    weights = between_neighbours(np.array([0.0, 1.0, 1.5, 2.0]), 3)
    np.testing.assert_array_equal(weights, [[1, 0, 0], [0, 1, 0], [0, 0.5, 0.5], [0, 0, 1]])


# -- the path -----------------------------------------------------------------------------


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("root", [0, 2, 4])
def test_nothing_added_gives_the_rest(curve, root):
    path, rates = paths_of(curve, root=root)
    posed = rates.path(table_of({}))
    np.testing.assert_allclose(posed.points, path.frames[:, :3, 3], atol=1e-13 * 20)
    np.testing.assert_allclose(posed.turns, path.frames[:, :3, :3], atol=1e-13)


@pytest.mark.parametrize("falloff", sorted(KERNELS))
@pytest.mark.parametrize("reach", [0.5, 1.0, 1.5, 2.0, 3.0, [1.0, 2.0, 4.0, 1.5, 50.0]])
@pytest.mark.parametrize("controls", [EVEN, UNEVEN], ids=["even", "uneven"])
@pytest.mark.parametrize("degrees", first_of(720, 90, 180))
def test_bends_as_large_as_their_pieces_make_an_exact_arc(degrees, controls, reach, falloff):
    # a curve of constant curvature k: sin(k s) / k along, (1 - cos(k s)) / k aside
    path, rates = paths_of("straight", controls, reach=reach, falloff=falloff)
    gaps = np.diff(controls)
    posed = rates.path(table_of({i + 1: {"sway": degrees * gaps[i]} for i in range(4)}))
    rate = np.radians(degrees) / path.ribbon.length
    s = path.lengths
    across = path.frames[0, :3, 1]
    expected = np.c_[np.sin(rate * s) / rate, 0 * s, 0 * s]
    expected += ((1 - np.cos(rate * s)) / rate)[:, None] * across
    np.testing.assert_allclose(posed.points, expected, atol=1e-10)


@pytest.mark.parametrize("root", [0, 2, 4])
def test_who_carries_is_all_one_but_for_the_place(root):
    # with the signs that a carrier further out asks for, the shape is the same
    path, rates = paths_of("s", root=root)
    values = {i: {"sway": 10.0 * (i + 1), "bend": -7.0 * i} for i in range(5)}
    pieces = {i: values[i + 1] for i in range(4)}
    mine = {}
    for i, value in pieces.items():
        seat, sign = (i + 1, 1.0) if i >= root else (i, -1.0)
        mine[seat] = {key: sign * number for key, number in value.items()}
    posed = rates.path(table_of(mine))
    firsts = paths_of("s")[1]
    expected = firsts.path(table_of({i + 1: value for i, value in pieces.items()}))
    place = path.controls[root]
    turn = path.frames[place, :3, :3] @ expected.turns[place].T
    moved = (expected.points - expected.points[place]) @ turn.T + path.frames[place, :3, 3]
    np.testing.assert_allclose(posed.points, moved, atol=1e-12)


@pytest.mark.parametrize("degrees", [40, 90, 180, 400])
def test_one_bend_never_bends_back_and_keeps_the_length(degrees):
    path, rates = paths_of()
    posed = rates.path(table_of({2: {"sway": degrees}}))
    turned = np.degrees(np.arctan2(*(posed.turns[:, :, 0] @ path.frames[0, :3, [1, 0]].T).T))
    turned = np.unwrap(turned, period=360)
    assert (np.diff(turned) >= -1e-9).all()
    assert turned[-1] == pytest.approx(degrees)
    # beyond the reach nothing bends: half a piece's width to both sides of the piece
    s = path.lengths / path.ribbon.length
    assert np.ptp(turned[s <= 0.0]) < 1e-9
    assert np.ptp(turned[s >= 0.75]) < 1e-9


def test_several_ribbons_in_one_go_are_posed_as_each_alone():
    parts = [paths_of("helix", root=1), paths_of("arc", UNEVEN, root=4), paths_of("s")]
    both = CarriedRibbons([path for path, _ in parts], [1, 4, 0])
    rng = np.random.default_rng(1)
    table = np.vstack([table_of({}) for _ in parts])
    table[:, :6] = rng.normal(0, [40, 40, 90, 0.2, 0.2, 0.2], (15, 6))
    table[:, 6] = rng.uniform(0.6, 1.6, 15)
    whole, twists = both.path(table), both.twists(table)
    for (_, rates), cuts, own in zip(parts, both.slices, both.control_slices, strict=True):
        alone = rates.path(table[own])
        np.testing.assert_allclose(whole.points[cuts], alone.points, atol=1e-12)
        np.testing.assert_allclose(whole.turns[cuts], alone.turns, atol=1e-12)
        np.testing.assert_allclose(twists[own], rates.twists(table[own]), atol=1e-12)


def test_stretch_is_whole_at_its_control():
    path, rates = paths_of()
    posed = rates.path(table_of({2: {"stretch": 1.5}}))
    speed = np.linalg.norm(np.diff(posed.points, axis=0), axis=1) / np.diff(path.lengths)
    assert speed.max() == pytest.approx(1.5, abs=0.002)
    assert abs(path.lengths[np.argmax(speed)] / path.ribbon.length - 0.5) < 0.011
    even = rates.path(table_of({i: {"stretch": 1.5} for i in range(5)}))
    np.testing.assert_allclose(
        even.points - even.points[0],
        1.5 * (path.frames[:, :3, 3] - path.frames[0, :3, 3]),
        atol=1e-12,
    )


def test_motions_between_cuts_are_those_of_a_finer_path():
    path, rates = paths_of("helix")
    table = table_of({1: {"bend": 40.0}, 3: {"sway": 70.0, "stretch": 1.3}})
    posed = rates.path(table)
    at = posed.motions_at(path, path.lengths)
    turns = at[:, :3, :3] @ path.frames[:, :3, :3]
    np.testing.assert_allclose(turns, posed.turns, atol=1e-12)
    middle = 0.5 * (path.lengths[1:] + path.lengths[:-1])
    got = posed.motions_at(path, middle)
    # a rigid motion half-way between two of a screw lies on that screw, to second order
    mean = 0.5 * (at[1:] + at[:-1])
    np.testing.assert_allclose(got[:, :3, :3], mean[:, :3, :3], atol=2e-3)


# -- controls that stand alone ------------------------------------------------------------


@pytest.mark.parametrize("degrees", [100, 200, 400])
def test_controls_alone_turn_by_as_much_as_their_sliders_say(degrees):
    # past half a turn frames alone cannot tell which way round
    path, _ = paths_of()
    rest = path.frames[path.controls]
    tree = ControlTree(rest, [None] * 5, [5])
    values = [ControlPose(sway=degrees if i > 2 else 0.0) for i in range(5)]
    spline = FrameSpline(path, np.arange(len(path.places)))
    turns = own_turns(slider_table(values), [(i, None) for i in range(5)])
    frames = spline.frames(tree.frames(values), turns)
    across = path.frames[0, :3, 1]
    along = path.frames[0, :3, 0]
    angle = np.degrees(np.unwrap(np.arctan2(frames[:, :3, 0] @ across, frames[:, :3, 0] @ along)))
    assert angle[-1] - angle[0] == pytest.approx(degrees)


@pytest.mark.parametrize("curve", CURVES)
def test_a_spline_through_resting_controls_is_the_rest_and_moves_rigidly_with_them(curve):
    path, _ = paths_of(curve)
    rest = path.frames[path.controls]
    spline = FrameSpline(path, np.arange(len(path.places)))
    motion = rigid([0.3, -1.2, 0.8], [3.0, -2.0, 1.0])
    none, ones = np.zeros(5), np.ones(5)
    for move in (np.eye(4), motion):
        told = ControlFrames(move @ rest, none, ones, ones)
        frames = spline.frames(told, np.zeros((5, 3)))
        np.testing.assert_allclose(frames, move @ path.frames, atol=1e-12)


def test_a_spline_through_an_arc_is_the_arc():
    # one screw from each control to the next, the same one: a curve of constant curvature
    path, rates = paths_of()
    posed = rates.path(table_of({i: {"sway": 30.0} for i in range(1, 5)}))
    frames = np.tile(np.eye(4), (len(path.places), 1, 1))
    frames[:, :3, :3], frames[:, :3, 3] = posed.turns, posed.points
    told = ControlFrames(frames[path.controls], np.zeros(5), np.ones(5), np.ones(5))
    spline = FrameSpline(path, np.arange(len(path.places)))
    np.testing.assert_allclose(spline.frames(told, np.zeros((5, 3))), frames, atol=1e-12)


# -- where controls stand ------------------------------------------------------------------


def test_stations_and_controls_are_counted_along_an_arc():
    # on a circle of radius R a chord c spans the arc 2 R asin(c / 2 R) (elementary geometry)
    own = Layout.from_ribbon(Ribbon.along(arc(120.0, 10.0), 0.8, 16), 9, [1, 3, 8]).body
    radius = 10.0 / np.radians(120.0)
    chords = np.linalg.norm(own.ribbon.midline(own.stations) - own.ribbon.midline(0.0), axis=1)
    away = 2.0 * radius * np.arcsin(0.5 * chords / radius)
    np.testing.assert_allclose(own.station_lengths, away, atol=1e-3)
    np.testing.assert_allclose(own.control_lengths, away[[0, 2, 7]], atol=1e-3)
    np.testing.assert_allclose(own.station_shares, away / 10.0, atol=1e-4)
    np.testing.assert_allclose(own.control_shares, away[[0, 2, 7]] / 10.0, atol=1e-4)
    before = own.control_shares
    own.control_shares[:] = 0.0  # what is given away is no part of the layout
    np.testing.assert_array_equal(own.control_shares, before)


@pytest.mark.parametrize("root", [1, 2, 5])
def test_a_chain_of_controls_has_the_root_that_it_was_given(root):
    own = Layout.from_ribbon(Ribbon.along(straight(), 0.8, 16), 9, 5).body.with_root(root)
    assert own.chain_root == f"control{root}"
    assert own.alone().chain_root is None
    last = own.controls[-1 if root < 5 else 0]
    # one that is carried past its neighbour stands in no chain, nor do two that nobody carries
    for carrier in (None, own.controls[2].name):
        changed = (*(c for c in own.controls if c is not last), replace(last, carried_by=carrier))
        assert replace(own, controls=changed).chain_root is None
