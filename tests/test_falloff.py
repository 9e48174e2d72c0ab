"""Kernels and weights against published formulae and their stated properties."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from ribbonsim.layout.falloff import (
    KERNELS,
    gaussian,
    inverse_distance,
    kernel_values,
    limit_influences,
    linear,
    order_coordinate,
    partition_of_unity,
    prune,
    smooth,
    wendland_c2,
)

tables = st.tuples(st.integers(1, 12), st.integers(1, 9)).flatmap(
    lambda shape: arrays(float, shape, elements=st.floats(0, 50))
)
rising = st.lists(st.floats(0.05, 5.0), min_size=2, max_size=12).map(np.cumsum)


def weight_rows(seed, rows=50, joints=9, power=3.0):
    values = np.random.default_rng(seed).random((rows, joints)) ** power
    return values / values.sum(axis=1, keepdims=True)


# -- kernels ------------------------------------------------------------------------------


def test_wendland_matches_published_values():
    # Wendland 1995, phi_{3,1}(r) = (1 - r)^4 (4 r + 1), formula from memory
    np.testing.assert_allclose(
        wendland_c2([0.0, 0.25, 0.5, 0.75, 1.0, 3.0]), [1, 0.6328125, 0.1875, 0.015625, 0, 0]
    )


def test_wendland_has_two_continuous_derivatives():
    # C2 at the edge of its support: third order contact with zero, (1 - r)^4 -> 0
    step = np.array([1e-2, 1e-3])
    values = wendland_c2(1 - step)
    assert np.log10(values[0] / values[1]) == pytest.approx(4.0, abs=0.01)
    # and flat at the centre: phi = 1 - 10 r^2 + O(r^3)
    assert (1 - wendland_c2(1e-4)) / 1e-8 == pytest.approx(10.0, rel=1e-2)


def test_wendland_is_positive_definite_in_three_dimensions():
    # Wendland 1995: every distance matrix in R^3 has positive eigenvalues
    points = np.random.default_rng(0).random((60, 3))
    distance = np.linalg.norm(points[:, None] - points, axis=-1)
    assert np.linalg.eigvalsh(wendland_c2(distance / 0.8)).min() > 0


def test_gaussian_reach_is_three_standard_deviations():
    # the normal density over its peak: 0.6065, 0.1353, 0.0111 at 1, 2, 3 deviations
    np.testing.assert_allclose(
        gaussian(np.array([1, 2, 3]) / 3), [0.60653066, 0.13533528, 0.011108997], rtol=1e-7
    )


def test_linear_hats_on_even_nodes_are_barycentric():
    # hat functions of reach 1 sum to one and reproduce lines
    x, nodes = np.linspace(0, 4, 81), np.arange(5.0)
    hats = linear(np.abs(x[:, None] - nodes))
    np.testing.assert_allclose(hats.sum(axis=1), 1, atol=1e-15)
    np.testing.assert_allclose(hats @ nodes, x, atol=1e-15)


# -- Shepard 1968: properties from memory -------------------------------------------------


def shepard(points, nodes, exponent=2.0):
    distance = np.linalg.norm(points[:, None] - nodes, axis=-1)
    return partition_of_unity(inverse_distance(distance, exponent), distance)


def test_two_centres_share_as_shepard_says():
    # distances a : b give b^p / (a^p + b^p); 1 : 3, p = 2 -> 0.9, 0.1
    points, nodes = np.array([[1.0, 0, 0]]), np.array([[0.0, 0, 0], [4.0, 0, 0]])
    np.testing.assert_allclose(shepard(points, nodes), [[0.9, 0.1]], atol=1e-15)
    np.testing.assert_allclose(shepard(points, nodes, 4.0), [[81 / 82, 1 / 82]], atol=1e-15)


def test_shepard_is_one_at_its_nodes():
    nodes = np.random.default_rng(1).random((7, 3))
    np.testing.assert_allclose(shepard(nodes, nodes), np.eye(7), atol=1e-12)


def test_shepard_is_flat_at_nodes_above_exponent_one():
    nodes = np.random.default_rng(2).random((5, 3))
    slopes, along = [], np.array([1.0, 0.0, 0.0])
    for step in (1e-3, 1e-4):
        near = shepard(nodes[:1] + step * along, nodes)
        slopes.append(abs(near[0, 0] - 1) / step)
    assert slopes[1] < 0.2 * slopes[0]
    cusp = [abs(shepard(nodes[:1] + s * along, nodes, 1.0)[0, 0] - 1) / s for s in (1e-3, 1e-4)]
    assert cusp[1] == pytest.approx(cusp[0], rel=0.05)


def test_shepard_is_even_far_away():
    nodes = np.random.default_rng(3).random((6, 3))
    np.testing.assert_allclose(shepard(np.array([[1e6, 0, 0]]), nodes), 1 / 6, atol=1e-5)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 100), st.floats(0.5, 8))
def test_shepard_is_invariant_under_similarity(seed, scale, exponent):
    rng = np.random.default_rng(seed)
    points, nodes = rng.random((20, 3)), rng.random((6, 3))
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    moved = shepard(scale * points @ turn + 3.0, scale * nodes @ turn + 3.0, exponent)
    np.testing.assert_allclose(moved, shepard(points, nodes, exponent), atol=1e-9)


# -- partition of unity -------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(tables, st.sampled_from(sorted(KERNELS)), st.floats(0.01, 100), st.floats(0.1, 32))
def test_every_kernel_makes_a_partition_of_unity(steps, name, reach, exponent):
    r = steps / reach
    weights = partition_of_unity(kernel_values(name, r, exponent), r)
    assert (weights >= 0).all()
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, atol=1e-12)


def test_rows_that_nothing_reaches_go_to_their_nearest():
    distance = np.array([[5.0, 4.0, 9.0], [0.2, 3.0, 4.0]])
    weights = partition_of_unity(wendland_c2(distance), distance)
    np.testing.assert_array_equal(weights, [[0, 1, 0], [1, 0, 0]])


# -- limiting and pruning -----------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 12))
def test_limited_rows_hold_few_weights_and_sum_to_one(seed, influences):
    limited = limit_influences(weight_rows(seed), influences)
    assert (limited >= 0).all()
    assert np.count_nonzero(limited, axis=1).max() <= influences
    np.testing.assert_allclose(limited.sum(axis=1), 1.0, atol=1e-12)


@pytest.mark.parametrize("joints", [2, 5, 9])
def test_exact_ties_are_shared(joints):
    limited = limit_influences(np.full((1, joints), 1.0 / joints), 4)
    assert np.count_nonzero(limited) <= 4
    assert limited.sum() == pytest.approx(1.0, abs=1e-12)


def largest_jump(rule, start, end, steps):
    share = np.linspace(0, 1, steps + 1)[:, None, None]
    walk = rule(((1 - share) * start + share * end).reshape(-1, start.shape[1]))
    walk = walk.reshape(steps + 1, *start.shape)
    return np.abs(np.diff(walk, axis=0)).max()


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    "rule", [lambda w: limit_influences(w, 4), lambda w: prune(w, 0.08)], ids=["limit", "prune"]
)
def test_walking_from_weights_to_weights_makes_no_step(rule, seed):
    # a function without a step: ten times shorter strides make about ten times smaller jumps;
    # a cut of the small weights keeps its jump whatever the stride
    start, end = weight_rows(seed, 20), weight_rows(seed + 100, 20)
    coarse, fine = (largest_jump(rule, start, end, steps) for steps in (400, 4000))
    assert fine < 0.2 * coarse
    assert fine < 0.02


def test_walking_along_a_body_makes_no_step():
    # the wide Gaussian reaches all 17 joints; the largest four stay
    def rule(x):
        r = np.abs(x[:, None] - np.arange(17)) / 4.0
        return limit_influences(partition_of_unity(gaussian(r), r), 4)

    coarse, fine = (
        np.abs(np.diff(rule(np.linspace(0, 16, n)), axis=0)).max() for n in (2001, 20001)
    )
    assert fine < 0.2 * coarse


def test_cut_and_renormalised_weights_do_step():
    # negative control for the two tests above: plain top four
    def cut(table):
        order = np.argsort(-table, axis=1)[:, 4:]
        kept = table.copy()
        np.put_along_axis(kept, order, 0.0, axis=1)
        return kept / kept.sum(axis=1, keepdims=True)

    start, end = weight_rows(0, 20, power=1.0), weight_rows(100, 20, power=1.0)
    coarse, fine = (largest_jump(cut, start, end, steps) for steps in (400, 4000))
    assert fine > 0.5 * coarse


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 0.25), st.integers(2, 30))
def test_pruned_rows_sum_to_one_and_hold_nothing_small(seed, threshold, joints):
    rows = weight_rows(seed, joints=joints)
    pruned = prune(rows, threshold)
    assert (pruned >= 0).all()
    np.testing.assert_allclose(pruned.sum(axis=1), 1.0, atol=1e-12)
    reduced = (np.clip(rows.max(axis=1), 0, 1) >= 2 * threshold)[:, None]
    assert (pruned[reduced & (rows <= threshold)] <= (0.0 if threshold > 0 else 1.0)).all()


@pytest.mark.parametrize("threshold", [0.1, 0.2, 0.25])
def test_pruning_on_the_way_to_even_weights_makes_no_step(threshold):
    # four even weights lie between one and two thresholds of 0.2
    start, end = np.array([[0.7, 0.11, 0.1, 0.09]]), np.full((1, 4), 0.25)
    coarse, fine = (
        largest_jump(lambda w: prune(w, threshold), start, end, n) for n in (2000, 20000)
    )
    assert fine < 0.2 * coarse


def test_prune_of_nothing_keeps_all():
    rows = weight_rows(4)
    np.testing.assert_array_equal(prune(rows, 0.0), rows)


# -- smoothing ----------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 12))
def test_smoothed_rows_stay_a_partition_of_unity(seed, rounds):
    rng = np.random.default_rng(seed)
    edges = np.unique(np.sort(rng.integers(0, 50, (90, 2)), axis=1), axis=0)
    edges = edges[edges[:, 0] != edges[:, 1]]
    smoothed = smooth(weight_rows(seed), edges, rounds)
    assert (smoothed >= 0).all()
    np.testing.assert_allclose(smoothed.sum(axis=1), 1.0, atol=1e-12)


def test_smoothing_matches_lazy_random_walk():
    # one round is (I + D^-1 A) / 2: a path of three
    rows = np.array([[1.0, 0], [0, 1], [0, 1]])
    walk = 0.5 * (np.eye(3) + np.array([[0, 1, 0], [0.5, 0, 0.5], [0, 1, 0]]))
    smoothed = smooth(rows, np.array([[0, 1], [1, 2]]), 3)
    np.testing.assert_allclose(smoothed, np.linalg.matrix_power(walk, 3) @ rows, atol=1e-14)


def test_smoothing_leaves_lonely_and_even_rows():
    rows = np.array([[0.3, 0.7], [0.3, 0.7], [1.0, 0.0]])
    np.testing.assert_allclose(smooth(rows, np.array([[0, 1]]), 5), rows, atol=1e-15)


# -- order along a line -------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(rising)
def test_order_is_whole_at_nodes_and_rises(nodes):
    np.testing.assert_allclose(order_coordinate(nodes, nodes), np.arange(len(nodes)), atol=1e-12)
    s = np.linspace(nodes[0] - 2, nodes[-1] + 2, 800)
    assert (np.diff(order_coordinate(s, nodes)) >= -1e-12).all()


@settings(max_examples=30, deadline=None)
@given(rising)
def test_order_turns_over_with_the_line(nodes):
    s = np.linspace(nodes[0] - 1, nodes[-1] + 1, 200)
    back = order_coordinate(-s, -nodes[::-1])
    np.testing.assert_allclose(back, len(nodes) - 1 - order_coordinate(s, nodes), atol=1e-9)


def test_order_of_even_nodes_is_the_straight_line():
    s = np.linspace(-3, 12, 100)
    np.testing.assert_allclose(order_coordinate(s, np.arange(5) * 2.0), s / 2, atol=1e-12)


def test_order_of_one_node_is_zero():
    np.testing.assert_array_equal(order_coordinate([-1.0, 0, 4], [2.0]), [0, 0, 0])
