"""glTF and PLY, written by other libraries or by hand, against what OBJ gives."""

import base64
import json
import struct
from functools import cache
from itertools import pairwise

import numpy as np
import pygltflib
import pytest
import pyvista as pv
import trimesh
from cases import first_of
from demos import demo_mesh
from hypothesis import given, settings
from hypothesis import strategies as st
from pyvista import examples
from tubes import straight, tube

from ribbonsim import (
    CreatureMesh,
    Layout,
    Ribbon,
    RibbonsimError,
    bind,
    export_gltf,
    find_guide,
    load_mesh,
)


@cache
def grub():
    return demo_mesh("grub")


def faces_of(mesh):
    return [polygon.tolist() for polygon in mesh.polygons]


# -- PLY --------------------------------------------------------------------------------------


def ply(mesh, kind, colours=None, uv=None, faces=None):
    """A PLY file by hand, from the format's description: polygons of any size."""
    order = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}[kind]
    names = ["float x", "float y", "float z"]
    columns = [mesh.positions.astype(np.float32)]
    head = ["ply", f"format {kind} 1.0", "comment lamp", f"element vertex {len(mesh.positions)}"]
    if uv is not None:
        names += ["double s", "double t"]
    if colours is not None:
        names += [f"uchar {c}" for c in ("red", "green", "blue")]
    faces = faces_of(mesh) if faces is None else faces
    head += [f"property {name}" for name in names]
    head += [f"element face {len(faces)}", "property uchar flags"]
    head += ["property list uchar int vertex_indices", "element extra 1", "property short n"]
    head += ["end_header"]
    text = ("\n".join(head) + "\n").encode()
    rows = []
    for v in range(len(mesh.positions)):
        row = [("f", float(x)) for x in columns[0][v]]
        row += [("d", float(x)) for x in uv[v]] if uv is not None else []
        row += [("B", int(x)) for x in colours[v]] if colours is not None else []
        rows.append(row)
    for face in faces:
        rows.append([("B", 3), ("B", len(face)), *(("i", int(v)) for v in face)])
    rows.append([("h", -7)])
    if kind == "ascii":
        return text + "".join(" ".join(repr(x) for _, x in row) + "\n" for row in rows).encode()
    return text + b"".join(struct.pack(order + c, x) for row in rows for c, x in row)


@pytest.mark.parametrize("kind", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_ply_keeps_polygons_of_every_size_and_the_order_of_vertices(kind, tmp_path):
    mesh = grub()
    assert len({len(face) for face in faces_of(mesh)}) >= 1
    faces = faces_of(mesh)
    first = faces[0]
    mixed = [first[:3], [first[0], *first[2:]], *faces[1:]]  # a quad cut into two triangles
    rng = np.random.default_rng(0)
    colours = rng.integers(0, 256, (len(mesh.positions), 3))
    path = tmp_path / "grub.ply"
    path.write_bytes(ply(mesh, kind, colours=colours, faces=mixed))
    told = load_mesh(path)
    assert faces_of(told) == mixed
    assert np.array_equal(told.positions, mesh.positions.astype(np.float32))
    assert told.colours == pytest.approx(colours / 255.0)
    assert told.name == "grub"
    assert not told.notes


@pytest.mark.parametrize("binary", [True, False])
def test_ply_written_by_trimesh_is_read(binary, tmp_path):
    mesh = grub()
    other = trimesh.Trimesh(mesh.positions, mesh.triangles, process=False)
    data = trimesh.exchange.ply.export_ply(other, "binary" if binary else "ascii")
    (tmp_path / "grub.ply").write_bytes(data)
    told = load_mesh(tmp_path / "grub.ply")
    assert told.positions == pytest.approx(mesh.positions, abs=1e-6 * mesh.diagonal)
    assert np.array_equal(told.triangles, mesh.triangles)


def test_ply_of_the_open_dataset_is_what_vtk_reads():
    """pyvista's bundled ant.ply, by VTK's reader."""
    told = load_mesh(examples.antfile)
    other = pv.read(examples.antfile)
    assert np.array_equal(told.positions.astype(np.float32), other.points)
    assert np.array_equal(told.triangles, other.faces.reshape(-1, 4)[:, 1:])


def split_at_uv(mesh):
    """The mesh as formats with one texture coordinate a vertex have it."""
    pairs, corner = np.unique(
        np.column_stack([mesh.corner_vertices, mesh.corner_texcoords]), axis=0, return_inverse=True
    )
    cuts = mesh.polygon_offsets
    corner = corner.reshape(-1)
    faces = [corner[a:b].tolist() for a, b in pairwise(cuts)]
    return pairs[:, 0], mesh.texcoords[pairs[:, 1]], faces


def test_vertices_that_a_seam_splits_stay_and_are_joined(tmp_path):
    mesh = grub()
    sources, uv, faces = split_at_uv(mesh)
    split = CreatureMesh.from_arrays(mesh.positions[sources], faces)
    doubles = len(sources) - len(mesh.positions)
    assert doubles > 0
    path = tmp_path / "grub.ply"
    path.write_bytes(ply(split, "binary_little_endian", uv=uv))
    told = load_mesh(path)
    assert len(told.positions) == len(sources)
    assert told.is_closed == mesh.is_closed
    assert len(np.unique(told.components[told.components >= 0])) == 1
    # polygons use the same places and the same texture as those of the OBJ
    assert np.array_equal(
        told.positions[told.corner_vertices],
        mesh.positions[mesh.corner_vertices].astype(np.float32),
    )
    assert np.array_equal(
        told.texcoords[told.corner_texcoords], mesh.texcoords[mesh.corner_texcoords]
    )
    (note,) = told.notes
    assert note.startswith(f"{doubles} vertices that stand where another one does, as at seams")


def test_texture_coordinates_of_corners_are_read_from_faces(tmp_path):
    head = (
        "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\n"
        "property float z\nelement face 2\nproperty list uchar int vertex_index\n"
        "property list uchar float texcoord\nend_header\n"
    )
    body = "0 0 0\n1 0 0\n1 1 0\n0 1 1\n3 0 1 2 6 0 0 1 0 1 1\n3 0 2 3 6 .5 0 1 1 0 1\n"
    (tmp_path / "a.ply").write_text(head + body)
    told = load_mesh(tmp_path / "a.ply")
    wanted = [[0, 0], [1, 0], [1, 1], [0.5, 0], [1, 1], [0, 1]]
    assert told.texcoords[told.corner_texcoords].tolist() == wanted


# -- glTF -------------------------------------------------------------------------------------


@cache
def rig():
    mesh = demo_mesh("lampeel")
    ribbon = Ribbon.along(find_guide(mesh), 6.0, 16)
    return bind(mesh, Layout.from_ribbon(ribbon, 17, 5))


@pytest.mark.parametrize("name", first_of("угорь №1.gltf", "eel.glb"))
def test_a_creature_comes_back_from_gltf_with_the_same_weights(name, tmp_path):
    export_gltf(rig(), tmp_path / name, {})
    told, mesh = load_mesh(tmp_path / name), rig().mesh
    count = len(mesh.positions)
    assert np.array_equal(told.positions[:count], mesh.positions.astype(np.float32))
    assert np.array_equal(told.triangles, mesh.triangles)
    assert told.texcoords[told.corner_texcoords] == pytest.approx(
        split_texture(mesh), abs=1e-6
    )  # fmt: skip
    assert told.is_closed == mesh.is_closed
    assert "skeleton in the file is left out" in " ".join(told.notes)
    again = bind(told, rig().layout)
    assert np.abs(again.mesh_weights[:count] - rig().mesh_weights).max() < 1e-3
    # doubles at seams move with the vertex that they double
    doubles = np.flatnonzero(told.components < 0)
    assert len(doubles) == len(told.positions) - count
    for double in doubles[::50]:
        same = np.flatnonzero((told.positions[:count] == told.positions[double]).all(axis=1))
        assert np.array_equal(again.mesh_weights[double], again.mesh_weights[same[0]])


def split_texture(mesh):
    """Texture coordinates of the corners of triangles, polygon by polygon."""
    found = []
    for t, polygon in enumerate(mesh.triangle_polygons):
        span = slice(mesh.polygon_offsets[polygon], mesh.polygon_offsets[polygon + 1])
        corners = dict(
            zip(mesh.corner_vertices[span].tolist(), mesh.corner_texcoords[span], strict=True)
        )
        found += [mesh.texcoords[corners[v]] for v in mesh.triangles[t].tolist()]
    return np.array(found)


class Builder:
    """A small glTF file by hand, through pygltflib."""

    def __init__(self):
        self.gltf = pygltflib.GLTF2(scene=0, scenes=[pygltflib.Scene(nodes=[])])
        self.data = b""

    def array(self, values, kind=None):
        values = np.asarray(values)
        values = values.astype(np.float32 if values.dtype.kind == "f" else np.uint16)
        shape = {1: "SCALAR", 2: "VEC2", 3: "VEC3"}[1 if values.ndim == 1 else values.shape[1]]
        view = pygltflib.BufferView(buffer=0, byteOffset=len(self.data), byteLength=values.nbytes)
        self.gltf.bufferViews.append(view)
        code = pygltflib.FLOAT if values.dtype == np.float32 else pygltflib.UNSIGNED_SHORT
        accessor = pygltflib.Accessor(
            bufferView=len(self.gltf.bufferViews) - 1,
            componentType=code,
            count=len(values),
            type=shape,
        )
        self.gltf.accessors.append(accessor)
        self.data += values.tobytes() + bytes(-values.nbytes % 4)
        return len(self.gltf.accessors) - 1

    def primitive(self, position, faces, mode=4, **attributes):
        attributes = pygltflib.Attributes(POSITION=position, **attributes)
        indices = None if faces is None else self.array(np.ravel(faces))
        return pygltflib.Primitive(attributes=attributes, indices=indices, mode=mode)

    def mesh(self, *primitives, name="eel"):
        self.gltf.meshes.append(pygltflib.Mesh(primitives=list(primitives), name=name))
        return len(self.gltf.meshes) - 1

    def node(self, above=None, **properties):
        self.gltf.nodes.append(pygltflib.Node(**properties))
        number = len(self.gltf.nodes) - 1
        if above is None:
            self.gltf.scenes[0].nodes.append(number)
        else:
            self.gltf.nodes[above].children.append(number)
        return number

    def save(self, path):
        self.gltf.buffers = [pygltflib.Buffer(byteLength=len(self.data))]
        self.gltf.set_binary_blob(self.data)
        self.gltf.save_binary(str(path))
        return path


TETRA = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
TETRA_FACES = [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]


def test_nodes_place_their_meshes(tmp_path):
    built = Builder()
    position = built.array(TETRA)
    eel = built.mesh(built.primitive(position, TETRA_FACES), name="eel")
    lamp = built.mesh(built.primitive(position, TETRA_FACES), name="# lamp\\")
    arm = built.node(translation=[0.0, 10.0, 0.0], scale=[2.0, 2.0, 2.0])
    half = np.sqrt(0.5)
    built.node(arm, mesh=eel, translation=[1.0, 0.0, 0.0], rotation=[0.0, 0.0, half, half])
    built.node(mesh=lamp, matrix=[-1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 5, 0, 0, 1])
    told = load_mesh(built.save(tmp_path / "a.glb"))
    turned = TETRA @ np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    first = 2.0 * (turned + np.array([1.0, 0.0, 0.0])) + np.array([0.0, 10.0, 0.0])
    second = TETRA * [-1.0, 1.0, 1.0] + [5.0, 0.0, 0.0]
    assert told.positions == pytest.approx(np.vstack([first, second]), abs=1e-6)
    assert told.group_names == ("eel", "lamp")
    assert told.polygon_groups.tolist() == [0] * 4 + [1] * 4
    # a mirrored mesh is not inside out: both volumes count outwards
    assert told.volume == pytest.approx(8.0 / 6.0 + 1.0 / 6.0, rel=1e-6)
    assert len(np.unique(told.components)) == 2


def test_primitives_that_share_their_vertices_are_one_surface(tmp_path):
    built = Builder()
    position = built.array(TETRA)
    parts = [built.primitive(position, TETRA_FACES[:2]), built.primitive(position, TETRA_FACES[2:])]
    built.node(mesh=built.mesh(*parts))
    told = load_mesh(built.save(tmp_path / "a.glb"))
    assert told.positions == pytest.approx(TETRA)
    assert faces_of(told) == TETRA_FACES
    assert told.is_closed
    assert len(told.group_names) == 2
    assert told.polygon_groups.tolist() == [0, 0, 1, 1]


def test_primitives_split_at_their_border_are_joined(tmp_path):
    built = Builder()
    parts = [
        built.primitive(built.array(TETRA[[0, 1, 2, 3]]), [[0, 2, 1], [0, 1, 3]]),
        built.primitive(built.array(TETRA[[3, 2, 1, 0]]), [[3, 0, 1], [2, 1, 0]]),
    ]
    built.node(mesh=built.mesh(*parts))
    told = load_mesh(built.save(tmp_path / "a.glb"))
    assert len(told.positions) == 8
    assert faces_of(told) == TETRA_FACES
    assert told.is_closed


def test_one_mesh_hung_twice_is_two_pieces(tmp_path):
    built = Builder()
    mesh = built.mesh(built.primitive(built.array(TETRA), TETRA_FACES))
    built.node(mesh=mesh)
    built.node(mesh=mesh)  # at the same place: two shells, not one
    told = load_mesh(built.save(tmp_path / "a.glb"))
    assert len(np.unique(told.components)) == 2
    assert "stand where another one does" in " ".join(told.notes)


def test_a_skinned_mesh_stands_as_it_is_stored(tmp_path):
    """glTF 2.0, 3.7.3.3: the transform of the node of a skinned mesh is ignored."""
    built = Builder()
    mesh = built.mesh(built.primitive(built.array(TETRA), TETRA_FACES))
    joint = built.node(translation=[0.0, 3.0, 0.0])
    built.gltf.skins = [pygltflib.Skin(joints=[joint])]
    built.node(mesh=mesh, skin=0, translation=[7.0, 0.0, 0.0])
    told = load_mesh(built.save(tmp_path / "a.glb"))
    assert told.positions == pytest.approx(TETRA)


def test_strips_textures_colours_and_normals_are_read(tmp_path):
    built = Builder()
    square = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]])
    uv = np.array([[0.0, 1.0], [1.0, 1.0], [0.0, 0.0], [1.0, 0.0]])
    attributes = {
        "TEXCOORD_0": built.array(uv),
        "COLOR_0": built.array(np.linspace(0.0, 1.0, 12).reshape(4, 3)),
        "NORMAL": built.array(np.tile([0.0, 0.0, 1.0], (4, 1))),
    }
    position = built.array(square)
    built.node(mesh=built.mesh(built.primitive(position, [0, 1, 2, 3], mode=5, **attributes)))
    told = load_mesh(built.save(tmp_path / "a.glb"))
    assert {frozenset(face) for face in faces_of(told)} == {
        frozenset((0, 1, 2)),
        frozenset((1, 2, 3)),
    }
    assert told.vertex_normals == pytest.approx(np.tile([0.0, 0.0, 1.0], (4, 1)))
    # the upper left is the origin in glTF, the lower left in OBJ: here uv is xy
    by_vertex = dict(
        zip(told.corner_vertices.tolist(), told.corner_texcoords.tolist(), strict=True)
    )
    assert [told.texcoords[by_vertex[v]].tolist() for v in range(4)] == square[:, :2].tolist()
    assert told.colours == pytest.approx(np.linspace(0.0, 1.0, 12).reshape(4, 3))
    assert told.normals == pytest.approx(np.tile([0.0, 0.0, 1.0], (4, 1)))


def test_files_of_trimesh_are_read(tmp_path):
    mesh = grub()
    other = trimesh.Trimesh(mesh.positions, mesh.triangles, process=False)
    scene = trimesh.Scene()
    move = trimesh.transformations.compose_matrix(angles=[0.3, 0.2, 0.1], translate=[1, 2, 3])
    scene.add_geometry(other, transform=move)
    scene.export(tmp_path / "a.glb")
    told = load_mesh(tmp_path / "a.glb")
    wanted = mesh.positions @ move[:3, :3].T + move[:3, 3]
    assert told.positions == pytest.approx(wanted, abs=1e-5 * mesh.diagonal)
    assert np.array_equal(told.triangles, mesh.triangles)


def test_data_inside_the_text_is_read(tmp_path):
    data = TETRA.astype("<f4").tobytes() + np.ravel(TETRA_FACES).astype("<u2").tobytes()
    document = {
        "asset": {"version": "2.0"},
        "nodes": [{"mesh": 0}],  # no scene: nodes that hang nowhere are shown
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [
            {
                "byteLength": len(data),
                "uri": "data:application/octet-stream;base64," + base64.b64encode(data).decode(),
            }
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": 48},
            {"buffer": 0, "byteOffset": 48, "byteLength": 24},
        ],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5123, "count": 12, "type": "SCALAR"},
        ],
    }
    (tmp_path / "a.gltf").write_text(json.dumps(document))
    told = load_mesh(tmp_path / "a.gltf")
    assert told.positions.tolist() == TETRA.tolist()
    assert faces_of(told) == TETRA_FACES


# -- the same rules for all -------------------------------------------------------------------


@pytest.mark.parametrize("ending", [".ply", ".glb", ".gltf"])
def test_odd_meshes_get_the_notes_that_an_obj_gets(ending, tmp_path):
    open_tube = tube(straight(), 0.6)
    triangles = open_tube.triangles[:-40]
    other = trimesh.Trimesh(open_tube.positions, triangles, process=False)
    path = tmp_path / f"a{ending}"
    if ending == ".gltf":
        for name, data in trimesh.exchange.gltf.export_gltf(trimesh.Scene(other)).items():
            (tmp_path / (path.name if name.endswith("gltf") else name)).write_bytes(data)
    else:
        path.write_bytes(other.export(file_type=ending[1:]))
    notes = " ".join(load_mesh(path).notes)
    assert "The surface has" in notes


def written(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def glb(document, data=b""):
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    chunk = struct.pack("<I4s", len(text), b"JSON") + text
    if data:
        chunk += struct.pack("<I4s", len(data), b"BIN\0") + data
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunk)) + chunk


V2 = {"asset": {"version": "2.0"}}
HEAD = "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\n"
FACES = "property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
PLY = HEAD + FACES
BROKEN = {
    "empty.ply": (b"", "the file is empty"),
    "empty.glb": (b"", "the file is empty"),
    "head.ply": ("ply\nformat ascii 1.0\n", "no PLY head"),
    "other.ply": ("solid\n", "no PLY head"),
    "odd.ply": (PLY.replace("float x", "quad x"), "line 4: 'property quad x'"),
    "format.ply": (PLY.replace("ascii", "base64"), "line 2"),
    "short.ply": (PLY + "0 0 0\n1 0 0\n", "within its 3 rows of 'vertex'"),
    "row.ply": (PLY + "0 0 0\n1 0\n0 1 0\n3 0 1 2\n", "line 11: the file ends or breaks off"),
    "word.ply": (PLY + "0 0 0\n1 a 0\n0 1 0\n3 0 1 2\n", "line 11: 'a' is not a number"),
    "nan.ply": (PLY + "0 0 0\n1 nan 0\n0 1 0\n3 0 1 2\n", "line 11: a coordinate of vertex 2"),
    "far.ply": (PLY + "0 0 0\n1 1e30 0\n0 1 0\n3 0 1 2\n", "larger than 1e+18"),
    "index.ply": (PLY + "0 0 0\n1 1 0\n0 1 0\n3 0 1 3\n", "line 13: face 1 names vertex 4 of 3"),
    "half.ply": (PLY + "0 0 0\n1 1 0\n0 1 0\n3 0 1 1.5\n", "face 1 names vertex 0 of 3"),
    "two.ply": (PLY + "0 0 0\n1 1 0\n0 1 0\n2 0 1\n", "fewer than three corners"),
    "list.ply": (PLY + "0 0 0\n1 1 0\n0 1 0\n9 0 1 2\n", "line 13: the file ends or breaks off"),
    "points.ply": (PLY.replace("face 1", "face 0") + "0 0 0\n1 1 0\n0 1 0\n", "no faces"),
    "none.ply": (
        PLY.replace("vertex 3", "lamp 3") + "0 0 0\n1 1 0\n0 1 0\n3 0 1 2\n",
        "x, y and z",
    ),
    "flat.ply": (PLY + "1 1 1\n1 1 1\n1 1 1\n3 0 1 2\n", "line 10: the mesh has no size"),
    "huge.ply": (
        PLY.replace("ascii", "binary_little_endian").replace("vertex 3", "vertex 9999999999999"),
        "breaks off",
    ),
    "text.glb": ("hello", "not glTF"),
    "magic.glb": (b"glTF", "cut short"),
    "one.glb": (struct.pack("<4sII", b"glTF", 1, 20) + bytes(20), "not glTF 2.0"),
    "cut.glb": (glb(V2)[:-4], "cut short"),
    "old.gltf": (json.dumps({"asset": {"version": "1.0"}}), "not glTF 2.0"),
    "list.gltf": ("[1]", "not glTF 2.0"),
    "nothing.glb": (glb(V2), "no triangles"),
    "draco.glb": (
        glb({**V2, "extensionsRequired": ["KHR_draco_mesh_compression"]}),
        "KHR_draco_mesh_compression",
    ),
    "away.gltf": (
        json.dumps({**V2, "buffers": [{"uri": "far%20away.bin", "byteLength": 4}]}),
        "its data, far away.bin, is not there",
    ),
    "base.gltf": (
        json.dumps({**V2, "buffers": [{"uri": "data:;base64,@@@", "byteLength": 4}]}),
        "the data inside the file is broken",
    ),
    "buffer.glb": (glb({**V2, "buffers": [{"byteLength": 900}]}, bytes(8)), "cut short"),
    "nowhere.glb": (
        glb({**V2, "nodes": [{"mesh": 0}], "meshes": [{"primitives": [{"attributes": {}}]}]}),
        "has no positions",
    ),
}


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_broken_files_are_refused_in_one_sentence(name, tmp_path):
    data, told = BROKEN[name]
    path = written(tmp_path, name, data)
    with pytest.raises(RibbonsimError) as caught:
        load_mesh(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert told in message
    assert "\n" not in message
    assert len(message) < 400


def accessor_of(document):
    return document["accessors"][document["meshes"][0]["primitives"][0]["attributes"]["POSITION"]]


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda d: accessor_of(d).update(sparse={"count": 1}), "stored sparse or compressed"),
        (lambda d: accessor_of(d).pop("bufferView"), "stored sparse or compressed"),
        (lambda d: accessor_of(d).update(componentType=5122), "quantised"),
        (lambda d: accessor_of(d).update(count=10**6), "beyond the end of its buffer view"),
        (lambda d: d["meshes"][0]["primitives"][0].update(mode=6), "triangle fans"),
        (lambda d: d["meshes"][0]["primitives"][0].update(mode=1), "no triangles"),
        (lambda d: d["nodes"][0].update(mesh=7), "nodes.0.mesh is 7, and there are 1 meshes"),
        (
            lambda d: d["meshes"][0]["primitives"][0].update(indices=99),
            "indices is 99, and",
        ),
        (lambda d: d["bufferViews"][0].update(byteLength=10**9), "beyond the end of its buffer"),
    ],
)
def test_what_would_be_read_wrongly_is_refused(spoil, told, tmp_path):
    built = Builder()
    built.node(mesh=built.mesh(built.primitive(built.array(TETRA), TETRA_FACES)))
    data = built.save(tmp_path / "a.glb").read_bytes()
    length = struct.unpack_from("<I", data, 12)[0]
    document = json.loads(data[20 : 20 + length])
    spoil(document)
    path = written(tmp_path, "b.glb", glb(document, built.data))
    with pytest.raises(RibbonsimError) as caught:
        load_mesh(path)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("ending", [".ply", ".glb", ".gltf"])
def test_files_that_are_not_there_are_told(ending, tmp_path):
    with pytest.raises(RibbonsimError, match="there is no such file; check the path"):
        load_mesh(tmp_path / f"a{ending}")
    (tmp_path / f"folder{ending}").mkdir()
    with pytest.raises(RibbonsimError, match="this is a folder"):
        load_mesh(tmp_path / f"folder{ending}")
    with pytest.raises(RibbonsimError, match=r"export the mesh as \.obj, \.glb, \.gltf or \.ply"):
        load_mesh(tmp_path / "a.mesh")


@settings(max_examples=80, deadline=None)
@given(data=st.data(), name=st.sampled_from(["a.ply", "b.ply", "c.glb"]))
def test_files_that_are_damaged_are_read_or_refused(data, name, tmp_path_factory):
    mesh = grub_cut()
    whole = {
        "a.ply": ply(mesh, "ascii"),
        "b.ply": ply(mesh, "binary_little_endian"),
        "c.glb": tetra_glb(tmp_path_factory.mktemp("whole") / "a.glb"),
    }[name]
    damaged = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    damaged = damaged[: data.draw(st.integers(1, len(damaged)))]
    path = tmp_path_factory.mktemp("damaged") / name
    path.write_bytes(bytes(damaged))
    message = ""
    try:
        told = load_mesh(path)
    except RibbonsimError as error:
        message = str(error)
    if message:
        assert message.startswith(str(path))
        assert "\n" not in message
    else:
        assert np.isfinite(told.positions).all()


@cache
def grub_cut():
    return tube(straight(rings=4), 0.6, 6)


def tetra_glb(path):
    built = Builder()
    built.node(mesh=built.mesh(built.primitive(built.array(TETRA), TETRA_FACES)))
    return built.save(path).read_bytes()
