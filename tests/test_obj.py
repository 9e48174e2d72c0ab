"""The OBJ reader and writer against the format's rules and against other readers.

"OBJ" below is Wavefront Technologies, Advanced Visualizer Manual, Appendix B1. Its rules on
indices, faces, groups and continued lines are given from memory.
"""

import errno
import os
from itertools import pairwise
from pathlib import Path

import igl
import numpy as np
import pytest
import pyvista
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pyvista import examples

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh import obj_lines as obj
from ribbonsim.mesh.contents import MeshContents
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.mesh.obj_read import read_obj
from ribbonsim.mesh.obj_write import write_obj

SQUARE = b"v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n"
# A cube with a texture of its own on each side: 8 vertices, 14 texture coordinates, 6 normals.
CUBE = """\
o lantern
v -1 -1 -1\nv 1 -1 -1\nv 1 1 -1\nv -1 1 -1\nv -1 -1 1\nv 1 -1 1\nv 1 1 1\nv -1 1 1
vt 0 0\nvt 1 0\nvt 1 1\nvt 0 1
vn 0 0 -1\nvn 0 0 1\nvn 0 -1 0\nvn 1 0 0\nvn 0 1 0\nvn -1 0 0
f 4/1/1 3/2/1 2/3/1 1/4/1
f 5/1/2 6/2/2 7/3/2 8/4/2
f 1/1/3 2/2/3 6/3/3 5/4/3
f 2/1/4 3/2/4 7/3/4 6/4/4
f 3/1/5 4/2/5 8/3/5 7/4/5
f 4/1/6 1/2/6 5/3/6 8/4/6
"""


def read(folder: Path, text: bytes | str) -> MeshContents:
    path = folder / "harbour.obj"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_obj(path)


def polygons_of(contents: MeshContents) -> list[list[int]]:
    cuts = contents.offsets
    return [contents.corner_vertices[a:b].tolist() for a, b in pairwise(cuts)]


def naive_read(text: str) -> tuple[np.ndarray, list[list[tuple[int, int, int]]]]:
    """Read positions and corners word by word, as plainly as the format allows."""
    lists: dict[str, list[list[float]]] = {"v": [], "vt": [], "vn": []}
    faces = []
    for line in text.splitlines():
        words = line.split()
        if words and words[0] in lists:
            lists[words[0]].append([float(word) for word in words[1:]])
        elif words and words[0] == "f":
            face = []
            for word in words[1:]:
                parts = [*word.split("/"), "", ""][:3]
                corner = []
                for part, kind in zip(parts, ("v", "vt", "vn"), strict=True):
                    number = int(part) if part else 0
                    corner.append(number - 1 if number >= 0 else len(lists[kind]) + number)
                face.append(tuple(corner))
            faces.append(face)
    return np.array(lists["v"])[:, :3], faces


# ---- vertices and indices


def test_seams_do_not_split_vertices_as_libigl_reads_them(tmp_path):
    contents = read(tmp_path, CUBE)
    positions, _ = igl.read_triangle_mesh(str(tmp_path / "harbour.obj"))
    assert np.array_equal(contents.positions, positions)
    assert polygons_of(contents)[0] == [3, 2, 1, 0]
    assert contents.corner_texcoords[:4].tolist() == [0, 1, 2, 3]
    assert contents.corner_normals[:8].tolist() == [0] * 4 + [1] * 4
    assert load_mesh(tmp_path / "harbour.obj").notes == ()


def test_closed_cube_has_the_volume_trimesh_finds(tmp_path):
    (tmp_path / "cube.obj").write_text(CUBE)
    mesh = load_mesh(tmp_path / "cube.obj")
    assert mesh.volume == pytest.approx(trimesh.load(tmp_path / "cube.obj").volume, rel=1e-14)
    assert mesh.volume == pytest.approx(8, rel=1e-14)


def test_negative_indices_count_back_from_the_list_so_far(tmp_path):
    # OBJ: "a negative index counts back from the most recent element at that point".
    text = "v 0 0 0\nv 1 0 0\nv 1 1 0\nf -3 -2 -1\nv 5 0 0\nvt 0 0\nvt 1 1\nf -4/-1 -2/-2 -1/1\n"
    contents = read(tmp_path, text)
    assert polygons_of(contents) == [[0, 1, 2], [0, 2, 3]]
    assert contents.corner_texcoords.tolist() == [-1, -1, -1, 1, 0, 0]


def test_corner_forms(tmp_path):
    text = SQUARE + b"vt 0 0\nvn 0 0 1\nf 1 2 3\nf 1/1 2/1 3/1\nf 1//1 2//1 3//1\nf 1/1/1 2/ 3//\n"
    contents = read(tmp_path, text)
    assert polygons_of(contents) == [[0, 1, 2]] * 4
    assert contents.corner_texcoords.tolist() == [-1] * 3 + [0] * 3 + [-1] * 3 + [0, -1, -1]
    assert contents.corner_normals.tolist() == [-1] * 6 + [0] * 3 + [0, -1, -1]


def test_faces_may_use_vertices_that_follow(tmp_path):
    assert polygons_of(read(tmp_path, b"f 1 2 3 4\n" + SQUARE)) == [[0, 1, 2, 3]]


def test_polygons_stay_polygons(tmp_path):
    contents = read(tmp_path, SQUARE + b"v 2 2 0\nf 1 2 3 4\nf 1 2 5 3 4\nf 1 2 3\n")
    assert polygons_of(contents) == [[0, 1, 2, 3], [0, 1, 4, 2, 3], [0, 1, 2]]


@pytest.mark.parametrize(
    ("statement", "position"),
    [
        (b"v 1e-3 -2.5E+2 .5", (1e-3, -250.0, 0.5)),
        (b"v +1. 2 3 0.5", (1, 2, 3)),  # a weight, which polygons do not use
        (b"\tv\t1   2\t3  ", (1, 2, 3)),
        (b"v 0.1 4.9e-324 -0.0", (0.1, 5e-324, -0.0)),
        (b"v 1 2 3# lamp", (1, 2, 3)),
    ],
)
def test_ways_to_write_a_vertex(tmp_path, statement, position):
    contents = read(tmp_path, SQUARE + statement + b"\nf 1 2 3\n")
    assert contents.positions[4].tobytes() == np.array(position, dtype=float).tobytes()
    assert contents.colours is None


# ---- the text itself


@pytest.mark.parametrize("ending", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("final", [True, False])
def test_line_ends(tmp_path, ending, final):
    text = (SQUARE + b"f 1 2 \\\n3 \\\n4\nf 1 2 3\n").replace(b"\n", ending)
    contents = read(tmp_path, text if final else text[: -len(ending)])
    assert polygons_of(contents) == [[0, 1, 2, 3], [0, 1, 2]]
    assert contents.polygon_lines.tolist() == [5, 8]


def test_comments_and_continuations(tmp_path):
    text = (
        b"# made in C:\\harbour\\\n" + SQUARE + b"# f 9 9 9\nf 1 2 3 # 4\nf 1 2 3 4#5\n"
        b"  # indented \\\nf \\\n 4 3 2\ng quay#2\nf 1 2 4\n"
    )
    contents = read(tmp_path, text)
    assert polygons_of(contents) == [[0, 1, 2], [0, 1, 2, 3], [3, 2, 1], [0, 1, 3]]
    assert contents.polygon_lines.tolist() == [7, 8, 10, 13]
    assert contents.group_names == ("default", "quay#2")


def test_byte_order_mark_and_names_of_any_language(tmp_path):
    text = "\ufeffo фонарь\n".encode() + SQUARE + "g うなぎ 尾\nf 1 2 3\n".encode()
    contents = read(tmp_path, text + b"g m\xf8rk\nf 1 2 4\n")
    assert contents.object_names == ("фонарь",)
    assert contents.group_names == ("うなぎ 尾", "mørk")


def test_groups_and_objects(tmp_path):
    # OBJ: a g statement may give several names; without one, the group is "default".
    text = SQUARE + b"f 1 2 3\no eel\ng head  fin\nf 1 2 3\no post\nf 1 2 4\ng\nf 1 2 4\n"
    text += b"g unused\ng head fin\nf 2 3 4\n"
    contents = read(tmp_path, text)
    assert contents.group_names == ("default", "head fin")
    assert contents.polygon_groups.tolist() == [0, 1, 1, 0, 1]
    assert contents.object_names == ("default", "eel", "post")
    assert contents.polygon_objects.tolist() == [0, 1, 2, 2, 2]


def test_overlong_lines(tmp_path):
    count = 20_000
    angles = np.linspace(0, 2 * np.pi, count, endpoint=False)
    text = "".join(f"v {np.cos(angle):.9f} {np.sin(angle):.9f} 0\n" for angle in angles)
    contents = read(tmp_path, text + "f " + " ".join(map(str, range(1, count + 1))) + "\n")
    assert contents.offsets.tolist() == [0, count]


def test_what_is_not_a_polygon_mesh_is_passed_over(tmp_path):
    text = SQUARE + b"mtllib a.mtl\nusemtl brass\ns 1\nl 1 2\np 1\nvp 0.5\nwhatever 1 2\nf 1 2 3\n"
    contents = read(tmp_path, text)
    assert polygons_of(contents) == [[0, 1, 2]]
    assert contents.notes == ()


def test_free_form_geometry_is_noted(tmp_path):
    text = SQUARE + b"cstype bspline\ndeg 1 1\nsurf 0 1 0 1 1 2 4 3\nparm u 0 0 1 1\nend\nf 1 2 3\n"
    contents = read(tmp_path, text)
    assert contents.notes == (
        "1 free-form curve or surface was left out, as only polygons are read (line 7).",
    )


def test_colours(tmp_path):
    text = b"v 0 0 0 1 0 0.5\nv 1 0 0\nv 0 1 0 0 1 0 0.25\nv 5 5 5\nf 1 2 3\n"
    contents = read(tmp_path, text)
    assert contents.colours.tolist() == [[1, 0, 0.5], [1, 1, 1], [0, 1, 0], [1, 1, 1]]
    assert contents.notes == ("2 vertices without a colour became white.",)


def test_colours_from_0_to_255(tmp_path):
    contents = read(tmp_path, b"v 0 0 0 255 0 51\nv 1 0 0 0 0 0\nv 0 1 0 0 0 0\nf 1 2 3\n")
    assert contents.colours[0].tolist() == [1, 0, 0.2]
    assert contents.notes == ("Vertex colours were read as 0 to 255.",)


def test_normals_and_texture_coordinates_without_numbers_become_zero(tmp_path):
    text = SQUARE + b"vn nan nan nan\nvn 0 0 1\nvt -nan(ind) 0\nvt 0.5\nf 1/2/1 2/1/2 3\n"
    contents = read(tmp_path, text)
    assert contents.normals.tolist() == [[0, 0, 0], [0, 0, 1]]
    assert contents.texcoords.tolist() == [[0, 0], [0.5, 0]]
    assert contents.notes == (
        "1 texture coordinate without finite numbers became zero (line 7).",
        "1 normal without finite numbers became zero (line 5).",
    )


@pytest.mark.parametrize("size", [1, 7, 64])
def test_where_the_file_is_cut_into_pieces_does_not_matter(tmp_path, monkeypatch, size):
    text = (
        CUBE.replace("\n", "\r\n")
        + "f -8 -7 \\\r\n -6 \\\r\n -5 # c\r\ng a\r\nf 1 2 3\r\nv 1 2 3 1 0 0\r\n"
    )
    whole = read(tmp_path, text)
    monkeypatch.setattr(obj, "_CHUNK_BYTES", size)
    pieces = read(tmp_path, text)
    for name, value in vars(whole).items():
        assert np.array_equal(value, getattr(pieces, name)), name


# ---- random files, against a plain reader and against itself

settings.register_profile(
    "files",
    deadline=None,
    max_examples=50,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
FILES = settings.get_profile("files")

coordinates = st.floats(-1e12, 1e12, allow_subnormal=True)
words = st.text("abfgvo#_.0é尾", min_size=1, max_size=4).filter(lambda word: word[0] != "#")


@st.composite
def obj_texts(draw):
    """Files of mixed statements whose indices point anywhere that is allowed."""
    counts = {"v": 0, "vt": 0, "vn": 0}
    lines = []
    for _ in range(draw(st.integers(1, 4))):
        for kind, width in (("v", 3), ("vt", 2), ("vn", 3)):
            for row in draw(st.lists(st.tuples(*[coordinates] * width), min_size=1, max_size=4)):
                lines.append(kind + "".join(f" {value!r}" for value in row))
                counts[kind] += 1
        for _ in range(draw(st.integers(0 if counts["v"] > 4 else 1, 3))):
            corners = []
            for _ in range(draw(st.integers(3, 5))):
                parts = []
                for kind in counts:
                    number = draw(st.integers(1, counts[kind]))
                    parts.append(number - counts[kind] - 1 if draw(st.booleans()) else number)
                v, vt, vn = parts
                corners.append(draw(st.sampled_from([f"{v}", f"{v}/{vt}", f"{v}//{vn}"] * 2
                                                    + [f"{v}/{vt}/{vn}"])))  # fmt: skip
            lines.append("f " + " ".join(corners))
    return "\n".join(lines) + "\n"


@FILES
@given(obj_texts())
def test_random_files_read_as_a_plain_reader_reads_them(tmp_path, text):
    contents = read(tmp_path, text)
    positions, faces = naive_read(text)
    assert contents.positions.tobytes() == positions.tobytes()
    corners = [corner for face in faces for corner in face]
    assert np.diff(contents.offsets).tolist() == [len(face) for face in faces]
    columns = contents.corner_vertices, contents.corner_texcoords, contents.corner_normals
    assert np.column_stack(columns).tolist() == [list(corner) for corner in corners]


@FILES
@given(obj_texts())
def test_faces_read_at_once_and_one_by_one_agree(tmp_path, text):
    at_once = read(tmp_path, text)
    # A comment that touches a number sends the whole piece down the careful path.
    one_by_one = read(tmp_path, text.replace("\n", "#\n"))
    for name in ("positions", "offsets", "corner_vertices", "corner_texcoords", "corner_normals"):
        assert np.array_equal(getattr(at_once, name), getattr(one_by_one, name)), name


@st.composite
def meshes(draw):
    count = draw(st.integers(3, 8))
    position_rows = hnp.arrays(np.float64, (count, 3), elements=coordinates)
    # far from the origin a small mesh has no digits left, and is refused (test_mesh)
    positions = draw(
        position_rows.filter(
            lambda p: np.ptp(p[:3], axis=0).max() > max(1e-3, 1e-8 * np.abs(p).max())
        )
    )
    more = st.lists(st.integers(0, count - 1), min_size=3, max_size=6)
    polygons = [[0, 1, 2], *draw(st.lists(more, max_size=5))]
    corners = sum(map(len, polygons))
    unit = st.floats(0, 1)

    def layer(width: int) -> tuple[np.ndarray | None, np.ndarray | None]:
        if not draw(st.booleans()):
            return None, None
        table = draw(hnp.arrays(np.float64, (draw(st.integers(1, 5)), width), elements=unit))
        index = hnp.arrays(np.int64, corners, elements=st.integers(-1, len(table) - 1))
        return table, draw(index)

    def names() -> tuple[list[str], np.ndarray]:
        # In order of first use, as a reader finds them.
        label = draw(hnp.arrays(np.int64, len(polygons), elements=st.integers(0, 2)))
        used, first = np.unique(label, return_index=True)
        order = used[np.argsort(first)].tolist()
        chosen = draw(st.lists(words, min_size=len(order), max_size=len(order), unique=True))
        return chosen, np.array([order.index(value) for value in label])

    texcoords, corner_texcoords = layer(2)
    normals, corner_normals = layer(3)
    group_names, polygon_groups = names()
    object_names, polygon_objects = names()
    colours = draw(st.none() | hnp.arrays(np.float64, (count, 3), elements=unit))
    return CreatureMesh.from_arrays(
        positions,
        polygons,
        texcoords=texcoords,
        corner_texcoords=corner_texcoords,
        normals=normals,
        corner_normals=corner_normals,
        colours=colours,
        group_names=group_names,
        polygon_groups=polygon_groups,
        object_names=object_names,
        polygon_objects=polygon_objects,
    )


@FILES
@given(meshes())
def test_writing_then_reading_changes_no_bit(tmp_path, mesh):
    path = tmp_path / "again.obj"
    write_obj(mesh, path, force=True)
    again = load_mesh(path)
    for name, value in vars(mesh).items():
        if isinstance(value, np.ndarray):
            other = getattr(again, name)
            assert other.dtype == value.dtype, name
            assert other.tobytes() == value.tobytes(), name
        elif name in ("group_names", "object_names"):
            assert getattr(again, name) == value
        elif value is None:
            assert getattr(again, name) is None


def test_ant_goes_through_the_writer_unchanged(tmp_path):
    # The ant that pyvista ships, read by trimesh; the written file read by libigl.
    ant = trimesh.load(examples.antfile, process=False)
    mesh = CreatureMesh.from_arrays(ant.vertices, ant.faces, name="ant")
    write_obj(mesh, tmp_path / "ant.obj")
    again = load_mesh(tmp_path / "ant.obj")
    positions, triangles = igl.read_triangle_mesh(str(tmp_path / "ant.obj"))
    assert len(positions) == len(ant.vertices) > 400
    assert again.positions.tobytes() == np.asarray(ant.vertices, dtype=np.float64).tobytes()
    assert np.array_equal(again.positions, positions)
    assert np.array_equal(again.triangles, triangles)
    assert again.name == "ant"


# ---- what is refused


def assert_one_sentence(message: str) -> None:
    assert "\n" not in message
    assert message.endswith(".")
    assert ". " not in message


REFUSED = [
    ("nothing", b"", 1, "is empty"),
    ("no faces", SQUARE, 4, "without one face"),
    ("another text", b"<html>\n<p>not found\n</html>\n", 3, "without one face"),
    ("only lines", SQUARE + b"l 1 2\n", 5, "without one face"),
    ("only a surface", SQUARE + b"surf 0 1 0 1 1 2 3 4\n", 5, "free-form"),
    ("nan", b"v 0 0 0\nv 1 nan 0\nv 0 1 0\nf 1 2 3\n", 2, "not a finite number"),
    ("windows nan", b"v 0 0 0\nv 1 0 0\nv 0 -1.#IND 0\nf 1 2 3\n", 3, "not a finite number"),
    ("infinite", b"v 0 0 0\nv 1 0 0\nv 0 1 -inf\nf 1 2 3\n", 3, "not a finite number"),
    ("overflow", b"v 0 0 0\nv 1e999 0 0\nv 0 1 0\nf 1 2 3\n", 2, "not a finite number"),
    ("immense", b"v 0 0 0\nv 1e30 0 0\nv 0 1 0\nf 1 2 3\n", 2, "larger than 1e+18"),
    ("not a number", b"v 0 0 0\n\nv 1 O 0\nv 0 1 0\nf 1 2 3\n", 3, "'O' is not a number"),
    ("decimal comma", b"v 0,5 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", 1, "'0,5' is not a number"),
    ("underscore", b"v 1_0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", 1, "'1_0' is not a number"),
    (
        "two numbers",
        b"v 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n",
        1,
        "has 2 numbers, fewer",
    ),
    ("bare v", b"v\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", 1, "has 0 numbers, fewer than the 3"),
    (
        "bare vt",
        SQUARE + b"vt\nf 1 2 3\n",
        5,
        "coordinate has 0 numbers",
    ),
    (
        "short normal",
        SQUARE + b"vn 0 1\nf 1 2 3\n",
        5,
        "normal has 2 numbers, fewer than the 3",
    ),
    ("colour", b"v 0 0 0 nan 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", 1, "colour is not a finite"),
    ("index 0", SQUARE + b"f 1 2 3\nf 0 1 2\n", 6, "counts from 1"),
    ("texture index 0", SQUARE + b"vt 0 0\nf 1/1 2/0 3/1\n", 6, "counts from 1"),
    ("index out", SQUARE + b"f 1 2 3\nf 1 2 5\nf 1 2 3\n", 6, "uses vertex 5 where the file has 4"),
    ("texture out", SQUARE + b"vt 0 0\nf 1/1 2/2 3/1\n", 6, "texture coordinate 2 where the file"),
    ("normal without any", SQUARE + b"f 1//1 2//1 3//1\n", 5, "normal 1 where the file has 0"),
    ("counts back too far", SQUARE + b"f -1 -2 -5\nv 2 2 2\n", 5, "counts back to vertex -5"),
    ("immense index", SQUARE + b"f 1 2 99999999999999999999999\n", 5, "is not a corner"),
    ("immense negative index", SQUARE + b"f 1 2 -99999999999999999999999\n", 5, "is not a corner"),
    ("two corners", SQUARE + b"f 1 2 3\nf 1 2\n", 6, "has 2 corners"),
    ("no corners", SQUARE + b"f\n", 5, "has 0 corners"),
    ("bad corner", SQUARE + b"f 1 2 x\n", 5, "'x' is not a corner"),
    ("too many slashes", SQUARE + b"vt 0 0\nvn 0 0 1\nf 1/1/1/1 2 3\n", 7, "'1/1/1/1' is not"),
    ("slash first", SQUARE + b"f /1 2 3\n", 5, "'/1' is not a corner"),
    ("spaced slash", SQUARE + b"vt 0 0\nf 1 / 1 2 3\n", 6, "'/' is not a corner"),
    ("fraction", SQUARE + b"f 1 2 3.5\n", 5, "'3.5' is not a corner"),
    ("binary", SQUARE + b"\x00\x01f 1 2 3\n", 5, "binary"),
    ("utf-16", "v 0 0 0\nf 1 1 1\n".encode("utf-16"), 1, "not in UTF-8"),
    ("cut in a vertex", SQUARE + b"f 1 2 3\nv 0 1", 6, "cut short"),
    ("cut in a number", SQUARE + b"f 1 2 3\nv 0 1 -", 6, "cut short"),
    ("cut in a face", SQUARE + b"f 1 2 3\nf 1 2", 6, "cut short"),
    ("cut before the vertices", b"f 1 2 3\nf 2 3 4\nv 0 0 0\nv 1 0 0\nv 0 1 0\n", 2, "cut short"),
    ("cut before the faces", SQUARE + b"v 0 0 1", 5, "cut short"),
    ("after a continued line", SQUARE + b"f 1 2 \\\n 3\nf 1 2\n", 7, "has 2 corners"),
    ("all at one point", b"v 1 1 1\nv 1 1 1\nv 1 1 1\nf 1 2 3\n", 1, "has no size"),
]


@pytest.mark.parametrize(
    ("text", "line", "words"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED]
)
@pytest.mark.parametrize("ending", ["as it is", "carriage returns"])
def test_refusals_name_the_path_and_the_line(tmp_path, text, line, words, ending):
    path = tmp_path / "harbour.obj"
    path.write_bytes(text if ending == "as it is" else text.replace(b"\n", b"\r\n"))
    if b"\0" in text and ending != "as it is":
        line = path.read_bytes().split(b"\0")[0].count(b"\n") + 1
    with pytest.raises(RibbonsimError) as caught:
        load_mesh(path)
    message = str(caught.value)
    assert message.startswith(f"{path}, line {line}: ")
    assert words in message
    assert_one_sentence(message)


def test_refused_line_is_right_far_into_a_file(tmp_path, monkeypatch):
    monkeypatch.setattr(obj, "_CHUNK_BYTES", 50)
    text = SQUARE + b"# quay\nf 1 2 \\\n 3\n" * 100 + b"f 1 2 x\n"
    with pytest.raises(RibbonsimError, match=r"line 305: 'x' is not a corner"):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing.obj", "there is no such file"),
        ("folder.obj", "this is a folder"),
        ("folder", "this is a folder"),
        ("eel.mesh", "files of this kind are not read; export the mesh as .obj, .glb, "),
        ("eel.mesh", ".gltf or .ply."),
    ],
)
def test_paths_that_are_refused(tmp_path, name, words):
    (tmp_path / "folder.obj").mkdir()
    (tmp_path / "folder").mkdir()
    (tmp_path / "eel.mesh").write_text("mesh\n")
    with pytest.raises(RibbonsimError) as caught:
        load_mesh(tmp_path / name)
    assert str(caught.value).startswith(f"{tmp_path / name}: ")
    assert words in str(caught.value)
    assert_one_sentence(str(caught.value))


def test_file_without_permission_is_refused(tmp_path, monkeypatch):
    def refuse(path):
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    monkeypatch.setattr("ribbonsim.mesh.obj_read.open_input", refuse)
    with pytest.raises(RibbonsimError) as caught:
        read_obj(tmp_path / "eel.obj")
    assert str(caught.value) == (
        f"{tmp_path / 'eel.obj'}: the file cannot be read (Permission denied); check its "
        "permissions."
    )


# ---- writing


def test_existing_file_is_kept_unless_forced(tmp_path):
    path = tmp_path / "eel.obj"
    path.write_text(CUBE)
    mesh = load_mesh(path)
    for force in (False, True):
        with pytest.raises(RibbonsimError, match=r"eel\.obj is a file that was read"):
            write_obj(mesh, path, force=force)
    assert path.read_text() == CUBE
    other = tmp_path / "other.obj"
    other.write_text("")
    with pytest.raises(RibbonsimError, match=r"other\.obj exists"):
        write_obj(mesh, other)
    write_obj(mesh, other, force=True)
    assert np.array_equal(load_mesh(other).corner_texcoords, mesh.corner_texcoords)


def test_failed_write_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    path = tmp_path / "eel.obj"
    path.write_text(CUBE)
    mesh = load_mesh(path)

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RibbonsimError, match=r"eel\.obj"):
        write_obj(mesh, path, force=True)
    assert path.read_text() == CUBE
    assert os.listdir(tmp_path) == ["eel.obj"]


def test_posed_positions_are_written_in_file_order(tmp_path):
    (tmp_path / "eel.obj").write_text(CUBE)
    mesh = load_mesh(tmp_path / "eel.obj")
    posed = mesh.positions * (1, 2, 3)
    write_obj(mesh, tmp_path / "posed.obj", positions=posed)
    again = load_mesh(tmp_path / "posed.obj")
    assert np.array_equal(again.positions, posed)
    assert np.array_equal(again.corner_vertices, mesh.corner_vertices)
    assert np.array_equal(again.corner_texcoords, mesh.corner_texcoords)
    assert again.object_names == ("lantern",)
    # Normals belong to the shape at rest and would be wrong here.
    assert again.normals is None


def test_positions_that_do_not_fit_are_refused(tmp_path):
    (tmp_path / "eel.obj").write_text(CUBE)
    mesh = load_mesh(tmp_path / "eel.obj")
    with pytest.raises(RibbonsimError, match="7 positions were given for 8 vertices"):
        write_obj(mesh, tmp_path / "posed.obj", positions=mesh.positions[:7])
    assert not (tmp_path / "posed.obj").exists()


# The manual's "Cube with Materials" (Appendix B1, from memory), and the smoothing group of its
# "Two Adjoining Squares with a Smoothing Group" on the sides.
PAINTED = """\
mtllib master.mtl
v 0 2 2
v 0 0 2
v 2 0 2
v 2 2 2
v 0 2 0
v 0 0 0
v 2 0 0
v 2 2 0
g front
usemtl red
f 1 2 3 4
g back
usemtl blue
f 8 7 6 5
g right
usemtl green
s 1
f 4 3 7 8
g top
usemtl gold
f 5 1 4 8
s 0
g left
usemtl red
f 5 6 2 1
g bottom
usemtl purple
f 2 6 7 3
"""


def test_materials_and_smoothing_groups_are_written_again(tmp_path):
    (tmp_path / "cube.obj").write_text(PAINTED)
    mesh = load_mesh(tmp_path / "cube.obj")
    write_obj(mesh, tmp_path / "posed.obj", positions=2.0 * mesh.positions)
    said = load_mesh(tmp_path / "posed.obj").shading
    assert said.libraries == ("master.mtl",)
    painted = [said.material_names[i] for i in said.polygon_materials]
    assert painted == ["red", "blue", "green", "gold", "red", "purple"]
    smooth = [said.smoothing_names[i] for i in said.polygon_smoothing]
    assert smooth == ["off", "off", "1", "1", "off", "off"]
    # an outside reader, VTK's, finds the same in both (it takes the first material for none)
    first, second = (pyvista.read(tmp_path / name) for name in ("cube.obj", "posed.obj"))
    for read in (first, second):
        names = read.field_data["MaterialNames"].tolist()
        ids = read.cell_data["MaterialIds"].tolist()
        assert [names[i] for i in ids][1:] == painted[1:]
    assert first.cell_data["MaterialIds"].tolist() == second.cell_data["MaterialIds"].tolist()


def test_a_file_without_materials_is_written_without(tmp_path):
    (tmp_path / "eel.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\ns off\nf 1 2 3\n")
    mesh = load_mesh(tmp_path / "eel.obj")
    assert mesh.shading is None
    write_obj(mesh, tmp_path / "again.obj")
    assert not {"usemtl", "mtllib", "s"} & set((tmp_path / "again.obj").read_text().split())
