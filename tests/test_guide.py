"""Guide and places along the body, on tubes whose centreline is known, against libigl."""

import re

import igl
import numpy as np
import pytest
import trimesh
from cases import first_of
from demos import demo_mesh
from scipy.spatial import cKDTree
from tubes import arc, helix, off_polyline, s_curve, straight, swept, triangulated, tube

import ribbonsim as rs
from ribbonsim import (
    CreatureMesh,
    Layout,
    MeshWeights,
    Ribbon,
    RibbonsimError,
    bind,
    edge_loop,
    find_guide,
    loop_centre,
)
from ribbonsim.body import field
from ribbonsim.body.field import (
    body_field,
    body_surface,
    edge_distance,
    edge_graph,
    factor_of,
    laplacian,
)
from ribbonsim.body.place import body_places

CURVES = {"straight": straight(), "arc": arc(), "s": s_curve(), "helix": helix(1.3, 3.0, 4.0)}
RADIUS, AROUND, CAP = 0.6, 16, 3


def body(curve, radius=RADIUS, around=AROUND):
    return tube(CURVES[curve], radius, around, round_ends=CAP)


def length_of(points):
    return np.linalg.norm(np.diff(points, axis=0), axis=1).sum()


def poles(mesh):
    return len(mesh.positions) - 2, len(mesh.positions) - 1


def inside_share(mesh, points):
    """Share of points inside a closed mesh, by igl's exact winding number."""
    return np.mean(igl.winding_number(mesh.positions, mesh.triangles, points) > 0.5)


# -- guide --------------------------------------------------------------------------------


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("ends", ["found", "given"])
def test_guide_follows_the_centreline_a_tube_was_swept_on(curve, ends):
    mesh, line = body(curve), CURVES[curve]
    guide = find_guide(mesh, *(poles(mesh) if ends == "given" else ()))
    length = length_of(line)
    # the body is a cap longer at each end
    inner = guide[
        (np.linalg.norm(guide - line[0], axis=1) > RADIUS)
        & (np.linalg.norm(guide - line[-1], axis=1) > RADIUS)
    ]
    assert off_polyline(inner, line).max() < 0.02 * length
    assert length < length_of(guide) < length + 2 * RADIUS
    steps = np.linalg.norm(np.diff(guide, axis=0), axis=1)
    np.testing.assert_allclose(steps, steps.mean(), rtol=0.01)
    if ends == "given":
        assert np.linalg.norm(guide[0] - line[0]) < np.linalg.norm(guide[0] - line[-1])


@pytest.mark.parametrize("curve", CURVES)
def test_guide_is_inside_by_igl_winding_number(curve):
    mesh = body(curve)
    assert inside_share(mesh, find_guide(mesh)) >= 0.98


@pytest.mark.parametrize("curve", CURVES)
def test_centred_to_a_hundredth_of_the_length_on_round_tubes(curve):
    # symmetric about its centreline, a round tube leaves no reason to be off it
    mesh, line = body(curve), CURVES[curve]
    guide = find_guide(mesh, *poles(mesh))[10:-10]
    assert off_polyline(guide, line).max() < 0.01 * length_of(line)


def test_guide_of_a_taper_runs_from_its_thick_end():
    line = straight(10, 61)
    mesh = tube(line, np.linspace(1.2, 0.3, 61), round_ends=3)
    guide = find_guide(mesh)
    assert guide[0, 0] < guide[-1, 0]
    turned = tube(line[::-1], np.linspace(0.3, 1.2, 61), round_ends=3)
    assert find_guide(turned)[0, 0] < find_guide(turned)[-1, 0]


@pytest.mark.parametrize("scale", first_of(1e-3, 1.0, 1e4))
def test_guide_scales_and_turns_with_the_body(scale):
    mesh = body("s")
    turn = np.linalg.qr(np.random.default_rng(0).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    moved = mesh.with_positions(scale * mesh.positions @ turn.T + 5.0 * scale)
    expected = scale * find_guide(mesh, *poles(mesh)) @ turn.T + 5.0 * scale
    got = find_guide(moved, *poles(moved))
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-3 * scale)


def test_root_and_tip_may_be_vertices_or_points():
    mesh, line = body("s"), CURVES["s"]
    first, last = poles(mesh)
    by_vertex = find_guide(mesh, first, last)
    by_point = find_guide(mesh, line[0] - [2, 0, 0], line[-1] + [2, 0, 0])
    np.testing.assert_allclose(by_point, by_vertex, atol=0.02 * 10)
    backwards = find_guide(mesh, root=last, tip=first)
    np.testing.assert_allclose(backwards, by_vertex[::-1], atol=0.02)
    one_given = find_guide(mesh, root=last)
    assert np.linalg.norm(one_given[0] - line[-1]) < 2 * RADIUS
    assert np.linalg.norm(one_given[-1] - line[0]) < 2 * RADIUS


def with_limb(thickness=0.25, reach=4.0, at=12):
    """A straight tube with a thin side tube grown out of one of its quads, square to it."""
    positions, faces = swept(straight(10, 41), RADIUS, AROUND, CAP)
    ring = (CAP + at) * AROUND
    base = [ring, ring + 1, ring + AROUND + 1, ring + AROUND]
    faces = [face for face in faces if set(face) != set(base)]
    corners = positions[base]
    middle = corners.mean(axis=0)
    out = middle - [middle[0], 0, 0]
    out /= np.linalg.norm(out)
    before = base
    for k in range(1, 21):
        start = len(positions)
        share = thickness / np.linalg.norm(corners[0] - corners[2])
        ring_points = middle + share * (corners - middle) + out * reach * k / 20
        positions = np.vstack([positions, ring_points])
        after = [start + i for i in range(4)]
        faces += [[before[i], before[(i + 1) % 4], after[(i + 1) % 4], after[i]] for i in range(4)]
        before = after
    faces.append(before)
    # each quad of the body runs the way its neighbours do, so the limb must as well
    mesh = CreatureMesh.from_arrays(positions, faces, "limbed")
    if not igl.is_edge_manifold(mesh.triangles)[0] or igl.moments(positions, mesh.triangles)[0] < 0:
        raise AssertionError("the limbed tube is not a proper closed mesh")
    return mesh


@pytest.mark.parametrize("thickness", first_of(0.4, 0.15, 0.25))
@pytest.mark.parametrize("at", [12, 20])
def test_limb_does_not_pull_the_guide(thickness, at):
    mesh = with_limb(thickness, at=at)
    guide = find_guide(mesh)
    assert np.hypot(guide[:, 1], guide[:, 2]).max() < 0.02 * 10
    assert np.ptp(guide[:, 0]) > 9.9  # end to end and not out along the limb


def test_limb_takes_the_place_it_grows_from():
    mesh = with_limb(at=12)
    places = body_places(mesh, Ribbon.along(straight(), 0.5, 16))
    limb = np.hypot(mesh.positions[:, 1], mesh.positions[:, 2]) > 1.2 * RADIUS
    root = 10 * 12.5 / 40
    assert limb.sum() > 60
    assert np.abs(places[limb] - root).max() < 0.03 * 10


@pytest.mark.parametrize("name", ["lampeel", "grub", "coil", "tentacle"])
def test_guides_of_demo_creatures_are_inside_them(name):
    mesh = demo_mesh(name)
    guide = find_guide(mesh)
    triangles = mesh.triangles[mesh.components[mesh.triangles[:, 0]] == mesh.body]
    winding = igl.winding_number(mesh.positions, triangles, guide)
    assert np.mean(winding > 0.5) >= 0.98


def test_guide_of_the_tentacle_is_its_length():
    # a plain taper: the guide is as long as the body's longest extent or a little more
    mesh = demo_mesh("tentacle")
    guide = find_guide(mesh)
    assert length_of(guide) >= 0.95 * np.ptp(mesh.positions, axis=0).max()


@pytest.mark.parametrize(
    ("ends", "says"),
    [
        ((10**6, None), "is not in tube: give 0 to"),
        ((-1, None), "is not in tube: give 0 to"),
        ((3, 3), "root and tip of tube are one vertex (3, counted from 0)"),
        (([0.0, np.nan, 0.0], None), "neither a vertex nor a point"),
        (("head", None), "neither a vertex nor a point"),
        (([0.0, 1.0], None), "neither a vertex nor a point"),
        ((2.0, None), "neither a vertex nor a point"),
    ],
)
def test_ends_that_are_none_are_refused(ends, says):
    with pytest.raises(RibbonsimError, match=re.escape(says)):
        find_guide(body("straight"), *ends)


def test_end_off_the_body_is_refused():
    one, two = swept(straight(), RADIUS, AROUND), swept(straight(2.0), 0.1, 6)
    faces = one[1] + [[i + len(one[0]) for i in face] for face in two[1]]
    mesh = CreatureMesh.from_arrays(np.vstack([one[0], two[0] + [0, 3, 0]]), faces, "pair")
    with pytest.raises(RibbonsimError, match="is not on the body"):
        find_guide(mesh, root=len(one[0]) + 2)


# -- edge loops ---------------------------------------------------------------------------


@pytest.mark.parametrize("curve", CURVES)
def test_edge_loop_of_a_tube_is_its_ring(curve):
    mesh, line = body(curve), CURVES[curve]
    for ring in (1, len(line) // 2, len(line) - 2):
        start = (CAP + ring) * AROUND
        loop = edge_loop(mesh, (start + 4, start + 5))
        assert loop.tolist() == [start + (4 + i) % AROUND for i in range(AROUND)]
        np.testing.assert_allclose(loop_centre(mesh, loop), line[ring], atol=1e-9)


# -- fields -------------------------------------------------------------------------------


def test_harmonic_field_matches_igl_harmonic():
    positions, faces = swept(CURVES["s"], RADIUS, AROUND)
    triangles = triangulated(faces)
    low, high = np.arange(AROUND), np.arange(AROUND) + (len(CURVES["s"]) - 1) * AROUND
    # the poles hang on their rings
    low, high = np.r_[low, len(positions) - 2], np.r_[high, len(positions) - 1]
    known = np.r_[low, high].astype(np.int64)
    values = np.r_[np.zeros(len(low)), np.ones(len(high))][:, None]
    expected = igl.harmonic(positions, triangles, known, values, 1).ravel()
    got = body_field(positions, triangles, low, high)
    # cotangents below zero are held above it, which moves the field a little
    np.testing.assert_allclose(got, expected, atol=5e-3)


def test_harmonic_field_of_a_straight_tube_is_a_linear_ramp():
    # igl.harmonic gives the ramp to 2e-15; so must this
    positions, faces = swept(straight(10, 41), RADIUS, AROUND)
    triangles = triangulated(faces)
    low = np.r_[np.arange(AROUND), len(positions) - 2]
    high = np.r_[np.arange(AROUND) + 40 * AROUND, len(positions) - 1]
    got = body_field(positions, triangles, low, high)
    np.testing.assert_allclose(got, positions[:, 0] / 10, atol=1e-3)


def test_laplacian_matches_igl_cotmatrix_on_acute_triangles():
    # icosahedron: all cotangents are positive, so nothing is held
    golden = (1 + np.sqrt(5)) / 2
    points = np.array([[0, s, t * golden] for s in (-1, 1) for t in (-1, 1)], float)
    points = np.vstack([points, points[:, [1, 2, 0]], points[:, [2, 0, 1]]])
    distance = np.linalg.norm(points[:, None] - points, axis=-1)
    near = np.abs(distance - 2) < 1e-9
    triangles = np.array(
        [
            [a, b, c]
            for a in range(12)
            for b in range(a)
            for c in range(b)
            if near[a, b] and near[b, c] and near[a, c]
        ]
    )
    assert len(triangles) == 20
    got = laplacian(points, triangles).toarray()
    np.testing.assert_allclose(got, -igl.cotmatrix(points, triangles).toarray(), atol=1e-12)


def test_edge_distance_bounds_igl_exact_geodesic():
    # a path along edges is never shorter than the geodesic; on this tube's lattice of quads,
    # cut along one diagonal, it is at most sqrt(2) longer, the lattice's worst case
    mesh = body("arc")
    got = edge_distance(edge_graph(mesh.positions, mesh.triangles), np.array([0]))
    exact = igl.exact_geodesic(
        mesh.positions, mesh.triangles, np.array([0]), VT=np.arange(len(mesh.positions))
    )
    far = exact > 1e-9
    ratio = got[far] / exact[far]
    assert ratio.min() > 1 - 1e-9
    assert ratio.max() < np.sqrt(2)


# -- places -------------------------------------------------------------------------------


def test_places_on_a_straight_tube_are_the_coordinate_along():
    mesh = tube(straight(10, 81), RADIUS, 24)
    places = body_places(mesh, Ribbon.along(straight(), 0.5, 16))
    np.testing.assert_allclose(places, mesh.positions[:, 0], atol=0.005 * 10)


@pytest.mark.parametrize("curve", CURVES)
def test_places_on_swept_tubes_are_the_arc_length(curve):
    line = CURVES[curve]
    mesh = tube(line, RADIUS, AROUND)
    places = body_places(mesh, Ribbon.along(line, 0.5, 24))[:-2].reshape(len(line), AROUND)
    along = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    np.testing.assert_allclose(places.mean(axis=1), along, atol=0.01 * along[-1])
    # a ring's inner and outer side may differ, by less than half the body's thickness
    assert np.ptp(places, axis=1).max() < RADIUS


def test_strays_take_the_place_of_the_nearest_body_vertex():
    one, two = swept(straight(), RADIUS, AROUND), swept(straight(0.5, 3), 0.1, 6)
    faces = one[1] + [[i + len(one[0]) for i in face] for face in two[1]]
    mesh = CreatureMesh.from_arrays(np.vstack([one[0], two[0] + [7.0, 1.0, 0]]), faces)
    places = body_places(mesh, Ribbon.along(straight(), 0.5, 16))
    tree = cKDTree(one[0])
    away, nearest = tree.query(mesh.positions[len(one[0]) :])
    expected = places[nearest[np.argmin(away)]]
    np.testing.assert_array_equal(places[len(one[0]) :], expected)


# -- bleed --------------------------------------------------------------------------------


def far_weight(layout, weights, own):
    """Per vertex, weight of stations farther than a fifth of the length from its own place."""
    ribbon = layout.ribbon
    stations = ribbon.arc_length(layout.stations)
    far = np.abs(stations - own[:, None]) > 0.2 * ribbon.length
    return np.where(far, weights, 0.0).sum(axis=1)


def folded():
    """A body folded back on itself: two straight runs, nearly touching, and a half turn."""
    radius, gap, run = 0.5, 0.08, 8.0
    bend = radius + gap / 2
    turn = np.linspace(0, np.pi, 25)[1:-1]
    x = np.linspace(0, run, 49)
    return np.vstack(
        [
            np.c_[x, 0 * x, 0 * x],
            np.c_[run + bend * np.sin(turn), bend * (1 - np.cos(turn)), 0 * turn],
            np.c_[x[::-1], 0 * x + 2 * bend, 0 * x],
        ]
    ), radius


@pytest.mark.parametrize("distance", ["body", "straight"])
def test_weights_do_not_bleed_across_a_fold(distance):
    # each vertex' own place is known: that of the ring it was made on
    line, radius = folded()
    mesh = tube(line, radius, 16)
    along = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    ribbon = Ribbon.along(line, 0.5, 32)
    own = np.r_[np.repeat(along, 16), along[0], along[-1]] * ribbon.length / along[-1]
    layout = Layout.from_ribbon(ribbon, 33, 9)
    skin = MeshWeights(distance=distance)
    layout = Layout(ribbon, layout.stations, layout.controls, mesh_weights=skin)
    bleed = far_weight(layout, bind(mesh, layout).mesh_weights, own)
    if distance == "body":
        assert bleed.max() <= 0.01
    else:  # through the air the runs mix: the test sees what it is there to see
        assert bleed.max() > 0.2
        assert np.mean(bleed > 0.01) > 0.05


@pytest.mark.parametrize("distance", ["body", "straight"])
def test_weights_do_not_bleed_between_turns_of_the_coil(distance):
    # own place by igl's heat geodesics from both ends, as a share: they follow the surface and
    # know nothing of the gap between the turns; a few percent off is far within a fifth
    mesh = demo_mesh("coil")
    guide = find_guide(mesh)
    ribbon = Ribbon.along(guide, 0.1 * length_of(guide) / 10, 32)
    layout = Layout.from_ribbon(ribbon, 33, 9)
    layout = Layout(
        ribbon, layout.stations, layout.controls, mesh_weights=MeshWeights(distance=distance)
    )
    mine = mesh.components == mesh.body
    triangles = mesh.triangles[mine[mesh.triangles[:, 0]]]
    used, compact = np.unique(triangles, return_inverse=True)
    positions = np.ascontiguousarray(mesh.positions[used])
    compact = compact.reshape(-1, 3).astype(np.int64)

    heat = igl.HeatGeodesicsData()
    igl.heat_geodesics_precompute(positions, compact, heat)

    def geodesic(end):
        source = np.argmin(np.linalg.norm(positions - end, axis=1))
        return igl.heat_geodesics_solve(heat, np.array([source]))

    start, end = geodesic(guide[0]), geodesic(guide[-1])
    own = ribbon.length * start / (start + end)
    bleed = far_weight(layout, bind(mesh, layout).mesh_weights[used], own)
    if distance == "body":
        assert bleed.max() <= 0.01
    else:
        assert bleed.max() > 0.2


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_a_tip_on_the_wall_cuts_the_guide_there(share):
    # a vertex of the body's wall is no end: the guide goes on as it was, only shorter
    mesh = demo_mesh("lampeel")
    whole = find_guide(mesh)
    wanted = whole[round(share * (len(whole) - 1))]
    vertex = int(np.argmin(np.linalg.norm(mesh.positions - wanted, axis=1)))
    cut = find_guide(mesh, root=whole[0], tip=vertex)
    assert np.linalg.norm(cut[0] - whole[0]) < 1e-9
    assert np.linalg.norm(cut[-1] - wanted) < 10.0  # centimetres: less than the body is thick
    apart = np.linalg.norm(cut[:, None] - whole, axis=-1).min(axis=1)
    assert apart.max() < 0.01 * np.linalg.norm(np.diff(whole, axis=0), axis=1).sum()
    rig = rs.bind(mesh, rs.Layout.from_ribbon(rs.Ribbon.along(cut, width=3.0)))
    beyond = np.linalg.norm(mesh.positions - whole[-1], axis=1) < 10.0
    assert (rig.mesh_weights[beyond, -1] > 0.7).all()  # what lies past the tip rides on its joint


# -- whatever the order of the vertices ---------------------------------------------------


def orders_of(mesh):
    """The same surface with its vertices numbered anew."""
    count = len(mesh.positions)
    yield "along an axis", np.argsort(mesh.positions[:, 1], kind="stable")
    yield "shuffled", np.random.default_rng(3).permutation(count)
    yield "backwards", np.arange(count)[::-1]


def renumbered(mesh, order):
    place = np.argsort(order)
    return CreatureMesh.from_arrays(mesh.positions[order], place[mesh.triangles].tolist(), "again")


def subdivided(mesh):
    """Each triangle cut into four by trimesh, whose new vertices come last."""
    points, triangles = trimesh.remesh.subdivide(mesh.positions, mesh.triangles)
    return CreatureMesh.from_arrays(points, triangles.tolist(), "finer")


@pytest.mark.parametrize("label", first_of("shuffled", "along an axis", "backwards"))
@pytest.mark.parametrize("name", first_of("snuffer", "lampeel"))
def test_guide_does_not_depend_on_the_order_of_the_vertices(name, label):
    mesh = demo_mesh(name)
    expected = find_guide(mesh)
    got = find_guide(renumbered(mesh, dict(orders_of(mesh))[label]))
    apart = np.linalg.norm(got - expected, axis=1).max()
    assert apart < 1e-7 * length_of(expected)


@pytest.mark.parametrize("name", first_of("tentacle", "lampeel"))
def test_guide_of_a_subdivided_mesh_is_the_same_to_a_thousandth(name):
    # the surface is the same to a point; the piecewise linear field on it is finer
    mesh = demo_mesh(name)
    expected, got = find_guide(mesh), find_guide(subdivided(mesh))
    assert np.linalg.norm(got - expected, axis=1).max() < 2e-3 * length_of(expected)


@pytest.mark.parametrize("shape", first_of(lambda mesh: mesh, subdivided), ids=["file", "finer"])
def test_factor_fills_as_little_whatever_the_order_of_the_vertices(shape):
    mesh = shape(demo_mesh("snuffer"))
    fills = {}
    for label, order in [("file", np.arange(len(mesh.positions))), *orders_of(mesh)]:
        skin = body_surface(renumbered(mesh, order))
        factor = factor_of(skin.operator[1:, 1:])
        fills[label] = factor.L.nnz + factor.U.nnz
    assert max(fills.values()) < 2 * min(fills.values()), fills


def test_multigrid_and_factor_give_one_field(monkeypatch):
    mesh = demo_mesh("snuffer")
    skin = body_surface(mesh)
    z = mesh.positions[skin.used, 2]
    low, high = skin.used[z <= np.quantile(z, 0.02)], skin.used[z >= np.quantile(z, 0.98)]
    direct = skin.field(low, high)
    monkeypatch.setattr(field, "_DIRECT", 100)
    monkeypatch.setattr(field, "factor_of", None)  # it may not fall back on the factor
    np.testing.assert_allclose(skin.field(low, high), direct, rtol=0, atol=1e-10)


def test_field_falls_back_on_the_factor_where_multigrid_does_not_converge(monkeypatch):
    mesh = demo_mesh("snuffer")
    skin = body_surface(mesh)
    low, high = skin.used[:5], skin.used[-5:]
    direct = skin.field(low, high)
    monkeypatch.setattr(field, "_DIRECT", 100)
    monkeypatch.setattr(field, "_ITERATIONS", 1)
    np.testing.assert_array_equal(skin.field(low, high), direct)
