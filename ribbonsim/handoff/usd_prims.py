"""The prims of a USD stage: mesh, skeleton with its animation, ribbons, bounds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array
from ribbonsim.handoff.baking import Baked, Skeleton, chain_order
from ribbonsim.handoff.clips import Clip
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.obj import written_ribbons
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.vertices import pack_influences
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.rig import Rig

if TYPE_CHECKING:
    from pxr import Usd, UsdGeom, UsdSkel


@dataclass(frozen=True)
class Span:
    """A clip's place on the time line, in frames."""

    clip: Clip
    frames: Array


@dataclass(frozen=True, eq=False)
class Bones:
    """The joints as UsdSkel lists them: chain nodes, parents first, then skin nodes.

    ``order`` are the columns of the rig's weights that the chain nodes stand for.
    """

    skeleton: Skeleton
    order: list[int]
    paths: list[str]
    labels: list[str]

    @classmethod
    def of(cls, skeleton: Skeleton) -> Bones:
        """List the joints of a skeleton."""
        order = chain_order(skeleton.parents)
        paths: dict[int, str] = {}
        for i in order:
            parent = skeleton.parents[i]
            above = "" if parent is None else f"{paths[parent]}/"
            paths[i] = above + skeleton.names[i]
        skins = [f"{paths[i]}/{name}" for i, name in enumerate(skeleton.skin_names)]
        labels = [*(skeleton.names[i] for i in order), *skeleton.skin_names]
        return cls(skeleton, order, [*(paths[i] for i in order), *skins], labels)


# -- mesh ----------------------------------------------------------------------------------------


def write_mesh(stage: Usd.Stage, path: str, mesh: CreatureMesh, units: Units) -> UsdGeom.Mesh:
    """The mesh at rest with its polygons, normals, texture coordinates and groups."""
    from pxr import UsdGeom, Vt

    made = UsdGeom.Mesh.Define(stage, path)
    points = units.points(mesh.positions).astype(np.float32)
    made.CreatePointsAttr(Vt.Vec3fArray.FromNumpy(points))
    made.CreateExtentAttr(_extent(points))
    counts = np.diff(mesh.polygon_offsets)
    made.CreateFaceVertexCountsAttr(_ints(counts))
    made.CreateFaceVertexIndicesAttr(_ints(mesh.corner_vertices))
    # the polygons as they are: no surface that is drawn otherwise than it was judged
    made.CreateSubdivisionSchemeAttr(UsdGeom.Tokens.none)
    _write_normals(made, mesh, units)
    _write_primvars(made, mesh)
    families = (
        ("group", mesh.group_names, mesh.polygon_groups),
        ("object", mesh.object_names, mesh.polygon_objects),
    )
    for family, names, which in families:
        if len(names) > 1:
            _write_subsets(made, family, names, which)
    return made


def _write_normals(made: UsdGeom.Mesh, mesh: CreatureMesh, units: Units) -> None:
    """The file's normals if every corner has one, else smooth ones of the vertices."""
    from pxr import UsdGeom, Vt

    corners = mesh.corner_normals
    if mesh.normals is not None and corners is not None and (corners >= 0).all():
        values, interpolation = mesh.normals[corners], UsdGeom.Tokens.faceVarying
    else:
        values, interpolation = mesh.vertex_normals, UsdGeom.Tokens.vertex
    turned = units.directions(values).astype(np.float32)
    made.CreateNormalsAttr(Vt.Vec3fArray.FromNumpy(turned))
    made.SetNormalsInterpolation(interpolation)


def _write_primvars(made: UsdGeom.Mesh, mesh: CreatureMesh) -> None:
    """Texture coordinates with the file's own indices, so that seams stay seams; colours."""
    from pxr import Sdf, UsdGeom, Vt

    primvars = UsdGeom.PrimvarsAPI(made)
    corners = mesh.corner_texcoords
    if mesh.texcoords is not None and corners is not None:
        values = np.asarray(mesh.texcoords, dtype=np.float32)
        if (corners < 0).any():  # a corner without one takes one that says nothing
            corners = np.where(corners < 0, len(values), corners)
            values = np.vstack([values, np.zeros((1, 2), dtype=np.float32)])
        st = primvars.CreatePrimvar(
            "st", Sdf.ValueTypeNames.TexCoord2fArray, UsdGeom.Tokens.faceVarying
        )
        st.Set(Vt.Vec2fArray.FromNumpy(np.ascontiguousarray(values)))
        st.SetIndices(_ints(corners))
    if mesh.colours is not None:
        colour = made.CreateDisplayColorPrimvar(UsdGeom.Tokens.vertex)
        colour.Set(Vt.Vec3fArray.FromNumpy(np.asarray(mesh.colours, dtype=np.float32)))


def _write_subsets(
    made: UsdGeom.Mesh, family: str, names: Sequence[str], which: NDArray[np.int64]
) -> None:
    from pxr import UsdGeom

    safe = unique_names(f"{family}_{name}" for name in names)
    for number, (name, label) in enumerate(zip(safe, names, strict=True)):
        polygons = np.flatnonzero(which == number)
        subset = UsdGeom.Subset.CreateGeomSubset(
            made, name, UsdGeom.Tokens.face, _ints(polygons), family
        )
        subset.GetPrim().SetDisplayName(label)
    UsdGeom.Subset.SetFamilyType(made, family, UsdGeom.Tokens.partition)


# -- skeleton and motion -------------------------------------------------------------------------


def write_skeleton(stage: Usd.Stage, path: str, bones: Bones) -> UsdSkel.Skeleton:
    """The skeleton at rest."""
    from pxr import UsdSkel, Vt

    skeleton = bones.skeleton
    count = len(skeleton.names)
    made = UsdSkel.Skeleton.Define(stage, path)
    made.CreateJointsAttr(Vt.TokenArray(bones.paths))
    made.CreateJointNamesAttr(Vt.TokenArray(bones.labels))
    chain, still = skeleton.rest[bones.order], np.broadcast_to(np.eye(4), (count, 4, 4))
    local = skeleton.local(skeleton.rest)[bones.order]
    made.CreateBindTransformsAttr(_matrices(np.concatenate([chain, skeleton.rest])))
    made.CreateRestTransformsAttr(_matrices(np.concatenate([local, still])))
    return made


def write_animation(stage: Usd.Stage, path: str, bones: Bones, rest: Baked) -> UsdSkel.Animation:
    """The animation with its rest, both as what holds without a time and at frame 0."""
    from pxr import UsdSkel, Vt

    made = UsdSkel.Animation.Define(stage, path)
    made.CreateJointsAttr(Vt.TokenArray(bones.paths))
    for create, value in zip(
        (made.CreateTranslationsAttr, made.CreateRotationsAttr, made.CreateScalesAttr),
        _keys(rest, bones, 0),
        strict=True,
    ):
        attribute = create()
        attribute.Set(value)
        attribute.Set(value, 0.0)
    return made


def write_keys(
    animation: UsdSkel.Animation, bones: Bones, spans: Iterable[tuple[Span, Baked]]
) -> None:
    """The keys of all clips, each in its place on the time line."""
    attributes = (
        animation.GetTranslationsAttr(),
        animation.GetRotationsAttr(),
        animation.GetScalesAttr(),
    )
    for span, baked in spans:
        for k, frame in enumerate(span.frames.tolist()):
            for attribute, value in zip(attributes, _keys(baked, bones, k), strict=True):
                attribute.Set(value, frame)


def _keys(baked: Baked, bones: Bones, k: int) -> tuple[Any, Any, Any]:
    """Translations, rotations and scales of all joints at a key, in USD's types."""
    from pxr import Vt

    count = len(bones.order)
    translations = np.zeros((2 * count, 3), dtype=np.float32)
    rotations = np.zeros((2 * count, 4), dtype=np.float32)
    scales = np.ones((2 * count, 3), dtype=np.float16)
    translations[:count] = baked.translations[k, bones.order]
    rotations[:, 3] = 1.0  # x, y, z, w, as USD lays quaternions out
    rotations[:count] = baked.rotations[k, bones.order]
    scales[count:] = baked.scales[k]
    return (
        Vt.Vec3fArray.FromNumpy(translations),
        Vt.QuatfArray.FromNumpy(rotations),
        Vt.Vec3hArray.FromNumpy(scales),
    )


def bind_skin(skin: UsdGeom.Mesh, skeleton: UsdSkel.Skeleton, rig: Rig) -> None:
    """Bind the mesh to the skin nodes by the rig's weights."""
    from pxr import Gf, UsdSkel, Vt

    packed = pack_influences(rig.mesh_weights)
    # of the sets of four, what no vertex needs is left out
    width = max(1, int((packed.weights > 0).sum(axis=1).max()))
    binding = UsdSkel.BindingAPI.Apply(skin.GetPrim())
    binding.CreateSkeletonRel().SetTargets([skeleton.GetPath()])
    binding.CreateGeomBindTransformAttr(Gf.Matrix4d(1.0))
    binding.CreateSkinningMethodAttr(UsdSkel.Tokens.classicLinear)
    # skin nodes stand behind the chain nodes in the skeleton's list
    held = packed.joints[:, :width].ravel() + len(rig.joint_names)
    binding.CreateJointIndicesPrimvar(False, width).Set(_ints(held))
    flat = np.ascontiguousarray(packed.weights[:, :width].ravel())
    binding.CreateJointWeightsPrimvar(False, width).Set(Vt.FloatArray.FromNumpy(flat))


# -- ribbons and bounds --------------------------------------------------------------------------


def write_ribbons(
    stage: Usd.Stage, path: str, rig: Rig, spans: Sequence[Span], units: Units
) -> None:
    """The ribbons as spline patches that move along."""
    from pxr import UsdGeom, Vt

    UsdGeom.Scope.Define(stage, path)
    patches = []
    for name, ribbon in written_ribbons(rig, units).items():
        patch = UsdGeom.NurbsPatch.Define(stage, f"{path}/{name}")
        patch.CreatePurposeAttr(UsdGeom.Tokens.guide)
        patch.CreateDoubleSidedAttr(True)
        patch.CreateUVertexCountAttr(2)
        patch.CreateVVertexCountAttr(len(ribbon.control_points))
        patch.CreateUOrderAttr(2)
        patch.CreateVOrderAttr(ribbon.degree + 1)
        patch.CreateUKnotsAttr(Vt.DoubleArray([0.0, 0.0, 1.0, 1.0]))
        patch.CreateVKnotsAttr(Vt.DoubleArray.FromNumpy(np.array(ribbon.knots)))
        _set_points(patch, ribbon.control_points, None)
        patches.append(patch)
    for span in spans:
        for frame, pose in zip(span.frames.tolist(), span.clip.poses, strict=True):
            posed = rig.pose_ribbons(pose).values()
            for patch, ribbon in zip(patches, posed, strict=True):
                _set_points(patch, units.points(ribbon.control_points), frame)


def _set_points(patch: UsdGeom.NurbsPatch, control_points: Array, frame: float | None) -> None:
    from pxr import Usd, Vt

    points = control_points.reshape(-1, 3).astype(np.float32)
    time = Usd.TimeCode.Default() if frame is None else Usd.TimeCode(frame)
    patch.CreatePointsAttr().Set(Vt.Vec3fArray.FromNumpy(points), time)
    patch.CreateExtentAttr().Set(_extent(points), time)


def write_extents(model: UsdSkel.Root, spans: Sequence[Span]) -> None:
    """Bounds of the posed model over time, as USD itself finds them from its joints."""
    from pxr import Usd, UsdGeom

    extent = model.CreateExtentAttr()
    times = [Usd.TimeCode.Default()]
    times += [Usd.TimeCode(frame) for span in spans for frame in span.frames.tolist()]
    for time in times:
        found = UsdGeom.Boundable.ComputeExtentFromPlugins(model, time)
        if found:
            extent.Set(found, time)


def _extent(points: NDArray[np.float32]) -> Any:
    from pxr import Vt

    ends = np.stack([points.min(axis=0), points.max(axis=0)])
    return Vt.Vec3fArray.FromNumpy(np.ascontiguousarray(ends))


def _ints(values: NDArray[np.integer]) -> Any:
    from pxr import Vt

    return Vt.IntArray.FromNumpy(np.ascontiguousarray(values, dtype=np.int32))


def _matrices(frames: Array) -> Any:
    """USD's matrices act on row vectors, so they are the transposes of ours."""
    from pxr import Vt

    return Vt.Matrix4dArray.FromNumpy(np.ascontiguousarray(frames.transpose(0, 2, 1)))
