"""Meshes against libigl, trimesh and closed forms."""

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.mesh.loops import edge_loop, loop_centre
from ribbonsim.mesh.triangles import newell_normals, triangulate


def quad_grid(around: int, along: int, closed_along: bool = False) -> np.ndarray:
    """Quads of a tube, or of a torus if it closes along too; vertex = ring * around + place."""
    rings = along if closed_along else along - 1
    i, j = np.meshgrid(np.arange(rings), np.arange(around), indexing="ij")
    ahead, beside = (i + 1) % along, (j + 1) % around
    corners = [i * around + j, i * around + beside, ahead * around + beside, ahead * around + j]
    return np.stack(corners, axis=-1).reshape(-1, 4)


def tube(around: int = 12, along: int = 5, radius: float = 1.0) -> CreatureMesh:
    angle = np.tile(np.arange(around) * 2 * np.pi / around, along)
    height = np.repeat(np.arange(along, dtype=float), around)
    positions = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), height])
    return CreatureMesh.from_arrays(positions, quad_grid(around, along))


def torus(around: int = 12, along: int = 20) -> CreatureMesh:
    u = np.tile(np.arange(around) * 2 * np.pi / around, along)
    v = np.repeat(np.arange(along) * 2 * np.pi / along, around)
    ring = 3 + np.cos(u)
    positions = np.column_stack([ring * np.cos(v), ring * np.sin(v), np.sin(u)])
    return CreatureMesh.from_arrays(positions, quad_grid(around, along, closed_along=True)[:, ::-1])


def box(centre=(0.0, 0.0, 0.0), size=2.0, inside_out=False) -> tuple[np.ndarray, list[list[int]]]:
    signs = np.array([[x, y, z] for z in (-1, 1) for y in (-1, 1) for x in (-1, 1)])
    faces = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [1, 3, 7, 5], [3, 2, 6, 7], [2, 0, 4, 6]]
    if inside_out:
        faces = [face[::-1] for face in faces]
    return signs * (size / 2) + np.asarray(centre), faces


def joined(*parts: tuple[np.ndarray, list[list[int]]]) -> CreatureMesh:
    positions, polygons, count = [], [], 0
    for points, faces in parts:
        positions.append(points)
        polygons += [[count + vertex for vertex in face] for face in faces]
        count += len(points)
    return CreatureMesh.from_arrays(np.concatenate(positions), polygons)


def shoelace(outline: np.ndarray) -> float:
    x, y = outline.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


# ---- triangulation


def signed_areas(outline: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Triangles of one flat polygon (n, 2) and their areas against its sense of turning."""
    size = len(outline)
    points = np.column_stack([outline, np.zeros(size)])
    triangles, owners = triangulate(points, np.array([0, size]), np.arange(size))
    assert owners.tolist() == [0] * (size - 2)
    a, b, c = (outline[triangles[:, i]] for i in range(3))
    u, v = b - a, c - a
    areas = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    return triangles, areas * np.sign(shoelace(outline))


L_SHAPE = [[0, 0], [3, 0], [3, 1], [1, 1], [1, 2], [0, 2]]  # 3 x 1 and 1 x 1: area 4
ARROW = [[0, 0], [2, 2], [0, 1], [-2, 2]]  # two triangles of area 1
COMB = [[0, 0], [5, 0], [5, 3], [4, 3], [4, 1], [3, 1], [3, 3], [2, 3], [2, 1], [1, 1], [1, 3],
        [0, 3]]  # fmt: skip  # 5 x 1 and three teeth of 1 x 2: area 11
T_CORNER = [[0, 0], [1, 0], [2, 0], [0, 2]]  # a quad with a corner on a straight side: area 2


@pytest.mark.parametrize(("outline", "area"), [(L_SHAPE, 4), (ARROW, 2), (COMB, 11), (T_CORNER, 2)])
@pytest.mark.parametrize("turned", [False, True])
def test_concave_polygons_have_the_area_counted_by_hand(outline, area, turned):
    outline = np.array(outline[::-1] if turned else outline, dtype=float)
    for first in range(len(outline)):
        _, areas = signed_areas(np.roll(outline, first, axis=0))
        assert (areas > 0).all()
        assert areas.sum() == pytest.approx(area, rel=1e-14)


@given(
    radii=st.lists(st.floats(0.2, 1), min_size=4, max_size=24),
    scale=st.sampled_from([1e-6, 1.0, 1e6]),
    first=st.integers(0, 3),
    turned=st.booleans(),
)
@settings(deadline=None)
def test_star_shaped_polygons_have_the_shoelace_area(radii, scale, first, turned):
    # Seen from its middle every corner lies further round, so the outline never crosses itself.
    angles = np.arange(len(radii)) * 2 * np.pi / len(radii)
    outline = scale * np.array(radii)[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
    outline = np.roll(outline[::-1] if turned else outline, first, axis=0)
    triangles, areas = signed_areas(outline)
    area = abs(shoelace(outline))
    assert (areas > -1e-12 * area).all()
    assert areas.sum() == pytest.approx(area, rel=1e-12)
    assert sorted(set(triangles.ravel().tolist())) == list(range(len(outline)))


@given(seed=st.integers(0, 10**6), size=st.integers(4, 12))
@settings(deadline=None)
def test_triangulation_does_not_depend_on_where_the_polygon_lies(seed, size):
    rng = np.random.default_rng(seed)
    angles = np.arange(size) * 2 * np.pi / size
    outline = rng.uniform(0.3, 1, size)[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
    flat = np.column_stack([outline, np.zeros(size)])
    moved = Rotation.random(rng=rng).apply(flat) + rng.normal(size=3)
    triangles, _ = triangulate(moved, np.array([0, size]), np.arange(size))
    normal = newell_normals(moved[None])[0]
    a, b, c = (moved[triangles[:, i]] for i in range(3))
    areas = 0.5 * np.cross(b - a, c - a) @ (normal / np.linalg.norm(normal))
    assert (areas > -1e-12).all()
    assert areas.sum() == pytest.approx(abs(shoelace(outline)), rel=1e-12)


@pytest.mark.parametrize("extra", [1, 3])
@pytest.mark.parametrize("outline", [L_SHAPE, COMB, [[0, 0], [1, 0], [1, 1], [0, 1]]])
def test_corners_on_straight_sides_stay_in_use(outline, extra):
    # Without them, a neighbour that has the corner would leave a crack.
    corners = np.array(outline, dtype=float)
    steps = np.arange(extra + 1)[:, None] / (extra + 1)
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    dense = np.concatenate([p + (q - p) * steps for p, q in sides])
    triangles, areas = signed_areas(dense)
    assert set(triangles.ravel().tolist()) == set(range(len(dense)))
    assert (areas > -1e-14).all()
    assert areas.sum() == pytest.approx(shoelace(corners), rel=1e-14)
    # A fan of flat triangles would also pass; at most a few may be flat.
    assert (areas > 1e-9).sum() >= len(dense) - 2 - len(corners)


@pytest.mark.parametrize("outline", [L_SHAPE, COMB])
def test_corners_at_one_place_stay_in_use(outline):
    # Two vertices at one place in a concave polygon: the ear clipper drops one of them.
    corners = np.array(outline, dtype=float)
    for twice in range(len(corners)):
        doubled = np.insert(corners, twice, corners[twice], axis=0)
        triangles, areas = signed_areas(doubled)
        assert set(triangles.ravel().tolist()) == set(range(len(doubled)))
        assert (areas > -1e-14).all()
        assert areas.sum() == pytest.approx(shoelace(corners), rel=1e-14)


def test_prism_over_a_comb_is_closed_as_libigl_sees_it():
    size = len(COMB)
    low = np.column_stack([COMB, np.zeros(size)])
    high = low + np.array([0, 0, 2])
    sides = [[i, (i + 1) % size, size + (i + 1) % size, size + i] for i in range(size)]
    caps = [list(range(size))[::-1], list(range(size, 2 * size))]
    mesh = CreatureMesh.from_arrays(np.concatenate([low, high]), sides + caps)
    assert mesh.notes == ()
    assert mesh.is_closed
    assert igl.is_edge_manifold(mesh.triangles)[0]
    assert len(igl.boundary_facets(mesh.triangles)[0]) == 0
    assert igl.moments(mesh.positions, mesh.triangles)[0] == pytest.approx(22, rel=1e-14)
    assert mesh.volume == pytest.approx(22, rel=1e-14)


def test_quads_are_cut_along_the_shorter_diagonal():
    points = np.array([[0, 0, 0], [2, -1, 0], [4, 0, 0], [2, 1, 0]], dtype=float)
    triangles, _ = triangulate(points, np.array([0, 4]), np.arange(4))
    assert {1, 3} <= set(triangles[0].tolist()) & set(triangles[1].tolist())


def test_triangles_come_polygon_by_polygon():
    angle = np.arange(6) * np.pi / 3
    points = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    polygons = [[0, 1, 2], [0, 2, 3, 4, 5], [0, 1, 2, 3], [3, 4, 5]]
    mesh = CreatureMesh.from_arrays(points, polygons)
    assert mesh.triangle_polygons.tolist() == [0, 1, 1, 1, 2, 2, 3]
    for triangle, owner in zip(mesh.triangles, mesh.triangle_polygons, strict=True):
        assert set(triangle.tolist()) <= set(polygons[owner])


# ---- measures


@pytest.mark.parametrize(
    "shape",
    [
        trimesh.creation.icosphere(3),
        trimesh.creation.torus(2, 0.5),
        trimesh.creation.capsule(3, 0.7),
    ],
    ids=["sphere", "torus", "capsule"],
)
def test_volume_area_and_normals_match_trimesh_and_libigl(shape):
    mesh = CreatureMesh.from_arrays(shape.vertices, shape.faces)
    assert mesh.is_closed
    assert mesh.volume == pytest.approx(shape.volume, rel=1e-12)
    assert mesh.volume == pytest.approx(igl.moments(mesh.positions, mesh.triangles)[0], rel=1e-12)
    areas = igl.doublearea(mesh.positions, mesh.triangles) / 2
    np.testing.assert_allclose(mesh.triangle_areas, areas, rtol=1e-9)
    assert mesh.triangle_areas.sum() == pytest.approx(shape.area, rel=1e-12)
    normals = igl.per_vertex_normals(
        mesh.positions, mesh.triangles, igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_AREA
    )
    np.testing.assert_allclose(mesh.vertex_normals, normals, atol=1e-12)


def test_volume_does_not_suffer_far_from_the_origin():
    near, far = joined(box()), joined(box((1e6, -1e6, 1e6)))
    assert near.volume == pytest.approx(8, rel=1e-14)
    assert far.volume == pytest.approx(8, rel=1e-9)


def test_quad_torus_approaches_its_volume():
    # Torus: V = 2 pi^2 R r^2; a mesh with steps h falls short by O(h^2).
    exact = 2 * np.pi**2 * 3
    shortfall = [1 - torus(n, 2 * n).volume / exact for n in (16, 32)]
    assert 0 < shortfall[1] < 0.02
    assert shortfall[0] / shortfall[1] == pytest.approx(4, rel=0.03)


def test_edges_are_those_libigl_finds():
    shape = trimesh.creation.icosphere(2)
    mesh = CreatureMesh.from_arrays(shape.vertices, shape.faces)
    edges = np.sort(igl.edges(mesh.triangles), axis=1)
    assert np.array_equal(mesh.edges, edges[np.lexsort(edges.T[::-1])])
    quads = tube(12, 5)
    assert len(quads.edges) == 12 * 5 + 12 * 4  # rings and lines along: no diagonals


def test_bounds_leave_out_unused_vertices():
    points, faces = box()
    mesh = CreatureMesh.from_arrays([*points.tolist(), [99, 99, 99]], faces)
    assert mesh.bounds.tolist() == [[-1, -1, -1], [1, 1, 1]]
    assert mesh.diagonal == pytest.approx(np.sqrt(12))
    assert mesh.centre.tolist() == [0, 0, 0]
    assert mesh.components.tolist() == [0] * 8 + [-1]
    assert mesh.vertex_normals[8].tolist() == [0, 0, 0]


def test_components_match_trimesh():
    eye = trimesh.creation.icosphere(1)
    parts = [box((9, 0, 0), 1), (eye.vertices, eye.faces.tolist()), box((-9, 0, 0), 3)]
    mesh = joined(*parts)
    labels = trimesh.graph.connected_component_labels(mesh.edges, node_count=len(mesh.positions))
    same = labels[:, None] == labels[None]
    assert np.array_equal(mesh.components[:, None] == mesh.components[None], same)
    assert mesh.components[[0, 8, -1]].tolist() == [0, 1, 2]
    assert mesh.body == 2


def test_body_is_neither_the_longest_nor_the_most_crumpled_piece():
    whisker = np.array([[0, 0, 0], [40, 0, 0], [40, 1e-3, 0]]), [[0, 1, 2]]
    folds = np.column_stack([np.arange(400) % 2, 0 * np.arange(400), np.arange(400) * 1e-3])
    crumple = (
        np.concatenate([folds, folds + np.array([0, 1, 0])]),
        [[i, i + 1, 401 + i, 400 + i] for i in range(399)],
    )
    mesh = joined(whisker, crumple, box(size=8.0))
    assert mesh.triangle_areas[mesh.triangle_polygons < 400].sum() > 384
    assert mesh.components[-1] == mesh.body == 2


def test_moved_mesh_keeps_everything_else():
    mesh = torus()
    moved = mesh.with_positions(mesh.positions * 2 + (1, 0, 0))
    assert moved.triangles is mesh.triangles
    assert moved.volume == pytest.approx(8 * mesh.volume, rel=1e-12)
    assert moved.centre == pytest.approx(2 * mesh.centre + (1, 0, 0))
    assert moved.diagonal == pytest.approx(2 * mesh.diagonal)
    assert mesh.with_positions(mesh.positions).vertex_normals == pytest.approx(mesh.vertex_normals)


def test_arrays_cannot_be_changed_and_are_copies():
    points, faces = box()
    mesh = CreatureMesh.from_arrays(points, faces)
    with pytest.raises(ValueError, match="read-only"):
        mesh.positions[0] = 0
    points[0] = 50
    assert mesh.bounds.max() == 1


# ---- what is reported


def note_of(mesh: CreatureMesh) -> str:
    assert len(mesh.notes) == 1, mesh.notes
    note = mesh.notes[0]
    assert note.endswith(".")
    assert ". " not in note
    return note


def test_clean_meshes_have_no_notes():
    assert torus().notes == ()
    assert joined(box()).notes == ()


def test_pieces_are_counted():
    assert note_of(joined(box((9, 0, 0), 1), box(), box((-9, 0, 0), 1))) == (
        "The mesh has 3 separate pieces (such as those with the vertices 1 and 9)."
    )


def test_holes_are_counted_as_libigl_counts_boundary_loops():
    mesh = tube(12, 5)
    assert len(igl.boundary_loop_all(mesh.triangles)) == 2
    assert note_of(mesh) == (
        "The surface has 2 holes with 24 edges round them (such as between vertices 1 and 2)."
    )
    assert not mesh.is_closed
    points, faces = box()
    assert note_of(CreatureMesh.from_arrays(points, faces[1:])) == (
        "The surface has 1 hole with 4 edges round it (such as between vertices 1 and 2)."
    )


def test_non_manifold_edges_are_those_libigl_objects_to():
    points, faces = box()
    fin = [[0, 0, -5], [1, 0, -5]]
    mesh = CreatureMesh.from_arrays([*points, *fin], [*faces, [0, 1, 9, 8]])
    assert not igl.is_edge_manifold(mesh.triangles)[0]
    assert mesh.notes[1] == (
        "1 edge is shared by more than two faces, which makes the surface non-manifold "
        "(such as between vertices 1 and 2)."
    )


def test_vertices_at_one_place_are_reported():
    points, faces = box()
    split = CreatureMesh.from_arrays([*points, points[7] + 1e-10, points[0]], faces)
    assert split.notes[0] == (
        "2 vertices stand where another one does (such as vertex 9, on vertex 8)."
    )
    apart = CreatureMesh.from_arrays([*points, points[7] + 1e-7], faces)
    assert note_of(apart) == "1 vertex is used by no face (such as vertex 9)."


@given(
    seed=st.integers(0, 10**6),
    copies=st.lists(st.integers(0, 59), max_size=40),
    digits=st.integers(0, 3),
)
@settings(deadline=None)
def test_vertices_at_one_place_are_all_found(seed, copies, digits):
    rng = np.random.default_rng(seed)
    points = np.round(rng.uniform(-1, 1, (60, 3)), digits)
    points = np.concatenate([points, points[copies]])
    expected = len(points) - len(np.unique(points + 0.0, axis=0))
    mesh = CreatureMesh.from_arrays(
        np.concatenate([points, [[9, 9, 9], [9, 8, 9], [8, 9, 9]]]),
        [[len(points), len(points) + 1, len(points) + 2]],
    )
    found = [note for note in mesh.notes if "another one does" in note]
    assert [int(note.split()[0]) for note in found] == ([expected] if expected else [])


def test_vertices_at_one_place_are_found_between_others():
    # Vertices across (p, q, r) with p : q : r as below are level for the search, which sorts.
    across = np.cross([0.6180339887, 0.4142135624, 0.6677025133], [1.0, 0, 0])
    level = [step * across for step in range(5)]
    again = [point + 1e-11 for point in level[:2]]
    mesh = CreatureMesh.from_arrays([*level, *again, [1, 0, 0]], [[0, 4, 7]])
    assert "2 vertices stand where another one does (such as vertex 6, on vertex 1)." in mesh.notes


def test_faces_without_area_are_reported():
    points, faces = box()
    mesh = CreatureMesh.from_arrays([*points, [0, -1, -1]], [*faces, [0, 8, 1]])
    assert "1 face has no area (such as face 7)." in mesh.notes
    # Coordinates rounded to the last bit leave such a face a little area.
    ends = points[[0, 1]] + np.array([0.1, 0.7, 0.3])
    third = ends[0] + (ends[1] - ends[0]) / 3 + np.array([0, 2e-16, 0])
    rounded = CreatureMesh.from_arrays([*points, *ends, third], [*faces, [8, 10, 9]])
    assert rounded.triangle_areas[-1] > 0
    assert "1 face has no area (such as face 7)." in rounded.notes
    # A thin face still has area.
    thin = CreatureMesh.from_arrays([*points, [0, -1, -1 - 1e-6]], [*faces, [0, 8, 1]])
    assert not [note for note in thin.notes if "no area" in note]


def test_face_that_uses_a_vertex_twice_is_reported_with_its_line(tmp_path):
    path = tmp_path / "eel.obj"
    path.write_text("v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 7 7 7\nf 1 2 3 4\nf 1 1 2\n")
    notes = load_mesh(path).notes
    assert "1 face uses a vertex more than once (such as face 2, line 7)." in notes
    assert "1 face has no area (such as face 2, line 7)." in notes
    assert "1 vertex is used by no face (such as vertex 5, line 5)." in notes


def test_inconsistent_winding_is_reported():
    points, faces = box()
    turned = [*faces[:5], faces[5][::-1]]
    mesh = CreatureMesh.from_arrays(points, turned)
    assert not trimesh.Trimesh(mesh.positions, mesh.triangles, process=False).is_winding_consistent
    assert note_of(mesh) == (
        "4 edges lie between faces that turn opposite ways, so the winding is inconsistent "
        "(such as between vertices 1 and 3)."
    )


def test_inside_out_body_is_reported():
    mesh = joined(box(inside_out=True))
    assert mesh.volume == pytest.approx(-8)
    assert note_of(mesh) == (
        "The body is inside out: it is closed and its faces turn clockwise seen from outside "
        "(signed volume -8)."
    )


@pytest.mark.parametrize(("size", "word"), [(1e-4, "small"), (1e7, "large")])
def test_extreme_sizes_are_reported(size, word):
    assert note_of(joined(box(size=size))).startswith(f"The mesh is very {word}: its diagonal is ")


def test_distance_from_the_origin_is_reported():
    assert note_of(joined(box((1000, 0, 0)))) == (
        "The mesh stands far from the origin: 1000 scene units away, with a diagonal of 3.464."
    )


# ---- arrays that are refused

POINTS = [[0, 0, 0], [1, 0, 0], [0, 1, 0]]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"positions": [[0, 0], [1, 0], [0, 1]]}, "have the shape (3, 2)"),
        ({"positions": [["a", 0, 0]]}, "are not all numbers"),
        (
            {"positions": [[0, 0, 0], [np.nan, 0, 0], [0, 1, 0]]},
            "positions[1]: a coordinate is not",
        ),
        ({"positions": [[0, 0, 0], [1e20, 0, 0], [0, 1, 0]]}, "positions[1]: a coordinate is lar"),
        ({"positions": [[2, 2, 2]] * 3}, "has no size"),
        ({"polygons": []}, "there are no polygons"),
        ({"polygons": [[0, 1, 2], [0, 1]]}, "polygons[1]: it is not a row of three"),
        ({"polygons": [[0, 1, 2], [0, 1, 3]]}, "polygons[1]: there is no vertex 3 among 3"),
        ({"polygons": [[0, 1, -1]]}, "polygons[0]: there is no vertex -1"),
        ({"polygons": [[0, 1, 1.5]]}, "not integers"),
        ({"texcoords": [[0, 0]]}, "lack their other half"),
        ({"texcoords": [[0, 0]], "corner_texcoords": [0, 0, 1]}, "out of range"),
        ({"texcoords": [[0, 0]], "corner_texcoords": [0, 0]}, "give 3 integers"),
        ({"normals": [[0, 0, np.inf]], "corner_normals": [0, 0, 0]}, "not finite"),
        ({"colours": [[0, 0, 2]] * 3}, "from 0 to 1"),
        ({"polygon_groups": [1]}, "out of range"),
        ({"group_names": ["#fin"]}, "which OBJ cannot"),
        ({"object_names": [" "]}, "which OBJ cannot"),
    ],
)
def test_arrays_that_make_no_mesh_are_refused(arguments, words):
    given_arrays = {"positions": POINTS, "polygons": [[0, 1, 2]], **arguments}
    with pytest.raises(RibbonsimError) as caught:
        CreatureMesh.from_arrays(**given_arrays, name="eel")
    message = str(caught.value)
    assert message.startswith("mesh 'eel'")
    assert words in message
    assert message.endswith(".")
    assert ". " not in message


# ---- loops of edges


@pytest.mark.parametrize("backwards", [False, True])
def test_edge_loop_goes_round_a_tube(backwards):
    mesh = tube(12, 5)
    for ring in range(5):  # the first and last run along a boundary
        expected = [ring * 12 + place for place in range(12)]
        edge = (expected[1], expected[0]) if backwards else (expected[3], expected[4])
        loop = edge_loop(mesh, edge).tolist()
        assert tuple(loop[:2]) == edge
        assert sorted(loop) == expected
        centre = loop_centre(mesh, loop)
        np.testing.assert_allclose(centre, [0, 0, ring], atol=1e-14)


def test_edge_loops_of_a_torus_go_both_ways():
    mesh = torus(12, 20)
    assert edge_loop(mesh, (0, 1)).tolist() == list(range(12))
    assert edge_loop(mesh, (0, 12)).tolist() == list(range(0, 240, 12))


def test_edge_loop_goes_past_triangles_of_a_cap():
    # A pole closes the tube with triangles; four polygons still meet at each vertex of its ring.
    open_tube = tube(12, 5)
    pole = [[60, (i + 1) % 12, i] for i in range(12)]
    mesh = CreatureMesh.from_arrays(
        [*open_tube.positions, [0, 0, -1]], [*open_tube.polygons, *pole]
    )
    assert sorted(edge_loop(mesh, (0, 1)).tolist()) == list(range(12))


@pytest.mark.parametrize(
    ("edge", "words"),
    [
        ((12, 24), "ends at vertex"),
        ((0, 13), "share no edge"),
        ((0, 0), "share no edge"),
        ((0, 999), "share no edge"),
        ((-1, 0), "share no edge"),
    ],
)
def test_edges_that_begin_no_loop_are_refused(edge, words):
    with pytest.raises(RibbonsimError, match=words) as caught:
        edge_loop(tube(12, 5), edge)
    assert str(caught.value).endswith(".")


def test_edge_loop_stops_where_there_is_no_straight_on():
    # Three polygons meet at each corner of a box.
    with pytest.raises(RibbonsimError, match="ends at vertex 1 and does not close"):
        edge_loop(joined(box()), (0, 1))


def test_edge_loop_ends_at_an_irregular_vertex_wherever_it_begins():
    # One quad beside the ring is cut from corner to corner, so five polygons meet at vertex 24.
    mesh = tube(12, 5)
    polygons = [polygon.tolist() for polygon in mesh.polygons]
    cut = next(i for i, polygon in enumerate(polygons) if {24, 25, 36, 37} == set(polygon))
    polygons[cut : cut + 1] = [[24, 25, 37], [24, 37, 36]]
    mesh = CreatureMesh.from_arrays(mesh.positions, polygons)
    for edge in ((24, 25), (27, 28), (35, 24)):
        with pytest.raises(RibbonsimError, match="ends at vertex 24 and does not close"):
            edge_loop(mesh, edge)


def test_loop_centre_is_that_of_the_line_and_not_of_its_vertices():
    # A square of side 2 with many vertices crowded on one side: the centroid of its outline stays.
    crowd = [[x, -1, 0] for x in np.linspace(-1, 1, 50)]
    points = [*crowd, [1, 1, 0], [-1, 1, 0]]
    mesh = CreatureMesh.from_arrays(points, [list(range(len(points)))])
    np.testing.assert_allclose(loop_centre(mesh, range(len(points))), 0, atol=1e-14)
    assert np.mean(points, axis=0)[1] < -0.9
