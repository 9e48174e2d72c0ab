"""Creatures as they come: legs, lobes, pieces, seams, any way up.

The curves that trunks are grown along are known (``creatures.py``), so the answers are closed
forms; the skins are contours by VTK. The ant is the one that pyvista brings along.
"""

from itertools import pairwise

import numpy as np
import pytest
import pyvista.examples
from cases import first_of
from creatures import grown, limb, quadruped, slug, stinger, swimmer
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from tubes import straight, swept, tube

import ribbonsim as rs
from ribbonsim.bendcheck.symmetry import weight_asymmetry
from ribbonsim.body.guide import read_guide
from ribbonsim.body.inside import inside_of
from ribbonsim.body.pieces import pieces_of
from ribbonsim.body.place import body_places
from ribbonsim.body.plane import exact_planes
from ribbonsim.body.which_end import which_end
from ribbonsim.rig.first_layout import BuildOptions, build_layout


def length(points):
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def miss(points, curve):
    """Farthest distance of a curve from a guide, as a share of the curve's length."""
    dense = np.vstack([a + (b - a) * np.linspace(0, 1, 40)[:, None] for a, b in pairwise(curve)])
    fine = np.vstack([a + (b - a) * np.linspace(0, 1, 10)[:, None] for a, b in pairwise(points)])
    return float(cKDTree(fine).query(dense)[0].max()) / length(curve)


def fork(lobes):
    trunk = np.array([[0, 0, 0], [0, 0, 6.0]])
    cones = limb(trunk, [0.8, 0.8])
    for k in range(lobes):
        turn = 2 * np.pi * k / lobes
        cones += limb([trunk[1], [2.2 * np.cos(turn), 2.2 * np.sin(turn), 9.0]], [0.7, 0.4])
    return grown(cones, 0.12, 0.2, name="fork"), trunk


def antennae():
    t = np.linspace(0, 1, 40)
    trunk = np.stack([4 * np.cos(2 * t), 0 * t, 6 * np.sin(2 * t)], axis=1)
    ahead = trunk[-1] - trunk[-2]
    ahead /= np.linalg.norm(ahead)
    aside = np.cross(ahead, [0, 1, 0])
    cones = limb(trunk, 0.7)
    for side in (1, -1):
        foot = trunk[-1] + 0.4 * side * aside
        tip = foot + 2.0 * side * aside + 5 * ahead
        cones += limb([foot, 0.5 * (foot + tip) + 0.2 * side * aside, tip], [0.2, 0.14, 0.1])
    return grown(cones, 0.1, 0.2, name="antennae"), trunk


def lizard():
    t = np.linspace(0, 1, 30)
    trunk = np.stack([1.2 * np.sin(2 * np.pi * t), 0.9 + 0 * t, -9 + 18 * t], axis=1)
    radii = np.interp(
        t, [0, 0.3, 0.5, 0.7, 0.8, 0.85, 0.95, 1], [0.12, 0.5, 0.95, 0.95, 0.7, 0.75, 0.55, 0.35]
    )
    cones = limb(trunk, radii)
    for z, x in ((3.5, trunk[20, 0]), (-1.5, trunk[12, 0])):
        for side in (1, -1):
            leg = [[x + side * 0.5, 0.9, z], [x + side * 1.9, 0.9, z], [x + side * 2.2, 0.1, z]]
            cones += limb(leg, [0.38, 0.28, 0.22])
    return grown(cones, 0.12, 0.25, name="lizard"), trunk


# what the default run looks at first: a trunk on legs, and one that parts into lobes
CREATURES = {
    "quadruped": quadruped,
    "two lobes": lambda: fork(2),
    "walking": lambda: quadruped(walking=True),
    "stinger": stinger,
    "swimmer": swimmer,
    "three lobes": lambda: fork(3),
    "antennae": antennae,
    "lizard": lizard,
}


@pytest.fixture(scope="module")
def made():
    found = {}

    def make(name):
        if name not in found:
            found[name] = CREATURES[name]()
        return found[name]

    return make


@pytest.mark.parametrize("name", first_of(*CREATURES, count=2))
def test_guide_runs_along_the_trunk_and_down_no_limb(made, name):
    mesh, trunk = made(name)
    guide = rs.find_guide(mesh)
    assert miss(guide, trunk) <= 0.02
    # beyond the curve's ends the trunk goes on by a radius, and lobes fill the crotch
    assert length(guide) <= 1.33 * length(trunk)


def both(*tips):
    return [(side * x, y, z) for x, y, z in tips for side in ((1, -1) if x else (1,))]


# where each limb's last ball was grown (creatures.py; a fish is narrowed to 0.55 along x)
TIPS = {
    "quadruped": both((0.8, 0.2, 2.0), (0.8, 0.2, -2.2), (1.2, 5.3, 4.0), (0, 1.6, -4.8)),
    "walking": [
        *[(0.8, 0.2, 2.9), (-0.8, 0.2, 1.1), (0.8, 0.2, -3.1), (-0.8, 0.2, -1.3)],
        *both((1.2, 5.3, 4.0), (0, 1.6, -4.8)),
    ],
    "stinger": both(*[(2.6, 0.1, 1.8 * z) for z in (1.2, 0.5, -0.2, -0.9)], (0.9, 1.0, 5.2)),
    "swimmer": both((1.21, -1.0, 0.8), (0, 2.1, -0.4), (0, 1.8, -5.8), (0, -1.5, -5.6)),
}


@pytest.mark.parametrize("name", first_of(*TIPS))
def test_every_limb_is_proposed_once_and_nothing_else(made, name):
    mesh, _ = made(name)
    found = rs.find_appendages(mesh, rs.find_guide(mesh))
    tips = np.array(TIPS[name])
    away = np.linalg.norm(mesh.positions[[one.tip for one in found]][:, None] - tips[None], axis=2)
    # the skin's farthest vertex is a radius of the last ball away, and a cell
    assert sorted(away.argmin(axis=1).tolist()) == list(range(len(tips)))
    assert away.min(axis=1).max() <= 0.5
    assert min(one.confidence for one in found) > 0.9


@pytest.mark.parametrize("name", first_of(*TIPS))
def test_left_and_right_limbs_are_pairs_whatever_the_pose(made, name):
    mesh, _ = made(name)
    layout = build_layout(mesh, BuildOptions(appendages=True))
    plane = rs.find_plane(mesh, layout.ribbon)
    # grown about x = 0
    assert abs(plane.normal[0]) > 0.999
    assert abs(plane.offset) < 0.01 * mesh.diagonal
    _, report = rs.pair_appendages(layout, plane)
    assert report.unmatched == ()
    tips = np.array(TIPS[name])
    seat = {
        one.name: int(np.linalg.norm(tips - one.layout.ribbon.midline(1.0), axis=1).argmin())
        for one in layout.appendages
    }
    # limbs off the plane were grown in turn to both sides
    aside = np.flatnonzero(tips[:, 0] != 0)
    assert {tuple(sorted((seat[a], seat[b]))) for a, b in report.pairs} == {
        (int(k), int(k) + 1) for k in aside[::2]
    }
    assert {seat[one] for one in report.middle} == set(np.flatnonzero(tips[:, 0] == 0).tolist())


@pytest.mark.parametrize("name", first_of("quadruped", "stinger", "swimmer"))
@pytest.mark.parametrize("angles", first_of([23, 41, 17], [23, 0, 0]))
def test_guide_turns_with_the_creature(made, name, angles):
    mesh, _ = made(name)
    guide = rs.find_guide(mesh)
    turn = Rotation.from_euler("xyz", angles, degrees=True).as_matrix()
    turned = rs.CreatureMesh.from_arrays(mesh.positions @ turn.T, mesh.polygons)
    other = rs.find_guide(turned) @ turn
    apart = min(np.abs(guide - other).max(), np.abs(guide - other[::-1]).max())
    assert apart <= 0.001 * length(guide)


@pytest.mark.parametrize("up", first_of("-z", "x", "y", "z", "-x", "-y"))
def test_the_end_on_the_ground_is_the_root_whichever_way_is_up(up):
    lean = np.linspace(0, np.pi / 2, 40)
    line = np.stack([8 * np.sin(lean), 8 * (1 - np.cos(lean)), 0 * lean], axis=1)
    mesh = tube(line, np.linspace(0.7, 0.7, 40), round_ends=4)
    axis = "xyz".index(up[-1])
    shift = np.roll(mesh.positions, axis - 1, axis=1) * (-1 if up.startswith("-") else 1)
    standing = rs.CreatureMesh.from_arrays(shift, mesh.polygons)
    guide = read_guide(standing, up=up)
    assert guide.sure
    assert "rests on the ground" in guide.why_root
    heights = guide.points[:, axis] * (-1 if up.startswith("-") else 1)
    assert heights[0] < heights[-1]


@pytest.mark.slow
def test_a_stubby_body_has_its_own_axis_as_its_middle():
    mesh, trunk = slug()
    guide = rs.find_guide(mesh)
    way = guide[-1] - guide[0]
    straight = (trunk[1] - trunk[0]) / length(trunk)
    tilt = np.degrees(np.arccos(abs(way @ straight) / np.linalg.norm(way)))
    assert tilt <= 0.5


def worm():
    t = np.linspace(0, 1, 240)
    line = np.stack([6 * np.sin(4 * t), 2 * np.cos(3 * t), 20 * t], axis=1)
    return line, 0.9 + 0.4 * np.sin(np.pi * t)


def test_overlapping_pieces_have_the_guide_and_the_places_of_the_whole():
    line, radii = worm()
    whole = tube(line, radii, around=24, round_ends=4)
    positions, faces, count = [], [], 0
    cuts = np.linspace(0, 240, 15).astype(int)
    for first, last in pairwise(cuts):
        part = slice(max(first - 3, 0), min(last + 3, 240))
        points, polygons = swept(line[part], radii[part], 24, 3)
        faces += [[vertex + count for vertex in polygon] for polygon in polygons]
        positions.append(points)
        count += len(points)
    for side in (1, -1):  # two eyes, half sunk into the head
        eye = line[-1] + np.array([0.5 * side, 0.6, 0.2]) + np.outer(np.arange(3), [0, 0, 0.01])
        points, polygons = swept(eye, 0.15, 12, 4)
        faces += [[vertex + count for vertex in polygon] for polygon in polygons]
        positions.append(points)
        count += len(points)
    pieces = rs.CreatureMesh.from_arrays(np.vstack(positions), faces, "pieces")
    found = pieces_of(pieces)
    assert len(found.body) == 14
    assert found.rides.tolist() == [14, 15]
    assert found.sentences() == [
        "Of 16 pieces 14 pieces that overlap or nearly touch make up the body, 2 small ones ride "
        "rigidly on it."
    ]
    guide, other = rs.find_guide(whole), rs.find_guide(pieces)
    assert np.abs(guide - other).max() <= 0.01 * length(guide)
    ribbon = rs.Ribbon.along(guide, width=1.0, spans=16)
    distance, same = cKDTree(whole.positions).query(pieces.positions)
    there = distance < 1e-9
    assert there.sum() > 400
    apart = np.abs(body_places(whole, ribbon)[same] - body_places(pieces, ribbon))[there]
    assert apart.max() <= 0.01 * ribbon.length
    # an eye keeps its shape: one place for all of it
    assert np.ptp(body_places(pieces, ribbon)[pieces.components == 14]) == 0.0


def together(meshes, name):
    """One mesh of several, each a piece of its own."""
    firsts = np.cumsum([0, *(len(mesh.positions) for mesh in meshes)])
    faces = [
        (face + first).tolist()
        for mesh, first in zip(meshes, firsts[:-1], strict=True)
        for face in mesh.polygons
    ]
    return rs.CreatureMesh.from_arrays(np.vstack([m.positions for m in meshes]), faces, name)


TORSO = [[0, 2, -5], [0, 2.2, 0], [0, 2, 5]]


@pytest.mark.slow  # in part: every limb is proposed once; overlapping pieces have one guide
def test_limbs_that_are_pieces_of_their_own_are_proposed_and_move_alone():
    # a body with four legs and two feelers, each a closed shell that is sunk into it
    parts = [grown(limb(TORSO, [0.8, 1.2, 0.7]), 0.15)]
    for side in (1, -1):
        for z in (2.5, -2.5):
            leg = [[side * 0.7, 1.8, z], [side * 1.3, 1.0, z], [side * 1.4, -1.5, z]]
            parts.append(grown(limb(leg, [0.4, 0.35, 0.3]), 0.12))
        feeler = [[side * 0.25, 2.2, 5.2], [side * 0.8, 3.2, 6.2], [side * 1.2, 3.6, 8.0]]
        parts.append(grown(limb(feeler, [0.15, 0.12, 0.1]), 0.06))
    mesh = together(parts, "parts")
    layout = build_layout(mesh, BuildOptions(appendages=True))
    rig = rs.bind(mesh, layout)
    assert len(layout.appendages) == 6
    pieces = {}
    for one in layout.appendages:
        (piece,) = np.unique(mesh.components[rig.limbs[one.name].vertices])
        pieces[int(piece)] = one
        # its tip, a radius past the last ball, and what is outside the body is the limb's alone
        tip = np.argmin(np.linalg.norm(mesh.positions - one.layout.ribbon.midline(1.0), axis=1))
        own = rig.mesh_weights[:, rig.joints_of[one.name]].sum(axis=1)
        assert mesh.components[tip] == piece
        assert own[tip] == pytest.approx(1.0)
        assert own[mesh.components != piece].max() == 0.0
    assert sorted(pieces) == [1, 2, 3, 4, 5, 6]
    _, report = rs.pair_appendages(layout, rs.find_plane(mesh, layout.ribbon))
    assert report.unmatched == report.middle == ()
    assert {frozenset(pair) for pair in report.pairs} == {
        frozenset({pieces[k].name, pieces[k + 3].name}) for k in (1, 2, 3)
    }


@pytest.mark.slow
@pytest.mark.parametrize("turned", first_of(True, False))
def test_a_wall_with_an_inner_side_holds_the_trunk_of_the_whole(turned):
    outer = grown(limb(TORSO, [0.8, 1.2, 0.7]), 0.15)
    inner = grown(limb(TORSO, [0.65, 1.05, 0.55]), 0.15)
    faces = [face[::-1] if turned else face for face in inner.polygons]
    inner = rs.CreatureMesh.from_arrays(inner.positions, [face.tolist() for face in faces])
    shell = together([outer, inner], "shell")
    found, whole = inside_of(shell).solid, inside_of(outer).solid
    # the volume that the outer side encloses, by the divergence theorem
    a, b, c = (outer.positions[outer.triangles[:, k]] for k in range(3))
    volume = abs(float(np.sum(a * np.cross(b, c)))) / 6.0
    assert len(found.centres) * found.cell**3 == pytest.approx(volume, rel=0.01)
    assert found.radii.max() == pytest.approx(whole.radii.max(), abs=whole.cell)
    guide = rs.find_guide(shell)
    assert miss(guide, np.array(TORSO, dtype=float)) <= 0.02


def split(mesh, side):
    """The same skin with vertices of their own for faces of each side, as exporters write it."""
    seats, positions, faces, source = {}, [], [], []
    for polygon, which in zip(mesh.polygons, side, strict=True):
        face = []
        for vertex in polygon.tolist():
            if (vertex, which) not in seats:
                seats[vertex, which] = len(positions)
                positions.append(mesh.positions[vertex])
                source.append(vertex)
            face.append(seats[vertex, which])
        faces.append(face)
    return rs.CreatureMesh.from_arrays(np.array(positions), faces, "split"), np.array(source)


@pytest.mark.slow
def test_a_seam_changes_neither_guide_nor_weights_and_does_not_open():
    line, radii = worm()
    whole = tube(line, radii, around=24, round_ends=4)
    middles = np.array([whole.positions[polygon].mean(axis=0) for polygon in whole.polygons])
    parted, source = split(whole, (np.sin(middles[:, 2]) > 0) + 2 * (middles[:, 0] > 1))
    assert len(source) > len(whole.positions) + 100
    assert parted.is_closed
    assert parted.components.max() == 0
    guide = rs.find_guide(whole)
    assert np.abs(rs.find_guide(parted) - guide).max() <= 1e-6 * length(guide)
    layout = rs.Layout.from_ribbon(rs.Ribbon.along(guide, width=1.0, spans=12))
    one, two = rs.bind(whole, layout), rs.bind(parted, layout)
    assert np.abs(one.mesh_weights[source] - two.mesh_weights).max() <= 1e-6
    posed = two.deform(two.pose_for("c_bend", 90))
    for vertex in np.flatnonzero(parted.welded != np.arange(len(source)))[::7]:
        assert np.abs(posed[vertex] - posed[parted.welded[vertex]]).max() == 0.0


def test_the_other_side_of_a_seam_is_no_piece_of_its_own():
    line, radii = worm()
    whole = tube(line, radii, around=24, round_ends=4)
    middles = np.array([whole.positions[polygon].mean(axis=0) for polygon in whole.polygons])
    parted, _ = split(whole, np.sin(middles[:, 2]) > 0)
    count = len(parted.positions)
    two = rs.CreatureMesh.from_arrays(
        np.concatenate([parted.positions, parted.positions + np.array([0.0, 50.0, 0.0])]),
        [*parted.polygons, *(polygon + count for polygon in parted.polygons)],
        "two",
    )
    # by definition: two skins that nothing joins, whatever seams they have
    assert np.array_equal(two.components, np.repeat([0, 1], count))


def test_the_ants_guide_runs_through_its_pieces_from_head_to_abdomen():
    ant = pyvista.examples.load_ant().triangulate()
    faces = np.asarray(ant.faces).reshape(-1, 4)[:, 1:]
    mesh = rs.CreatureMesh.from_arrays(np.asarray(ant.points, dtype=float), faces, "ant")
    guide = rs.find_guide(mesh)
    # the ant lies along z; legs and feelers reach out to all sides
    assert np.ptp(guide[:, 2]) >= 0.75 * np.ptp(mesh.positions[:, 2])
    assert np.ptp(guide[:, 0]) <= 0.05 * np.ptp(mesh.positions[:, 0])


@pytest.mark.slow
def test_turns_that_touch_stay_apart_in_the_solid():
    turn = np.linspace(0, 4 * np.pi, 400)
    line = np.stack([5 * np.cos(turn), 2.06 * turn / (2 * np.pi), 5 * np.sin(turn)], axis=1)
    mesh = tube(line, 1.0, around=20, round_ends=4)  # turns 2.06 apart, 2 thick
    assert miss(rs.find_guide(mesh), line) <= 0.005


def test_a_guide_that_misses_most_of_the_creature_is_refused():
    body, faces = swept(np.outer(np.linspace(0, 4, 30), [0, 0, 1.0]), 1.0, 16, 4)
    far, more = swept(np.outer(np.linspace(20, 23, 20), [0, 0, 1.0]), 0.9, 16, 4)
    faces = [*faces, *[[vertex + len(body) for vertex in face] for face in more]]
    mesh = rs.CreatureMesh.from_arrays(np.vstack([body, far]), faces, "apart")
    with pytest.raises(rs.RibbonsimError, match=r"spans only .* % of the creature"):
        rs.find_guide(mesh)


def test_chosen_ends_on_legs_are_reached(made):
    mesh, _ = made("quadruped")
    feet = [
        int(np.argmin(np.linalg.norm(mesh.positions - foot, axis=1)))
        for foot in ([0.8, 0.0, 2.0], [-0.8, 0.0, -2.2])
    ]
    guide = rs.find_guide(mesh, root=feet[0], tip=feet[1])
    for end, foot in zip((0, -1), feet, strict=True):
        assert np.linalg.norm(guide[end] - mesh.positions[foot]) <= 0.6


@pytest.mark.parametrize(
    ("heights", "radii", "vertices", "swapped", "words"),
    [
        ((0.2, 6.0), [1.0] * 10, (5, 5), False, "rests on the ground"),
        ((6.0, 0.2), [1.0] * 10, (5, 5), True, "rests on the ground"),
        ((2.0, 2.0), [0.2, 0.5, 1, 1.2, 1, 0.8, 0.9, 0.9, 0.9, 0.8], (5, 5), False, "thin end"),
        ((2.0, 2.0), [1.2, 1.1, 1, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3], (5, 5), False, "even taper"),
        ((2.0, 2.0), [1.0] * 10, (5, 50), False, "fewer vertices"),
        ((2.0, 2.0), [1.0] * 10, (50, 5), True, "fewer vertices"),
        ((2.0, 2.0), [1.0] * 10, (5, 5), False, "both are alike"),
    ],
)
def test_root_is_told_from_tip_by_shape(heights, radii, vertices, swapped, words):
    found = which_end(heights, 8.0, np.array(radii), vertices)
    assert found.swapped == swapped
    assert words in found.why


@pytest.mark.slow
def test_a_ring_that_is_not_closed_has_its_guide_all_along():
    turn = np.radians(np.linspace(0, 300, 121))
    line = np.stack([5 * np.cos(turn), 5 * np.sin(turn), 0 * turn], axis=1)
    assert miss(rs.find_guide(tube(line, 1.0, around=24, round_ends=4)), line) <= 0.005


@pytest.mark.parametrize("around", [8, 24])
def test_a_straight_tube_with_flat_ends_has_a_straight_guide(around):
    # a field on its skin begins at the rim of an end, and would turn the guide by 13 degrees there
    guide = rs.find_guide(tube(straight(10.0, 61), 0.5, around))
    assert np.abs(guide[:, 1:]).max() < 0.01
    assert abs(np.ptp(guide[:, 0]) - 9.8) < 0.1


def test_a_slug_that_is_alike_on_all_sides_has_weights_that_are():
    # its vertices mirror each other, the triangles of its contour do not
    mesh, _ = slug()
    rig = rs.bind(mesh, build_layout(mesh))
    planes = exact_planes(mesh)
    assert len(planes) >= 2
    for plane in planes:
        if abs(plane.normal[2]) < 0.5:  # it lies along z
            assert weight_asymmetry(rig, plane).max() < 1e-6
