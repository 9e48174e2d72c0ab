"""Small whole files of every format, to be spoilt."""

import base64
import json
import struct
import sys
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from test_intake_formats import ply
from tubes import straight, tube

import ribbonsim as rs

OBJ = b"""# a lantern
mtllib lamp.mtl
o lantern
v 0 0 0 1 0 0
v 1 0 0 0 1 0
v 1 1 0 0 0 1
v 0 1 0 1 1 1
v 0.5 0.5 1e0 1 1 1
vt 0 0
vt 1 0
vt 1 1
vn 0 0 1
vn 0 1 0
g base side
usemtl glass
s 1
f 4/1/1 3/2/1 2/3/1 1/1/1
f 1//2 2//2 5//2
f 2/1 3/2 5/3
f -3 -2 -1
f 4 1 5
"""


@cache
def worm():
    return tube(straight(rings=4), 0.6, 6)


@cache
def text_ply():
    mesh = worm()
    colours = np.full((len(mesh.positions), 3), 200)
    uv = mesh.positions[:, :2]
    return ply(mesh, "ascii", colours=colours, uv=uv)


@cache
def binary_ply(order="little"):
    return ply(worm(), f"binary_{order}_endian")


@cache
def gltf_parts():
    """A document with all that is read, and its buffer: two meshes, three nodes, a texture."""
    data, views, accessors = b"", [], []

    def add(values, kind, component):
        nonlocal data
        views.append({"buffer": 0, "byteOffset": len(data), "byteLength": values.nbytes})
        data += values.tobytes() + bytes(-values.nbytes % 4)
        row = {"bufferView": len(views) - 1, "componentType": component, "type": kind}
        row["count"] = len(values)
        if component == 5126 and kind == "VEC3":
            row |= {"min": values.min(axis=0).tolist(), "max": values.max(axis=0).tolist()}
        accessors.append(row)
        return len(accessors) - 1

    points = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], np.float32)
    faces = np.array([0, 2, 1, 0, 1, 3, 0, 3, 2, 1, 2, 3], np.uint16)
    attributes = {
        "POSITION": add(points, "VEC3", 5126),
        "NORMAL": add(np.full((4, 3), np.sqrt(1 / 3), np.float32), "VEC3", 5126),
        "TEXCOORD_0": add(points[:, :2].copy(), "VEC2", 5126),
    }
    indices = add(faces, "SCALAR", 5123)
    other = add(points * 2 + 5, "VEC3", 5126)
    document = {
        "asset": {"version": "2.0", "generator": "a test"},
        "scene": 0,
        "scenes": [{"name": "harbour", "nodes": [0, 2]}],
        "nodes": [
            {"mesh": 0, "translation": [1, 2, 3], "children": [1]},
            {"mesh": 1, "rotation": [0, 0, 0.6, 0.8], "scale": [2, 2, 2]},
            {"mesh": 0, "matrix": [1, 0, 0, 0, 0, 0, 1, 0, 0, -1, 0, 0, 4, 5, 6, 1]},
        ],
        "meshes": [
            {
                "name": "eel",
                "primitives": [{"attributes": attributes, "indices": indices, "material": 0}],
            },
            {"primitives": [{"attributes": {"POSITION": other}, "indices": indices, "mode": 4}]},
        ],
        "materials": [{"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}],
        "textures": [{"source": 0, "sampler": 0}],
        "images": [{"uri": "skin.png"}],
        "samplers": [{}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(data)}],
    }
    return document, data


def glb(document, data):
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    total = 28 + len(text) + len(data)
    head = struct.pack("<4sIIII", b"glTF", 2, total, len(text), 0x4E4F534A)
    return head + text + struct.pack("<II", len(data), 0x004E4942) + data


def gltf(document, data):
    """As text, its buffer inside where it is still told of."""
    buffers = document.get("buffers") if isinstance(document, dict) else None
    if isinstance(buffers, list) and buffers and isinstance(buffers[0], dict):
        packed = base64.b64encode(data).decode()
        buffers[0].setdefault("uri", f"data:application/octet-stream;base64,{packed}")
    return json.dumps(document).encode()


@cache
def layout_toml(folder):
    mesh = worm()
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=0.5, spans=4)
    layout = rs.Layout.from_ribbon(ribbon, stations=5, controls=3)
    path = Path(folder) / "seed.toml"
    layout.save(path, force=True)
    return path.read_bytes()
