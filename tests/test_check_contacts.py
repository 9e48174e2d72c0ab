"""Contacts against brute force over all pairs of triangles, and small cases done by hand."""

import sys
from functools import cache

import igl
import numpy as np
import pytest
import pyvista
import trimesh
from cases import first_of
from demos import demo_mesh
from hypothesis import given, settings
from hypothesis import strategies as st
from pyvista import examples
from scipy.spatial.transform import Rotation
from tubes import straight, tube

from ribbonsim import CreatureMesh, Layout, Ribbon, RibbonsimError, bind
from ribbonsim.bendcheck.contacts import crosses_itself, crossing_pairs, new_pairs
from ribbonsim.bendcheck.findings import Finding, Place
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.rig.first_layout import build_layout

CORNER = [[0, 0, 0], [1, 0, 0], [0, 1, 0]]


# -- an independent judge ---------------------------------------------------------------------


def segment_meets_triangle(start, end, a, b, c):
    """Whether segments pass through triangles, all (n, 3): by signed volumes.

    Both ends on different sides of the plane, and the line on one side of all three edges.
    """

    def volume(p, q, r, s):
        return np.einsum("ni,ni->n", np.cross(q - p, r - p), s - p)

    sides = volume(a, b, c, start) * volume(a, b, c, end) < 0
    x, y, z = (volume(start, end, p, q) for p, q in ((a, b), (b, c), (c, a)))
    return sides & (((x > 0) & (y > 0) & (z > 0)) | ((x < 0) & (y < 0) & (z < 0)))


def brute_force(positions, triangles):
    """All crossing pairs among all pairs; for corners in general position, as floats are.

    Of two triangles that share a corner, only the edges opposite to it can meet the other
    triangle elsewhere; two that share an edge cannot meet elsewhere unless they lie flat.
    """
    one, two = np.triu_indices(len(triangles), 1)
    shared = (triangles[one][:, :, None] == triangles[two][:, None, :]).any(axis=2)
    crossing = np.zeros(len(one), dtype=bool)
    for here, there in ((one, two), (two, one)):
        for k in range(3):
            i, j = triangles[here, k], triangles[here, (k + 1) % 3]
            free = ~np.any((triangles[there] == i[:, None]) | (triangles[there] == j[:, None]), 1)
            a, b, c = (positions[triangles[there[free], m]] for m in range(3))
            crossing[free] |= segment_meets_triangle(
                positions[i[free]], positions[j[free]], a, b, c
            )
    crossing &= shared.sum(axis=1) < 2
    return set(zip(one[crossing].tolist(), two[crossing].tolist(), strict=True))


def as_set(pairs):
    return {(int(a), int(b)) for a, b in pairs}


# -- two triangles ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "faces", "meets"),
    [
        # neighbours across an edge: flat, and folded flat onto each other
        ([[1, 1, 0]], [[0, 1, 2], [1, 3, 2]], False),
        ([[1, 1, 0.5]], [[0, 1, 2], [1, 3, 2]], False),
        ([[0.2, 0.2, 0]], [[0, 1, 2], [1, 3, 2]], True),
        ([[0.2, 0.2, 1e-6]], [[0, 1, 2], [1, 3, 2]], False),
        # neighbours at a corner: apart, and one through the other
        ([[-0.5, -0.3, 1], [-0.5, -0.3, -1]], [[0, 1, 2], [0, 3, 4]], False),
        ([[0.5, 0.3, 1], [0.5, 0.3, -1]], [[0, 1, 2], [0, 3, 4]], True),
        # strangers: beside, above, through, touching with a tip
        ([[2, 0, 0], [3, 0, 0], [2, 1, 0]], [[0, 1, 2], [3, 4, 5]], False),
        ([[0, 0, 1e-9], [1, 0, 1e-9], [0, 1, 1e-9]], [[0, 1, 2], [3, 4, 5]], False),
        ([[0.2, 0.2, -1], [0.3, 0.2, 1], [0.2, 0.3, 1]], [[0, 1, 2], [3, 4, 5]], True),
        ([[0.2, 0.2, 0], [0.2, 0.3, 1], [0.3, 0.2, 1]], [[0, 1, 2], [3, 4, 5]], True),
    ],
)
def test_two_triangles(more, faces, meets):
    found = crossing_pairs(np.array(CORNER + more, dtype=float), np.array(faces))
    assert found.tolist() == ([[0, 1]] if meets else [])


def test_meshes_with_nothing_to_meet():
    assert crossing_pairs(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)).shape == (0, 2)
    assert crossing_pairs(np.array(CORNER, dtype=float), np.array([[0, 1, 2]])).shape == (0, 2)


def test_known_pairs_are_left_out():
    pairs = np.array([[0, 3], [1, 2], [1, 4], [3, 4]])
    assert new_pairs(pairs, np.array([[1, 4], [0, 3]]), 5).tolist() == [[1, 2], [3, 4]]
    assert new_pairs(pairs, np.zeros((0, 2), dtype=int), 5).tolist() == pairs.tolist()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_random_triangles_agree_with_brute_force(seed):
    rng = np.random.default_rng(seed)
    positions = rng.normal(size=(24, 3))
    triangles = np.array([rng.choice(24, 3, replace=False) for _ in range(20)])
    # of two on the same three corners libigl counts those that face each other
    triangles = triangles[np.unique(np.sort(triangles, axis=1), axis=0, return_index=True)[1]]
    found = crossing_pairs(positions, triangles)
    assert as_set(found) == brute_force(positions, triangles)
    assert found.tolist() == sorted(found.tolist())
    assert (found[:, 0] < found[:, 1]).all()


# -- spheres pushed together ------------------------------------------------------------------


@cache
def two_balls():
    ball = trimesh.creation.icosphere(subdivisions=2)
    turned = Rotation.from_euler("xyz", [0.3, 0.5, 0.7]).apply(ball.vertices)
    # a little smaller, so that the first, which the ribbon runs through, is the body
    positions = np.vstack([ball.vertices, 0.98 * turned + np.array([3.0, 0.1, 0.2])])
    faces = np.vstack([ball.faces, ball.faces + len(ball.vertices)])
    mesh = CreatureMesh.from_arrays(positions, faces, "balls")
    ribbon = Ribbon.along([[-1, 0, 0], [1, 0, 0]], 0.5, 4)
    return Gauge(bind(mesh, Layout.from_ribbon(ribbon, 5, 2))), len(ball.vertices)


def pushed(gauge, first, distance):
    positions = gauge.rig.mesh.positions.copy()
    positions[first:, 0] -= distance
    return positions


def test_two_spheres_meet_only_when_pushed_together():
    gauge, first = two_balls()
    assert len(gauge.contacts(pushed(gauge, first, 0.0))) == 0
    assert len(gauge.contacts(pushed(gauge, first, 0.9))) == 0
    for distance in (1.2, 1.6, 2.2):
        positions = pushed(gauge, first, distance)
        triangles = gauge.rig.mesh.triangles
        found = gauge.contacts(positions)
        # a triangle of each: none of a sphere with itself
        half = len(triangles) // 2
        assert len(found) > 10
        assert (found[:, 0] < half).all()
        assert (found[:, 1] >= half).all()
        assert as_set(found) == brute_force(positions, triangles)
        # the spheres cut in a circle of radius sqrt(1 - d^2/4) about the line between them
        apart = np.array([3.0 - distance, 0.1, 0.2])
        size = np.linalg.norm(apart)
        at = positions[triangles[found[:, 0]]].mean(axis=1)
        off = np.linalg.norm(at - (at @ apart)[:, None] * apart / size**2, axis=1)
        assert np.mean(off) == pytest.approx(np.sqrt(1 - size**2 / 4), abs=0.1)


def test_pairs_agree_with_libigls_test_of_two_triangles():
    gauge, first = two_balls()
    positions = pushed(gauge, first, 1.4)
    triangles = gauge.rig.mesh.triangles
    found = as_set(gauge.contacts(positions))
    half = len(triangles) // 2
    corners = np.ascontiguousarray(positions[triangles])
    near = np.flatnonzero(corners[:half, :, 0].max(axis=1) > 0.3)
    beyond = half + np.flatnonzero(corners[half:, :, 0].min(axis=1) < 1.3)
    told = {
        (int(a), int(b))
        for a in near
        for b in beyond
        if igl.tri_tri_overlap_test_3d(*corners[a][:, None], *corners[b][:, None])
    }
    assert told == found
    assert told


def test_single_precision_finds_the_same_contacts():
    gauge, first = two_balls()
    positions = pushed(gauge, first, 1.6)
    single = gauge.contacts(positions.astype(np.float32))
    assert as_set(single) == as_set(gauge.contacts(positions))


# -- creatures --------------------------------------------------------------------------------


@cache
def small_creature(name, share):
    """A demo creature with few triangles, so that all pairs can be tried."""
    whole = demo_mesh(name)
    surface = pyvista.PolyData.from_regular_faces(whole.positions, whole.triangles)
    few = surface.decimate(share)
    faces = few.faces.reshape(-1, 4)[:, 1:].astype(np.int64)
    return CreatureMesh.from_arrays(np.array(few.points, dtype=float), faces, name)


@pytest.mark.parametrize(
    ("name", "share", "pose", "amount"),
    first_of(
        ("grub", 0.975, "curl", 500.0),
        ("grub", 0.96, "rear_up", 140.0),
        ("coil", 0.95, "s_bend", None),
        ("coil", 0.95, "curl", None),
        # not the tentacle: it is alike across a plane, and edges in that plane meet exactly
        ("lampeel", 0.975, "curl", 700.0),
    ),
)
def test_demo_poses_agree_with_brute_force(name, share, pose, amount):
    mesh = small_creature(name, share)
    assert len(mesh.triangles) < 1300
    rig = bind(mesh, build_layout(demo_mesh(name)))
    posed = rig.deform(rig.pose_for(pose, amount))
    found = Gauge(rig).contacts(posed)
    expected = brute_force(posed, mesh.triangles) - brute_force(mesh.positions, mesh.triangles)
    assert as_set(found) == expected
    assert expected


@pytest.mark.parametrize("name", ["grub", "coil", "lampeel", "tentacle"])
def test_demo_creatures_touch_nowhere_at_rest(name):
    mesh = demo_mesh(name)
    assert len(crossing_pairs(mesh.positions, mesh.triangles)) == 0


@pytest.mark.slow
def test_crossings_of_the_rest_are_no_contacts():
    # the ant that comes with pyvista is put together of parts that cut each other
    ant = pyvista.read(examples.antfile)
    faces = ant.faces.reshape(-1, 4)[:, 1:].astype(np.int64)
    mesh = CreatureMesh.from_arrays(np.array(ant.points, dtype=float), faces, "ant")
    rig = bind(mesh, build_layout(mesh))
    gauge = Gauge(rig)
    known = as_set(crossing_pairs(mesh.positions, mesh.triangles))
    assert len(known) > 100
    assert len(gauge.contacts(mesh.positions)) == 0
    posed = rig.deform(rig.pose_for("c_bend", 200))
    found, all_of_them = (
        as_set(gauge.contacts(posed)),
        as_set(crossing_pairs(posed, mesh.triangles)),
    )
    assert not found & known
    assert found < all_of_them - known
    # what is left out is a seam that slid by less than a triangle is long
    middles = mesh.positions[mesh.triangles].mean(axis=1)
    long = np.ptp(mesh.positions[mesh.triangles], axis=1).max(axis=1)
    for pair in all_of_them - known - found:
        away = [np.linalg.norm(middles[list(pair)] - middles[list(old)], axis=1) for old in known]
        assert (np.min(away, axis=0) < long[list(pair)]).all()
    assert len(found) > 0.5 * len(all_of_them - known)


def test_curled_tube_meets_itself_when_it_closes():
    # curled evenly by less than a turn the ends stay apart, by more they run into the tube
    rig = bind(
        tube(straight(10.0, 81), 0.4, 16),
        Layout.from_ribbon(Ribbon.along(straight(), 0.4), 33, 17),
    )
    gauge = Gauge(rig)
    for degrees, meets in ((250, False), (400, True)):
        posed = rig.deform(rig.pose_for("c_bend", degrees))
        assert (len(gauge.contacts(posed)) > 0) == meets


def test_missing_libigl_is_said_in_one_sentence(monkeypatch):
    monkeypatch.setitem(sys.modules, "igl", None)
    with pytest.raises(RibbonsimError, match=r"libigl, which is not installed: pip install libigl"):
        crossing_pairs(np.array(CORNER, dtype=float), np.array([[0, 1, 2]]))


@pytest.mark.parametrize(("pose", "amount"), [("c_bend", 30.0), ("curl", 700.0)])
def test_whether_there_are_contacts_agrees_with_which_they_are(pose, amount):
    mesh = tube(straight(rings=61), 0.5, round_ends=3)
    rig = bind(mesh, build_layout(mesh))
    posed, gauge = rig.deform(rig.pose_for(pose, amount)), Gauge(rig)
    pairs = crossing_pairs(posed, mesh.triangles)
    assert crosses_itself(posed, mesh.triangles) == (len(pairs) > 0) == (pose == "curl")
    assert gauge.meets(posed) == (len(gauge.contacts(posed)) > 0)


def test_what_cuts_at_rest_does_not_meet():
    mesh = tube(straight(rings=61), 0.5, round_ends=3)
    # at rest two that cut each other are no contacts, and the first pair that is found is theirs
    both = np.vstack([mesh.positions, mesh.positions + np.array([0.1, 0.3, 0.0])])
    faces = np.vstack([mesh.triangles, mesh.triangles + len(mesh.positions)])
    cut = CreatureMesh.from_arrays(both, faces, "cut")
    assert crosses_itself(both, faces)
    assert not Gauge(bind(cut, build_layout(mesh))).meets(both)


@pytest.mark.parametrize(
    ("kind", "count", "says"),
    [
        ("contact", 1, "1 pair of triangles"),
        ("contact", 2, "2 pairs of triangles"),
        ("fold", 1, "1 triangle turns over"),
        ("fold", 3, "3 triangles turn over"),
    ],
)
def test_one_of_a_kind_is_said_as_one(kind, count, says):
    met, held = np.arange(2 * count).reshape(count, 2), np.arange(3)
    finding = Finding(kind, "curl", Place(3, "control2"), float(count), 0.0, 2.0, held, met)
    assert says in finding.statement
