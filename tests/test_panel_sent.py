"""Mesh files that are sent from the browser: uploaded, or dropped with the files they name."""

import json
import struct

import numpy as np
import pytest
import trimesh

from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.sections.sent_files import MeshDrop, read_sent

BOX = trimesh.creation.box((4.0, 1.0, 1.0)).subdivide()


def gltf_files():
    """A glTF 2.0 file and the buffer that it names (Khronos, glTF 2.0, 3.6)."""
    points = np.asarray(BOX.vertices, "<f4").tobytes()
    faces = np.asarray(BOX.faces, "<u4").tobytes()
    told = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [{"uri": "box.bin", "byteLength": len(points) + len(faces)}],
        "bufferViews": [
            {"buffer": 0, "byteLength": len(points)},
            {"buffer": 0, "byteOffset": len(points), "byteLength": len(faces)},
        ],
        "accessors": [
            {
                "bufferView": 0, "componentType": 5126, "count": len(BOX.vertices), "type": "VEC3",
                "min": BOX.vertices.min(axis=0).tolist(), "max": BOX.vertices.max(axis=0).tolist(),
            },
            {"bufferView": 1, "componentType": 5125, "count": BOX.faces.size, "type": "SCALAR"},
        ],
    }  # fmt: skip
    return {"box.gltf": json.dumps(told).encode(), "box.bin": points + faces}


def test_a_mesh_is_read_with_the_files_it_names():
    mesh = read_sent(gltf_files())
    assert mesh.name == "box"
    np.testing.assert_allclose(np.ptp(mesh.positions, axis=0), (4.0, 1.0, 1.0), atol=1e-6)


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ({"notes.txt": b"a"}, "no mesh was sent: a mesh file ends with .obj"),
        ({"a.obj": b"", "b.ply": b""}, "a.obj and b.ply are 2 meshes: send one"),
        ({"bad.obj": b"v 1 2\n"}, "bad.obj"),
        ({"box.gltf": gltf_files()["box.gltf"]}, "box.bin"),
    ],
)
def test_what_cannot_be_read_is_said_without_the_folder_it_was_in(files, says):
    with pytest.raises(RibbonsimError) as raised:
        read_sent(files)
    assert says in str(raised.value)
    assert "/tmp" not in str(raised.value)
    assert str(raised.value).count("\n") == 0


def test_a_drop_hands_its_files_over_and_a_large_one_is_refused():
    taken, said = [], []
    drop = MeshDrop(taken.append, said.append)
    files = {"x.obj": b"v 0 0 0\n", "x.mtl": struct.pack("<f", 1.0)}
    names = ["sub/x.obj", "x.mtl"]
    buffers = [memoryview(content) for content in files.values()]
    drop._handle_custom_msg({"kind": "dropped", "names": names}, buffers)
    assert taken == [files]
    drop._handle_custom_msg({"kind": "large", "names": ["big.obj"]}, [])
    (sentence,) = said
    assert "big.obj is too large" in sentence
    assert "open it by its path" in sentence
