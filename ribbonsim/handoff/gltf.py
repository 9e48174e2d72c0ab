"""glTF 2.0: the mesh at rest, its skeleton and skin, poses and motions as animations.

References
----------
Khronos Group, *glTF 2.0 Specification*, ISO/IEC 12113:2022.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from urllib.parse import quote

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.checks import check_choice
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version
from ribbonsim.files.writing import Bundle
from ribbonsim.handoff.accessors import INDICES, VERTICES, BinaryBuffer, Json, glb
from ribbonsim.handoff.baking import Baked, Skeleton, bake
from ribbonsim.handoff.clips import Clip, clips_of
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.vertices import SplitMesh, pack_influences, split_at_seams
from ribbonsim.layout.pose import Pose
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.rig import METHODS, Method, Rig

# A channel is left out where it stays this close to rest: rounding, not motion.
_STILL = 1e-9


def export_gltf(
    rig: Rig,
    path: str | os.PathLike[str],
    poses: Mapping[str, Pose] | Sequence[str] | None = None,
    clips: Mapping[str, Clip | Sequence[Pose]] | None = None,
    *,
    units: Units | None = None,
    method: Method = "linear",
    seconds: float = 1.0,
    frames_a_second: float = 24.0,
    force: bool = False,
) -> list[Path]:
    """Write a rig as glTF 2.0.

    The mesh is written at rest with normals and texture coordinates, skinned to the ribbon
    joints, each of which is a rigid node of the chain with a node below it that carries its
    stretch and girth. Polygons are cut into triangles. The first vertices are the source's
    own, in its order; vertices at seams of the texture are doubled after them. The mesh's
    extras hold the source vertex of each double and the number of corners of each polygon.
    Weights stand in sets of four, the greatest first; where the layout asks for more than four
    influences there are further sets, which programs may leave unread.

    Parameters
    ----------
    rig : Rig
    path : path
        Ends in ``.glb`` for one binary file or in ``.gltf`` for text with a ``.bin`` beside.
    poses : mapping of str to Pose, sequence of str, or None
        Each becomes an animation from rest to the pose, reached at ``seconds``, and back: poses
        by name; names of kept and test poses; or, if None, all of those.
    clips : mapping of str to Clip or sequence of Pose, optional
        Each becomes an animation; poses in sequence stand ``frames_a_second`` apart.
    units : Units, optional
        What to convert; numbers stay as they are if left out. glTF readers take a unit for a
        metre and y for up.
    method : {"linear", "dual_quaternion"}
        What the animations are to look like. glTF blends linearly: the first is exact
        at every key, the second as near as keys can be.
    seconds : float
        From rest to a pose.
    frames_a_second : float
    force : bool
        Replace files that are there.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    RibbonsimError
        If an argument cannot be used or the files cannot be written.
    """
    target = Path(path)
    kind = target.suffix.lower()
    check_choice(f"the ending of {target.name!r}", kind, (".glb", ".gltf"))
    check_choice("method", method, METHODS)
    units = units or Units(up=rig.layout.up, written_up="y")
    if units.up_axis != "y":
        raise RibbonsimError(
            "glTF files have the y axis up by their standard, and programs with another axis up "
            "turn them when they read them: write glTF with y up"
        )
    names = [target.name] if kind == ".glb" else [target.name, f"{target.stem}.bin"]
    with Bundle(target.parent, force, (rig.mesh.source,)) as bundle:
        bundle.claim(names)
        every = clips_of(rig, poses, clips, seconds, frames_a_second)
        document, data = build_gltf(rig, every, units, method)
        bundle.write(_files(document, data, names))
    return [target.parent / name for name in names]


def _files(document: Json, data: bytes, names: list[str]) -> dict[str, str | bytes]:
    if len(names) == 1:
        return {names[0]: glb(document, data)}
    document["buffers"][0]["uri"] = quote(names[1])
    text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)
    return {names[0]: f"{text}\n", names[1]: data}


def build_gltf(rig: Rig, clips: Sequence[Clip], units: Units, method: Method) -> tuple[Json, bytes]:
    """Build a glTF document, its buffer still without an address, and the buffer's contents."""
    buffer, units = BinaryBuffer(), units.about(rig.mesh)
    mesh_name, root_name = unique_names([rig.mesh.name, f"{rig.mesh.name}_skeleton"])
    skeleton = Skeleton.of(rig, units, taken=(mesh_name, root_name))
    split = split_at_seams(rig.mesh)
    nodes = _skeleton_nodes(skeleton, root_name)
    count = len(skeleton.names)
    document: Json = {
        "asset": {
            "version": "2.0",
            "generator": f"ribbonsim {version()}",
            "extras": _asset_extras(rig, units),
        },
        "scene": 0,
        "scenes": [{"name": mesh_name, "nodes": [0, len(nodes)]}],
        "nodes": [*nodes, {"name": mesh_name, "mesh": 0, "skin": 0}],
        "meshes": [
            {
                "name": mesh_name,
                "primitives": [_primitive(rig, split, units, buffer)],
                "extras": _mesh_extras(rig.mesh, split),
            }
        ],
        "materials": [_material()],
        "skins": [
            {
                "name": root_name,
                "skeleton": 0,
                "joints": list(range(1 + count, 1 + 2 * count)),
                "inverseBindMatrices": buffer.add(skeleton.inverse_bind, "float32"),
            }
        ],
    }
    if clips:
        labels = unique_names(clip.name for clip in clips)
        document["animations"] = [
            _animation(rig, skeleton, clip, label, method, buffer)
            for clip, label in zip(clips, labels, strict=True)
        ]
    data = buffer.data()
    document["accessors"], document["bufferViews"] = buffer.accessors, buffer.views
    document["buffers"] = [{"byteLength": len(data)}]
    return document, data


def _asset_extras(rig: Rig, units: Units) -> Json:
    extras: Json = {"units": units.sentence(), "up_axis": units.up_axis, "layout": rig.layout.name}
    if units.metres is not None:
        extras["metres_per_unit"] = units.metres
    return extras


def _material() -> Json:
    return {
        "name": "skin",
        "pbrMetallicRoughness": {
            "baseColorFactor": [0.8, 0.8, 0.8, 1.0],
            "metallicFactor": 0.0,
            "roughnessFactor": 0.7,
        },
    }


def _skeleton_nodes(skeleton: Skeleton, root_name: str) -> list[Json]:
    """The root, then the chain nodes, then the skin nodes."""
    count = len(skeleton.names)
    rest = Baked(skeleton.rest[None], np.ones((1, count, 3)), skeleton)
    root: Json = {"name": root_name, "children": []}
    if any(skeleton.units.origin):  # in double precision, as text holds it
        root["translation"] = skeleton.units.offset.tolist()
    chain: list[Json] = [
        {
            "name": name,
            "translation": rest.translations[0, i].tolist(),
            "rotation": rest.rotations[0, i].tolist(),
            "children": [1 + count + i],
        }
        for i, name in enumerate(skeleton.names)
    ]
    for i, parent in enumerate(skeleton.parents):
        (root if parent is None else chain[parent])["children"].append(1 + i)
    return [root, *chain, *({"name": name} for name in skeleton.skin_names)]


def _primitive(rig: Rig, split: SplitMesh, units: Units, buffer: BinaryBuffer) -> Json:
    mesh = rig.mesh
    points = units.points(mesh.positions)[split.sources]
    attributes = {
        "POSITION": buffer.add(points, "float32", VERTICES, bounds=True),
        "NORMAL": buffer.add(_normals(mesh, units)[split.sources], "float32", VERTICES),
    }
    if split.texcoords is not None:
        # the first row of a texture is its top in glTF and its bottom in OBJ
        turned = np.column_stack([split.texcoords[:, 0], 1.0 - split.texcoords[:, 1]])
        attributes["TEXCOORD_0"] = buffer.add(turned, "float32", VERTICES)
    if mesh.colours is not None:
        attributes["COLOR_0"] = buffer.add(mesh.colours[split.sources], "float32", VERTICES)
    packed = pack_influences(rig.mesh_weights)
    kind = "uint8" if rig.mesh_weights.shape[1] <= 256 else "uint16"
    for number in range(packed.sets):
        columns = slice(4 * number, 4 * number + 4)
        joints, weights = packed.joints[:, columns], packed.weights[:, columns]
        attributes[f"JOINTS_{number}"] = buffer.add(joints[split.sources], kind, VERTICES)
        attributes[f"WEIGHTS_{number}"] = buffer.add(weights[split.sources], "float32", VERTICES)
    # the greatest number of a type is reserved
    small = "uint16" if len(split.sources) < 65535 else "uint32"
    indices = buffer.add(split.triangles.ravel(), small, INDICES)
    return {"attributes": attributes, "indices": indices, "material": 0, "mode": 4}


def _normals(mesh: CreatureMesh, units: Units) -> Array:
    normals = np.array(mesh.vertex_normals)
    # a vertex that no face uses has none, and glTF wants unit vectors all through
    normals[~normals.any(axis=1)] = (0.0, 1.0, 0.0)
    return units.directions(normals)


def _mesh_extras(mesh: CreatureMesh, split: SplitMesh) -> Json:
    sizes = np.diff(mesh.polygon_offsets)
    own = len(mesh.positions)
    return {
        "source": {
            "file": Path(mesh.source).name or mesh.name,
            "vertices": own,
            "polygons": len(sizes),
            "order": f"Vertices 0 to {own - 1} are the source's own, in its order, counted from 0.",
            "doubled_at_seams": split.sources[own:].tolist(),
            "triangulated": (
                f"{len(sizes)} polygons, {int((sizes == 4).sum())} of them quads, were cut into "
                f"{len(mesh.triangles)} triangles, polygon by polygon: n - 2 for n corners."
            ),
            "polygon_corners": _run_lengths(sizes),
        }
    }


def _run_lengths(values: Iterable[int]) -> list[list[int]]:
    """Pairs of a value and how many times it comes in a row."""
    table = np.asarray(values)
    starts = np.r_[0, np.flatnonzero(np.diff(table)) + 1]
    lengths = np.diff(np.r_[starts, len(table)])
    return np.column_stack([table[starts], lengths]).tolist()


def _animation(
    rig: Rig,
    skeleton: Skeleton,
    clip: Clip,
    label: str,
    method: Method,
    buffer: BinaryBuffer,
) -> Json:
    baked = bake(rig, skeleton, clip.poses, method)
    rest = Baked(skeleton.rest[None], np.ones((1, *baked.scales.shape[1:])), skeleton)
    count = len(skeleton.names)
    size = rig.mesh.diagonal * skeleton.units.factor
    times = buffer.add(clip.times, "float32", bounds=True)
    channels: list[Json] = []
    samplers: list[Json] = []
    for path, first, keys, still, scale in (
        ("translation", 1, baked.translations, rest.translations, size),
        ("rotation", 1, baked.rotations, rest.rotations, 1.0),
        ("scale", 1 + count, baked.scales, rest.scales, 1.0),
    ):
        moves = np.abs(keys - still).max(axis=(0, 2)) > _STILL * scale
        # an animation has at least one channel, even if all is at rest
        moves[0] |= path == "translation"
        for i in np.flatnonzero(moves).tolist():
            target = {"node": first + i, "path": path}
            channels.append({"sampler": len(samplers), "target": target})
            output = buffer.add(keys[:, i], "float32")
            samplers.append({"input": times, "interpolation": "LINEAR", "output": output})
    told = {"extras": {"note": clip.note}} if clip.note else {}
    return {"name": label, "channels": channels, "samplers": samplers, **told}
