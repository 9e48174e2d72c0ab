"""glTF 2.0 meshes, read through trimesh: vertices as in the file, where their nodes put them.

What trimesh would pass over in silence (compressed or sparse data, fans) is refused first, and
the materials are taken out, so that no image has to be there.

References
----------
Khronos Group, *glTF 2.0 Specification*, ISO/IEC 12113:2022.
"""

from __future__ import annotations

import base64
import io
import json
import logging
import os
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import unquote

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.contents import (
    DEFAULT_NAME,
    MeshContents,
    checked,
    group_name,
    join_seams,
    read_bytes,
)
from ribbonsim.mesh.gltf_schema import Json, read_document

# Extensions of these kinds do not touch the shape of a mesh.
_HARMLESS = ("KHR_materials_", "KHR_texture_", "EXT_texture_", "KHR_lights_", "KHR_xmp")
_POINTS_AND_LINES, _TRIANGLES, _STRIP = (0, 1, 2, 3), 4, 5
_FLOAT = 5126
_WHOLE = (5121, 5123, 5125)
_SHAPES = {
    "POSITION": ("VEC3",),
    "NORMAL": ("VEC3",),
    "TEXCOORD_": ("VEC2",),
    "COLOR_": ("VEC3", "VEC4"),
}
_ELSEWHERE = re.compile(r"[\\\0]|^[A-Za-z][A-Za-z0-9+.-]*:")


def read_gltf(path: str | os.PathLike[str]) -> MeshContents:
    """Read the meshes of a glTF file as one.

    Parameters
    ----------
    path : path
        Ends in ``.glb`` or ``.gltf``.

    Returns
    -------
    MeshContents
        The meshes of the scene one after the other, each primitive a group, with the
        transforms of their nodes. Vertices that a seam of the texture splits stay; polygons
        use the first at each place. A skinned mesh stands as it is stored.

    Raises
    ------
    RibbonsimError
        If the file cannot be read as a mesh.
    """
    path = Path(path)
    data = read_bytes(path)
    document, buffers = _unpacked(path, data)
    notes = _prepare(path, document)
    parts = _parts(path, document, buffers)
    if not parts:
        raise RibbonsimError(
            f"{path}: there are no triangles in the file's scene; export the mesh itself."
        )
    contents, pieces = _joined(parts, notes)
    return join_seams(checked(contents, path), pieces)


# -- the file -----------------------------------------------------------------------------------


def _unpacked(path: Path, data: bytes) -> tuple[Json, list[bytes]]:
    """The document and its buffers."""
    held = None
    text = data
    if data[:4] == b"glTF":
        text, held = _chunks(path, data)
    document = read_document(path, text)
    buffers = []
    for number, buffer in enumerate(document.get("buffers", [])):
        content = _buffer(path, buffer, held if number == 0 else None)
        if len(content) < buffer["byteLength"]:
            raise RibbonsimError(
                f"{path}: buffer {number} has {len(content)} bytes of "
                f"{buffer['byteLength']}: it seems cut short; export or copy it again."
            )
        buffers.append(content)
    return document, buffers


def _chunks(path: Path, data: bytes) -> tuple[bytes, bytes | None]:
    cut = RibbonsimError(f"{path}: the file is cut short; export or copy it again.")
    if len(data) < 20:
        raise cut
    version, total, length, kind = struct.unpack_from("<III4s", data, 4)
    if version != 2 or kind != b"JSON":
        raise RibbonsimError(f"{path}: the file is not glTF 2.0; export the mesh as glTF 2.0.")
    if total > len(data) or 20 + length > len(data):
        raise cut
    after = 20 + length
    if after + 8 > len(data):
        return data[20:after], None
    size, kind = struct.unpack_from("<I4s", data, after)
    held = data[after + 8 : after + 8 + size] if kind == b"BIN\0" else None
    return data[20:after], held


def _buffer(path: Path, buffer: Json, held: bytes | None) -> bytes:
    address = buffer.get("uri")
    if address is None:
        return held or b""
    if address.startswith("data:"):
        try:
            return base64.b64decode(address.partition(",")[2], validate=True)
        except ValueError as error:
            raise RibbonsimError(
                f"{path}: the data inside the file is broken ({error}); export the mesh again."
            ) from error
    beside = _below(path, unquote(address))
    if not os.path.isfile(beside):
        raise RibbonsimError(
            f"{path}: its data, {unquote(address)[:80]}, is not there; put that file beside it or "
            "export the mesh as .glb."
        )
    return read_bytes(beside)


def _below(path: Path, address: str) -> Path:
    """A file below the folder of the glTF file, which has no business in other places."""
    plain = PurePosixPath(address)
    if plain.is_absolute() or ".." in plain.parts or _ELSEWHERE.search(address):
        raise RibbonsimError(
            f"{path}: its data, {address[:80]!r}, is not below the folder of the file, and is not "
            "read; put it beside the file or export the mesh as .glb."
        )
    return path.parent / plain


# -- what trimesh is given ----------------------------------------------------------------------


def _prepare(path: Path, document: Json) -> list[str]:
    """Refuse what would be read wrongly, take out what is not needed; give notes."""
    for extension in document.get("extensionsRequired", []):
        if not extension.startswith(_HARMLESS):
            raise RibbonsimError(
                f"{path}: the file needs the extension {extension}, which is not read; export "
                "the mesh without it, such as without compression."
            )
    left_out = 0
    for mesh in document.get("meshes", []):
        kept = []
        for primitive in mesh.get("primitives", []):
            mode = primitive.get("mode", _TRIANGLES)
            if mode in _POINTS_AND_LINES:
                left_out += 1
                continue
            if mode not in (_TRIANGLES, _STRIP):
                raise RibbonsimError(
                    f"{path}: the mesh {mesh.get('name') or ''!r} is made of triangle fans, which "
                    "are not read; export it as triangles."
                )
            _check_accessors(path, document, mesh, primitive)
            primitive["material"] = 0  # trimesh reads texture coordinates of a material alone
            kept.append(primitive)
        mesh["primitives"] = kept
    document["materials"] = [{}]
    for key in ("textures", "images", "samplers", "cameras", "animations"):
        document.pop(key, None)
    notes = ["Points and lines in the file are left out."] if left_out else []
    return notes + _free_skins(document)


def _check_accessors(path: Path, document: Json, mesh: Json, primitive: Json) -> None:
    accessors = document.get("accessors", [])
    attributes = primitive["attributes"]
    numbers = [attributes.get("POSITION"), primitive.get("indices")]
    if numbers[0] is None:
        raise RibbonsimError(
            f"{path}: the mesh {mesh.get('name') or ''!r} has no positions; export it again."
        )
    for number in numbers:
        if number is None:
            continue
        accessor = accessors[number]
        if accessor.get("sparse") is not None or accessor.get("bufferView") is None:
            raise RibbonsimError(
                f"{path}: the mesh {mesh.get('name') or ''!r} is stored sparse or compressed, "
                "which is not read; export it without compression."
            )
    if accessors[numbers[0]]["componentType"] != _FLOAT:
        raise RibbonsimError(
            f"{path}: the positions of the mesh {mesh.get('name') or ''!r} are quantised, which is "
            "not read; export it without compression."
        )
    for name in list(attributes):
        accessor = accessors[attributes[name]]
        if accessor["count"] != accessors[numbers[0]]["count"]:
            raise _misfit(path, mesh, f"{name} has not one value for each vertex")
        wanted = _SHAPES.get(name.rstrip("0123456789"))
        if wanted is not None and accessor["type"] not in wanted:
            raise _misfit(path, mesh, f"{name} is of type {accessor['type']}")
        if name.startswith("TEXCOORD") and accessor["componentType"] != _FLOAT:
            del attributes[name]
    if numbers[1] is not None:
        accessor = accessors[numbers[1]]
        if accessor["type"] != "SCALAR" or accessor["componentType"] not in _WHOLE:
            raise _misfit(path, mesh, "its indices are no whole numbers")


def _misfit(path: Path, mesh: Json, what: str) -> RibbonsimError:
    return RibbonsimError(
        f"{path}: the mesh {mesh.get('name') or ''!r} cannot be used: {what}; export it again."
    )


def _free_skins(document: Json) -> list[str]:
    """Hang skinned meshes on the scene itself: the standard ignores their nodes' transforms."""
    nodes = document.get("nodes", [])
    if not document.get("scenes"):
        hung = {child for node in nodes for child in node.get("children", [])}
        document["scenes"] = [{"nodes": [i for i in range(len(nodes)) if i not in hung]}]
        document["scene"] = 0
    if document.get("scene") is None:  # left out, or null
        document["scene"] = 0
    scene = document["scenes"][document["scene"]]
    skinned = [node for node in nodes if "skin" in node and "mesh" in node]
    for node in skinned:
        scene.setdefault("nodes", []).append(len(nodes))
        nodes.append({"mesh": node.pop("mesh")})
    if not skinned:
        return []
    return ["The skeleton in the file is left out: its mesh stands as it is stored."]


# -- the scene ----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Part:
    """One primitive where one node puts it."""

    name: str
    node: str
    accessor: int
    positions: Array
    faces: Ints
    texcoords: Array | None
    normals: Array | None
    colours: Array | None


def _parts(path: Path, document: Json, buffers: list[bytes]) -> list[_Part]:
    import trimesh

    # it writes its own tracebacks where nobody listens to its log
    logging.getLogger("trimesh").addHandler(logging.NullHandler())

    files: Mapping[str, bytes] = {str(i): data for i, data in enumerate(buffers)}
    document["buffers"] = [{"uri": name, "byteLength": len(data)} for name, data in files.items()]
    text = io.BytesIO(json.dumps(document).encode())
    try:
        scene = trimesh.load_scene(text, file_type="gltf", resolver=files, process=False)
        listed = [
            (primitive["attributes"], len(mesh["primitives"]) > 1)
            for mesh in document.get("meshes", [])
            for primitive in mesh["primitives"]
        ]
        origins = dict(zip(scene.geometry, listed, strict=True))
        found = []
        for frame in scene.graph.nodes_geometry:
            matrix, name = scene.graph[frame]
            attributes, shared = origins[name]
            # trimesh hangs several primitives below their node, each in a frame of its own
            node = str(scene.graph.transforms.parents[frame] if shared else frame)
            found.append(_part(scene.geometry[name], str(name), node, matrix, attributes))
    except Exception as error:  # a reader of others' files raises whatever it meets
        reason = str(error).strip() or type(error).__name__
        raise RibbonsimError(
            f"{path}: the file cannot be read as glTF ({reason}); export the mesh again."
        ) from error
    order = list(scene.geometry)
    return sorted(found, key=lambda part: order.index(part.name))


def _part(mesh: Any, name: str, node: str, matrix: Array, attributes: Mapping[str, int]) -> _Part:
    linear = np.asarray(matrix, dtype=float)[:3, :3]
    positions = np.asarray(mesh.vertices, dtype=float) @ linear.T + matrix[:3, 3]
    faces = np.asarray(mesh.faces, dtype=np.int64)
    if np.linalg.det(linear) < 0:  # a mirror turns triangles over
        faces = faces[:, ::-1]
    normals = texcoords = colours = None
    if "NORMAL" in attributes:
        turned = np.asarray(mesh.vertex_normals, dtype=float) @ np.linalg.pinv(linear)
        lengths = np.linalg.norm(turned, axis=1, keepdims=True)
        normals = np.divide(turned, lengths, out=np.zeros_like(turned), where=lengths > 0)
    if "TEXCOORD_0" in attributes:
        texcoords = np.asarray(mesh.visual.uv, dtype=float)
    if "COLOR_0" in attributes:
        colours = _colours(np.asarray(mesh.visual.vertex_attributes["color"]))
    accessor = attributes["POSITION"]
    return _Part(name, node, accessor, positions, faces, texcoords, normals, colours)


def _colours(colours: np.ndarray) -> Array:
    scale = 1.0 if colours.dtype.kind == "f" else float(np.iinfo(colours.dtype).max)
    return np.clip(colours[:, :3].astype(np.float64) / scale, 0.0, 1.0)


def _joined(parts: list[_Part], notes: list[str]) -> tuple[MeshContents, Ints]:
    """One mesh of all parts; and for each vertex which mesh of which node it is of."""
    starts: dict[tuple[str, int], int] = {}
    placed: list[_Part] = []
    count = 0
    offsets = []
    for part in parts:
        # primitives that differ in their material often share one list of vertices
        key = (part.node, part.accessor)
        if key not in starts:
            starts[key] = count
            placed.append(part)
            count += len(part.positions)
        offsets.append(starts[key])
    corners = [part.faces + start for part, start in zip(parts, offsets, strict=True)]
    sizes = np.array([len(faces) for faces in corners], dtype=np.int64)
    triangles = int(sizes.sum())
    corner_vertices = np.concatenate(corners).reshape(-1)
    texcoords = _finite(_stacked(placed, "texcoords", 0.0), "Texture coordinates", notes)
    normals = _finite(_stacked(placed, "normals", 0.0), "Normals", notes)
    colours = _finite(_stacked(placed, "colours", 1.0), "Vertex colours", notes)
    contents = MeshContents(
        positions=np.concatenate([part.positions for part in placed]),
        colours=colours,
        texcoords=None if texcoords is None else texcoords[:, :2],
        normals=normals,
        offsets=3 * np.arange(triangles + 1),
        corner_vertices=corner_vertices,
        corner_texcoords=None if texcoords is None else corner_vertices,
        corner_normals=None if normals is None else corner_vertices,
        group_names=tuple(group_name(part.name, DEFAULT_NAME) for part in parts),
        polygon_groups=np.repeat(np.arange(len(parts)), sizes),
        object_names=(DEFAULT_NAME,),
        polygon_objects=np.zeros(triangles, dtype=np.int64),
        vertex_lines=None,
        polygon_lines=None,
        notes=tuple(notes),
    )
    nodes = list(dict.fromkeys(part.node for part in placed))
    pieces = [np.full(len(part.positions), nodes.index(part.node)) for part in placed]
    return contents, np.concatenate(pieces)


def _stacked(parts: list[_Part], name: str, missing: float) -> Array | None:
    """A table of every vertex; parts that have none get one value; None if no part has it."""
    tables = [getattr(part, name) for part in parts]
    width = next((table.shape[1] for table in tables if table is not None), None)
    if width is None:
        return None
    return np.concatenate(
        [
            np.full((len(part.positions), width), missing) if table is None else table
            for part, table in zip(parts, tables, strict=True)
        ]
    )


def _finite(table: Array | None, what: str, notes: list[str]) -> Array | None:
    if table is None or np.isfinite(table).all():
        return table
    notes.append(f"{what} are left out, as some are not finite numbers.")
    return None
