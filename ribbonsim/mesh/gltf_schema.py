"""What a glTF document may hold: types, ranges, references and the tree of its nodes.

The tables follow the published JSON schema as far as a mesh is read, and say no more of the rest
than that its references lead somewhere. They are checked once; what comes after relies on them.

References
----------
Khronos Group, *glTF 2.0 Specification*, ISO/IEC 12113:2022, section 5 and its JSON schema.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic_core
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ribbonsim.errors import RibbonsimError

Json = dict[str, Any]

MOST_PLACED = 4096  # each is a copy of a mesh, and takes milliseconds
_ROUNDED = 0.01  # what a quaternion of four bytes may be off
_Index = Annotated[int, Field(ge=0, lt=2**31)]
_Size = Annotated[int, Field(ge=0, lt=2**53)]
_Number = Annotated[float, Field(allow_inf_nan=False, ge=-3.5e38, le=3.5e38)]
_Three = Annotated[list[_Number], Field(min_length=3, max_length=3)]
_Four = Annotated[list[_Number], Field(min_length=4, max_length=4)]
_Matrix = Annotated[list[_Number], Field(min_length=16, max_length=16)]
_BYTES = {5120: 1, 5121: 1, 5122: 2, 5123: 2, 5125: 4, 5126: 4}
_PARTS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore")


class _Named(_Table):
    name: str | None = None


class _Asset(_Table):
    version: Annotated[str, Field(pattern=r"^2\.[0-9]+$")]


class _Buffer(_Named):
    byteLength: Annotated[int, Field(ge=1, lt=2**53)]  # noqa: N815
    uri: str | None = None


class _View(_Named):
    buffer: _Index
    byteLength: Annotated[int, Field(ge=1, lt=2**53)]  # noqa: N815
    byteOffset: _Size = 0  # noqa: N815
    byteStride: Annotated[int, Field(ge=4, le=252)] | None = None  # noqa: N815


class _Accessor(_Named):
    bufferView: _Index | None = None  # noqa: N815
    byteOffset: _Size = 0  # noqa: N815
    componentType: Literal[5120, 5121, 5122, 5123, 5125, 5126]  # noqa: N815
    count: Annotated[int, Field(ge=1, lt=2**53)]
    type: Literal["SCALAR", "VEC2", "VEC3", "VEC4", "MAT2", "MAT3", "MAT4"]
    normalized: bool = False
    sparse: Json | None = None
    min: list[_Number] | None = None
    max: list[_Number] | None = None


class _Primitive(_Table):
    attributes: dict[str, _Index]
    indices: _Index | None = None
    material: _Index | None = None
    mode: Annotated[int, Field(ge=0, le=6)] = 4
    targets: list[dict[str, _Index]] | None = None


class _Mesh(_Named):
    primitives: Annotated[list[_Primitive], Field(min_length=1)]


class _Node(_Named):
    children: Annotated[list[_Index], Field(min_length=1)] | None = None
    mesh: _Index | None = None
    skin: _Index | None = None
    camera: _Index | None = None
    matrix: _Matrix | None = None
    rotation: _Four | None = None
    scale: _Three | None = None
    translation: _Three | None = None


class _Scene(_Named):
    nodes: Annotated[list[_Index], Field(min_length=1)] | None = None


class _Skin(_Named):
    joints: Annotated[list[_Index], Field(min_length=1)]
    inverseBindMatrices: _Index | None = None  # noqa: N815
    skeleton: _Index | None = None


class _Document(_Table):
    asset: _Asset
    accessors: list[_Accessor] = []
    buffers: list[_Buffer] = []
    bufferViews: list[_View] = []  # noqa: N815
    meshes: list[_Mesh] = []
    nodes: list[_Node] = []
    scenes: list[_Scene] = []
    scene: _Index | None = None
    skins: list[_Skin] = []
    extensionsRequired: list[str] = []  # noqa: N815
    materials: list[Json] = []
    textures: list[Json] = []
    images: list[Json] = []
    samplers: list[Json] = []
    cameras: list[Json] = []
    animations: list[Json] = []


# what leads where: "*" goes through a list or the values of a table
_REFERENCES = {
    "scene": "scenes",
    "scenes.*.nodes.*": "nodes",
    "nodes.*.children.*": "nodes",
    "nodes.*.mesh": "meshes",
    "nodes.*.skin": "skins",
    "nodes.*.camera": "cameras",
    "meshes.*.primitives.*.indices": "accessors",
    "meshes.*.primitives.*.material": "materials",
    "meshes.*.primitives.*.attributes.*": "accessors",
    "meshes.*.primitives.*.targets.*.*": "accessors",
    "accessors.*.bufferView": "bufferViews",
    "accessors.*.sparse.indices.bufferView": "bufferViews",
    "accessors.*.sparse.values.bufferView": "bufferViews",
    "bufferViews.*.buffer": "buffers",
    "images.*.bufferView": "bufferViews",
    "textures.*.source": "images",
    "textures.*.sampler": "samplers",
    "materials.*.pbrMetallicRoughness.baseColorTexture.index": "textures",
    "materials.*.pbrMetallicRoughness.metallicRoughnessTexture.index": "textures",
    "materials.*.normalTexture.index": "textures",
    "materials.*.occlusionTexture.index": "textures",
    "materials.*.emissiveTexture.index": "textures",
    "skins.*.joints.*": "nodes",
    "skins.*.skeleton": "nodes",
    "skins.*.inverseBindMatrices": "accessors",
    "animations.*.samplers.*.input": "accessors",
    "animations.*.samplers.*.output": "accessors",
    "animations.*.channels.*.target.node": "nodes",
}


def read_document(path: Path, text: bytes) -> Json:
    """The document as it stands, once it is known to hold what it may.

    Raises
    ------
    RibbonsimError
        Naming the first key that holds what it may not.
    """
    try:
        document = pydantic_core.from_json(text, allow_inf_nan=False)
    except ValueError as error:
        raise RibbonsimError(
            f"{path}: the file is not glTF ({error}); export the mesh again."
        ) from error
    asset = document.get("asset") if isinstance(document, dict) else None
    version = asset.get("version") if isinstance(asset, dict) else None
    if not str(version).startswith("2"):
        raise RibbonsimError(f"{path}: the file is not glTF 2.0; export the mesh as glTF 2.0.")
    try:
        _Document.model_validate(document)
    except ValidationError as error:
        raise _invalid(path, *_first(error)) from None
    for key in ("rotation", "scale", "translation", "matrix"):  # null is no value in the standard
        for node in document.get("nodes", []):
            if key in node and node[key] is None:
                raise _invalid(path, f"nodes.{key}", "holds no value")
    for number, node in enumerate(document.get("nodes", [])):
        if abs(math.hypot(*node.get("rotation", (1.0,))) - 1.0) > _ROUNDED:
            raise _invalid(path, f"nodes.{number}.rotation", "is not a quaternion of length 1")
    _check_references(path, document)
    _check_ranges(path, document)
    _check_tree(path, document)
    return document


def _invalid(path: Path, where: str, what: str) -> RibbonsimError:
    return RibbonsimError(f"{path}: in the glTF document, {where} {what}; export the mesh again.")


def _first(error: ValidationError) -> tuple[str, str]:
    first = error.errors(include_url=False, include_context=False)[0]
    where = ".".join(str(part) for part in first["loc"])[:80] or "the whole"
    return where, f"cannot be used ({first['msg'][:1].lower()}{first['msg'][1:160]})"


def _check_references(path: Path, document: Json) -> None:
    for pattern, target in _REFERENCES.items():
        count = len(document.get(target) or ())
        for where, value in _found(document, pattern.split("."), ""):
            if type(value) is not int or not 0 <= value < count:
                shown = repr(value)[:20]
                raise _invalid(path, where, f"is {shown}, and there are {count} {target}")
    for number, animation in enumerate(document.get("animations") or ()):
        count = len(animation.get("samplers") or ())
        for where, value in _found(animation, ["channels", "*", "sampler"], ""):
            if type(value) is not int or not 0 <= value < count:
                raise _invalid(path, f"animations.{number}.{where}", "leads to no sampler")


def _found(value: Any, steps: list[str], where: str) -> Iterator[tuple[str, Any]]:
    """Values that a pattern leads to, each with where it stands."""
    if not steps:
        yield where.lstrip("."), value
        return
    step, rest = steps[0], steps[1:]
    if step == "*":
        pairs: Any = value.items() if isinstance(value, dict) else enumerate(value or ())
        for key, held in pairs:
            yield from _found(held, rest, f"{where}.{key}")
    elif isinstance(value, dict) and value.get(step) is not None:
        yield from _found(value[step], rest, f"{where}.{step}")


def _check_ranges(path: Path, document: Json) -> None:
    """See that views lie in their buffers and accessors in their views."""
    buffers, views = document.get("buffers", []), document.get("bufferViews", [])
    for number, view in enumerate(views):
        end = view.get("byteOffset", 0) + view["byteLength"]
        if end > buffers[view["buffer"]]["byteLength"]:
            raise _invalid(path, f"bufferViews.{number}", "reaches beyond the end of its buffer")
    for number, accessor in enumerate(document.get("accessors", [])):
        if accessor.get("bufferView") is None:
            continue
        view = views[accessor["bufferView"]]
        size = _BYTES[accessor["componentType"]] * _PARTS[accessor["type"]]
        stride = view.get("byteStride") or size
        end = accessor.get("byteOffset", 0) + stride * (accessor["count"] - 1) + size
        if stride < size or end > view["byteLength"]:
            raise _invalid(path, f"accessors.{number}", "reaches beyond the end of its buffer view")


def _check_tree(path: Path, document: Json) -> None:
    """Each node hangs on one other at most, and none on itself; meshes are not placed too often."""
    nodes = document.get("nodes", [])
    above: dict[int, int] = {}
    for number, node in enumerate(nodes):
        for child in node.get("children") or ():
            if child in above:
                raise _invalid(path, f"nodes.{child}", "hangs on two other nodes")
            above[child] = number
    settled: set[int] = set()
    for start in range(len(nodes)):
        way: set[int] = set()
        at: int | None = start
        while at is not None and at not in settled:
            if at in way:
                raise _invalid(path, f"nodes.{at}", "hangs on itself")
            way.add(at)
            at = above.get(at)
        settled |= way
    for number, scene in enumerate(document.get("scenes") or ()):
        for root in scene.get("nodes") or ():
            if root in above:
                raise _invalid(path, f"scenes.{number}", f"names node {root}, which is no root")
    placed = sum(node.get("mesh") is not None for node in nodes)
    if placed > MOST_PLACED:
        raise RibbonsimError(
            f"{path}: its nodes place meshes {placed} times, more than the {MOST_PLACED} that are "
            "read; export the creature alone."
        )
