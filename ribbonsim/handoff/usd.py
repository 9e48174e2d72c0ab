"""USD: the mesh with its polygons, a UsdSkel skeleton, poses as time samples, ribbons as patches.

The stage is one model: a ``SkelRoot`` with the mesh, the skeleton and its animation, and beside
them the ribbons as ``NurbsPatch`` prims of purpose ``guide`` that move along. Motions stand one
after another on one time line, since a skeleton plays one animation; where each begins, holds
its pose and ends is written into the layer's custom data.

References
----------
OpenUSD, "UsdSkel: skeleton schema and API": joints are ordered parents first, matrices act on
row vectors, scales of animations have half precision. The order of a patch's control points, u
fastest, is that of OpenUSD's own drawing code (``usdImaging/nurbsPatchAdapter.cpp``).
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ribbonsim.bundle import Bundle
from ribbonsim.checks import check_choice
from ribbonsim.errors import RibbonsimError
from ribbonsim.files import cannot_write
from ribbonsim.handoff.baking import Baked, Motion, Skeleton, bake, chain_order, choose_poses
from ribbonsim.handoff.influences import pack_influences
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.surface import written_ribbons
from ribbonsim.handoff.units import Units
from ribbonsim.mesh import CreatureMesh
from ribbonsim.pose import Pose
from ribbonsim.rig import METHODS, Method, Rig

if TYPE_CHECKING:
    from pxr import Usd, UsdGeom, UsdSkel

Array = NDArray[np.float64]

ENDINGS = (".usda", ".usdc", ".usd")
# What USD takes a unit for where nobody has said (UsdGeom's fallback for metersPerUnit).
_METRES_UNKNOWN = 0.01
# Frames of rest before each motion.
_PAUSE = 6.0


def export_usd(
    rig: Rig,
    path: str | os.PathLike[str],
    poses: Mapping[str, Pose] | Sequence[str] | None = None,
    motions: Mapping[str, Motion | Sequence[Pose]] | None = None,
    *,
    units: Units | None = None,
    method: Method = "linear",
    seconds: float = 1.0,
    frames_a_second: float = 24.0,
    force: bool = False,
) -> Path:
    """Write the rig as a USD file.

    Parameters
    ----------
    rig : Rig
    path : path
        ``.usda`` is written as text, ``.usdc`` and ``.usd`` as binary. Its folder is made if it
        is not there.
    poses : mapping of str to Pose, sequence of str, or None
        Each becomes a motion from rest to the pose, reached after ``seconds``, and back: poses
        by name; names of kept and test poses; or, if None, all of those.
    motions : mapping of str to Motion or sequence of Pose, optional
        Further ones; poses in sequence stand ``frames_a_second`` apart.
    units : Units, optional
        What to convert to; numbers stay as they are if left out.
    method : {"linear", "dual_quaternion"}
        What the motions are to look like when a program blends linearly, as UsdSkel is told to
        here. The second takes a while to fit and cannot be told exactly.
    seconds : float
        From rest to a pose.
    frames_a_second : float
        Of the time line, too.
    force : bool
        Replace a file that is there.

    Returns
    -------
    Path

    Raises
    ------
    RibbonsimError
        If usd-core is not installed, an argument cannot be used, the file is there already and
        ``force`` is off, or it cannot be written.
    """
    target = Path(path)
    check_usd()
    check_choice(f"the ending of {target.name!r}", target.suffix.lower(), ENDINGS)
    check_choice("method", method, METHODS)
    with Bundle(target.parent, force) as bundle:
        bundle.claim([target.name])
        every = [
            Motion.there_and_back(name, pose, seconds, frames_a_second)
            for name, pose in choose_poses(rig, poses).items()
        ]
        every += [
            one if isinstance(one, Motion) else Motion.sequence(name, one, frames_a_second)
            for name, one in (motions or {}).items()
        ]
        stage = make_stage(rig, every, units or Units(), method, frames_a_second)
        bundle.write({target.name: _encoded(stage, target)})
    return target


def check_usd() -> None:
    """See that USD's library is there.

    Raises
    ------
    RibbonsimError
        If it is not.
    """
    try:
        import pxr.UsdSkel  # noqa: F401
    except ImportError as error:
        raise RibbonsimError(
            "USD cannot be written, as usd-core is not installed: "
            "install it with pip install 'ribbonsim[handoff]', or leave usd out"
        ) from error


def _encoded(stage: Usd.Stage, target: Path) -> bytes:
    """The stage as it stands in a file of that name."""
    layer = stage.GetRootLayer()
    if target.suffix.lower() == ".usda":
        return layer.ExportToString().encode()
    try:
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "scene.usdc"
            if not layer.Export(str(file)):
                raise RibbonsimError(f"{target} could not be encoded: choose another ending")
            return file.read_bytes()
    except OSError as error:
        raise RibbonsimError(cannot_write(target, error)) from error


# -- the stage -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Span:
    """A motion's place on the time line, in frames."""

    motion: Motion
    frames: Array


@dataclass(frozen=True, eq=False)
class _Bones:
    """The joints as UsdSkel lists them: chain nodes, parents first, then skin nodes.

    ``order`` are the columns of the rig's weights that the chain nodes stand for.
    """

    skeleton: Skeleton
    order: list[int]
    paths: list[str]
    labels: list[str]

    @classmethod
    def of(cls, skeleton: Skeleton) -> _Bones:
        order = chain_order(skeleton.parents)
        paths: dict[int, str] = {}
        for i in order:
            parent = skeleton.parents[i]
            above = "" if parent is None else f"{paths[parent]}/"
            paths[i] = above + skeleton.names[i]
        skins = [f"{paths[i]}/{name}" for i, name in enumerate(skeleton.skin_names)]
        labels = [*(skeleton.names[i] for i in order), *skeleton.skin_names]
        return cls(skeleton, order, [*(paths[i] for i in order), *skins], labels)


def make_stage(
    rig: Rig,
    motions: Sequence[Motion],
    units: Units,
    method: Method = "linear",
    frames_a_second: float = 24.0,
) -> Usd.Stage:
    """Build the stage in memory.

    Parameters
    ----------
    rig : Rig
    motions : sequence of Motion
    units : Units
    method : {"linear", "dual_quaternion"}
    frames_a_second : float

    Returns
    -------
    Usd.Stage
    """
    from pxr import Usd, UsdGeom, UsdSkel

    stage = Usd.Stage.CreateInMemory()
    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.y if units.up_axis == "y" else UsdGeom.Tokens.z)
    metres = _METRES_UNKNOWN if units.metres is None else units.metres
    UsdGeom.SetStageMetersPerUnit(stage, metres)
    spans = _line_up(motions, frames_a_second)
    _set_time(stage, spans, frames_a_second)
    stage.GetRootLayer().comment = f"Made by ribbonsim. {units.sentence()}"
    name = unique_names([rig.mesh.name])[0]
    model = UsdSkel.Root.Define(stage, f"/{name}")
    stage.SetDefaultPrim(model.GetPrim())
    Usd.ModelAPI(model.GetPrim()).SetKind("component")
    bones = _Bones.of(Skeleton.of(rig, units))
    skin = _write_mesh(stage, f"/{name}/skin", rig.mesh, units)
    skeleton = _write_skeleton(stage, f"/{name}/skeleton", bones)
    rest = bake(rig, bones.skeleton, [Pose()])
    baked = [bake(rig, bones.skeleton, span.motion.poses, method) for span in spans]
    animation = _write_animation(stage, f"/{name}/skeleton/motions", bones, rest)
    _write_keys(animation, bones, zip(spans, baked, strict=True))
    binding = UsdSkel.BindingAPI.Apply(skeleton.GetPrim())
    binding.CreateAnimationSourceRel().SetTargets([animation.GetPath()])
    _bind(skin, skeleton, rig)
    _write_ribbons(stage, f"/{name}/ribbons", rig, spans, units)
    _write_extents(model, spans)
    return stage


def _line_up(motions: Sequence[Motion], frames_a_second: float) -> list[_Span]:
    """Motions one after another on whole frames, a pause of rest before each."""
    spans, start = [], _PAUSE
    for motion in motions:
        frames = start + frames_a_second * np.asarray(motion.times)
        spans.append(_Span(motion, frames))
        start = float(np.ceil(frames[-1])) + _PAUSE
    return spans


def _set_time(stage: Usd.Stage, spans: Sequence[_Span], frames_a_second: float) -> None:
    from pxr import Vt

    stage.SetTimeCodesPerSecond(frames_a_second)
    stage.SetFramesPerSecond(frames_a_second)
    stage.SetStartTimeCode(0.0)
    stage.SetEndTimeCode(spans[-1].frames[-1] if spans else 0.0)
    marks = {
        "names": Vt.StringArray([span.motion.name for span in spans]),
        "first": Vt.DoubleArray([float(span.frames[0]) for span in spans]),
        "middle": Vt.DoubleArray([float(span.frames[len(span.frames) // 2]) for span in spans]),
        "last": Vt.DoubleArray([float(span.frames[-1]) for span in spans]),
    }
    stage.GetRootLayer().customLayerData = {"motions": marks}


# -- mesh ----------------------------------------------------------------------------------------


def _write_mesh(stage: Usd.Stage, path: str, mesh: CreatureMesh, units: Units) -> UsdGeom.Mesh:
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


def _write_skeleton(stage: Usd.Stage, path: str, bones: _Bones) -> UsdSkel.Skeleton:
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


def _write_animation(stage: Usd.Stage, path: str, bones: _Bones, rest: Baked) -> UsdSkel.Animation:
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


def _write_keys(
    animation: UsdSkel.Animation, bones: _Bones, spans: Iterable[tuple[_Span, Baked]]
) -> None:
    attributes = (
        animation.GetTranslationsAttr(),
        animation.GetRotationsAttr(),
        animation.GetScalesAttr(),
    )
    for span, baked in spans:
        for k, frame in enumerate(span.frames.tolist()):
            for attribute, value in zip(attributes, _keys(baked, bones, k), strict=True):
                attribute.Set(value, frame)


def _keys(baked: Baked, bones: _Bones, k: int) -> tuple[Any, Any, Any]:
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


def _bind(skin: UsdGeom.Mesh, skeleton: UsdSkel.Skeleton, rig: Rig) -> None:
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


def _write_ribbons(
    stage: Usd.Stage, path: str, rig: Rig, spans: Sequence[_Span], units: Units
) -> None:
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
        for frame, pose in zip(span.frames.tolist(), span.motion.poses, strict=True):
            posed = rig.pose_ribbons(pose).values()
            for patch, ribbon in zip(patches, posed, strict=True):
                _set_points(patch, units.points(ribbon.control_points), frame)


def _set_points(patch: UsdGeom.NurbsPatch, control_points: Array, frame: float | None) -> None:
    from pxr import Usd, Vt

    points = control_points.reshape(-1, 3).astype(np.float32)
    time = Usd.TimeCode.Default() if frame is None else Usd.TimeCode(frame)
    patch.CreatePointsAttr().Set(Vt.Vec3fArray.FromNumpy(points), time)
    patch.CreateExtentAttr().Set(_extent(points), time)


def _write_extents(model: UsdSkel.Root, spans: Sequence[_Span]) -> None:
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
