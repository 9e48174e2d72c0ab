"""Thousands of spoilt files, the same ones in every run: each is read rightly, or refused.

What is read is held against readers that share nothing with ours: a line by line reader of OBJ
after the *Advanced Visualizer Manual*, Appendix B1, and one of glTF's nodes and accessors after
ISO/IEC 12113:2022, section 3. An error is one sentence that names the file.
"""

import json
import os
import random
import signal
import struct

import numpy as np
import pytest
from mutations import spoilt_bytes, spoilt_document, spoilt_text
from scipy.spatial import cKDTree
from seeds import OBJ, binary_ply, glb, gltf, gltf_parts, layout_toml, text_ply

import ribbonsim as rs

SECONDS = 10.0  # of the processor, for a file of a few kilobytes


def either(rng, data):
    return (spoilt_text if rng.random() < 0.6 else spoilt_bytes)(rng, data)


def spoilt_glb(rng):
    document, data = gltf_parts()
    kind = rng.randrange(3)
    if kind == 0:
        return spoilt_bytes(rng, glb(document, data))
    if kind == 1:
        return glb(document, spoilt_bytes(rng, data))
    return glb(spoilt_document(rng, document), data)


def spoilt_gltf(rng):
    document, data = gltf_parts()
    text = gltf(spoilt_document(rng, document), data)
    return spoilt_text(rng, text) if rng.random() < 0.2 else text


FORMATS = {
    "obj": lambda rng, _: either(rng, OBJ),
    "ply": lambda rng, _: either(rng, text_ply()),
    "binary.ply": lambda rng, _: spoilt_bytes(rng, binary_ply(rng.choice(("little", "big")))),
    "glb": lambda rng, _: spoilt_glb(rng),
    "gltf": lambda rng, _: spoilt_gltf(rng),
    "toml": lambda rng, folder: either(rng, layout_toml(folder)),
}


@pytest.fixture
def watched():
    """Ends a case that does not end by itself."""
    if not hasattr(signal, "setitimer"):
        yield lambda: None
        return

    def hang(*_):
        raise TimeoutError

    before = signal.signal(signal.SIGVTALRM, hang)
    yield lambda: signal.setitimer(signal.ITIMER_VIRTUAL, SECONDS)
    signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
    signal.signal(signal.SIGVTALRM, before)


def run(kind, count, folder, watched, seed=20):
    rng = random.Random(f"{kind} {seed}")
    path = folder / f"eel.{kind}"
    refused, wrong = 0, []
    for number in range(count):
        data = FORMATS[kind](rng, str(folder))
        path.write_bytes(data)
        watched()
        try:
            told = rs.Layout.load(path) if kind == "toml" else rs.load_mesh(path)
            fault = None if kind == "toml" else what_is_wrong(kind, told, data)
        except rs.RibbonsimError as error:
            refused += 1
            fault = None if one_sentence(str(error), path) else f"says {error!s:.200}"
        except Exception as error:
            fault = f"{type(error).__name__}: {error!s:.200}"
        if fault is not None:
            wrong.append(f"{number}: {fault}")
    print(f"{kind}: {count} tried, {refused} refused, {count - refused - len(wrong)} accepted")
    assert not wrong, f"{len(wrong)} of {count}, such as\n" + "\n".join(wrong[:12])
    assert 0.05 * count < refused < 0.98 * count  # else it would try too little


@pytest.mark.fuzz
@pytest.mark.parametrize("kind", FORMATS)
def test_spoilt_files_are_read_rightly_or_refused(kind, tmp_path, watched):
    run(kind, 2000, tmp_path, watched)


@pytest.mark.fuzz
@pytest.mark.parametrize("kind", FORMATS)
def test_more_spoilt_files(kind, tmp_path, watched):
    """As many as fit into a minute; a much larger number in SPOILT_FILES tries on."""
    run(kind, int(os.environ.get("SPOILT_FILES", "2000")), tmp_path, watched, seed=21)


def one_sentence(message, path):
    return str(path) in message and "\n" not in message and 20 < len(message) < 800


def what_is_wrong(kind, mesh, data):
    """What an accepted mesh holds that cannot be; None if all is well."""
    count = len(mesh.positions)
    if not np.isfinite(mesh.positions).all():
        return "positions that are not finite"
    if not ((mesh.corner_vertices >= 0) & (mesh.corner_vertices < count)).all():
        return "corners beyond the vertices"
    sizes = np.diff(mesh.polygon_offsets)
    if (sizes < 3).any() or len(mesh.triangles) != (sizes - 2).sum():
        return "polygons that are none"
    for values, corners in (
        (mesh.texcoords, mesh.corner_texcoords),
        (mesh.normals, mesh.corner_normals),
    ):
        if values is not None and not np.isfinite(values).all():
            return "a texture coordinate or normal that is not finite"
        if corners is not None and not ((corners >= -1) & (corners < len(values))).all():
            return "corners beyond the texture coordinates or normals"
    if kind == "obj" and b"\\" not in data:
        return other_than(mesh.positions, obj_points(data), in_order=True)
    if kind in ("glb", "gltf"):
        return other_than(mesh.positions, gltf_points(kind, data), in_order=False)
    return None


def other_than(points, expected, in_order):
    expected = np.array(expected, dtype=float).reshape(-1, 3)
    room = 1e-5 * max(np.abs(expected).max(initial=0.0), 1e-30)
    if in_order:
        same = points.shape == expected.shape and np.allclose(points, expected, rtol=1e-12, atol=0)
    else:
        same = max(cKDTree(expected).query(points)[0].max(), 0.0) <= room and (
            cKDTree(points).query(expected)[0].max() <= room
        )
    return None if same else "other positions than stand in the file"


def obj_points(data):
    text = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    rows = [
        line.split(b"#")[0].split() if b"#" in line else line.split() for line in text.split(b"\n")
    ]
    return [[float(word) for word in row[1:4]] for row in rows if row and row[0] == b"v"]


def gltf_points(kind, data):
    """Positions where the scene's nodes put them, by the letter of the standard."""
    held = b""
    if kind == "glb":
        size = struct.unpack_from("<I", data, 12)[0]
        held, data = data[28 + size :], data[20 : 20 + size]
    document = json.loads(data)
    if kind == "gltf":
        import base64

        held = base64.b64decode(document["buffers"][0]["uri"].partition(",")[2])
    nodes = document.get("nodes", [])
    if document.get("scenes"):
        roots = document["scenes"][document.get("scene") or 0].get("nodes", [])
    else:
        children = {child for node in nodes for child in node.get("children") or ()}
        roots = [number for number in range(len(nodes)) if number not in children]
    found = []

    def place(number, above):
        node = nodes[number]
        here = above @ local(node)
        if node.get("mesh") is not None and "skin" not in node:
            for primitive in document["meshes"][node["mesh"]]["primitives"]:
                if primitive.get("mode", 4) in (4, 5):
                    points = positions(document, held, primitive["attributes"]["POSITION"])
                    found.extend(points @ here[:3, :3].T + here[:3, 3])
        for child in node.get("children") or ():
            place(child, here)

    for root in roots:
        place(root, np.eye(4))
    return found


def local(node):
    if node.get("matrix") is not None:
        return np.array(node["matrix"], dtype=float).reshape(4, 4).T
    turn = np.array(node.get("rotation", (0, 0, 0, 1)), dtype=float)
    x, y, z, w = turn / np.linalg.norm(turn)
    matrix = np.eye(4)
    matrix[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    matrix[:3, :3] *= np.array(node.get("scale", (1, 1, 1)), dtype=float)
    matrix[:3, 3] = node.get("translation", (0, 0, 0))
    return matrix


def positions(document, held, number):
    accessor = document["accessors"][number]
    view = document["bufferViews"][accessor["bufferView"]]
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    stride = view.get("byteStride") or 12
    rows = [struct.unpack_from("<3f", held, start + k * stride) for k in range(accessor["count"])]
    return np.array(rows)
