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
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ribbonsim.checks import check_choice
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import Bundle
from ribbonsim.handoff.baking import Skeleton, bake
from ribbonsim.handoff.clips import Clip, clips_of
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.usd_prims import (
    Bones,
    Span,
    bind_skin,
    write_animation,
    write_extents,
    write_keys,
    write_mesh,
    write_ribbons,
    write_skeleton,
)
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import METHODS, Method, Rig

if TYPE_CHECKING:
    from pxr import Usd

ENDINGS = (".usda", ".usdc", ".usd")
# What USD takes a unit for where nobody has said (UsdGeom's fallback for metersPerUnit).
_METRES_UNKNOWN = 0.01
# Frames of rest before each motion.
_PAUSE = 6.0


def export_usd(
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
    clips : mapping of str to Clip or sequence of Pose, optional
        Further ones; poses in sequence stand ``frames_a_second`` apart.
    units : Units, optional
        What to convert to; numbers stay as they are if left out.
    method : {"linear", "dual_quaternion"}
        What the motions are to look like when a program blends linearly, as UsdSkel is set to
        here. The second takes a while to fit and is not exact.
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
        every = clips_of(rig, poses, clips, seconds, frames_a_second)
        stage = make_stage(rig, every, units or Units(up=rig.layout.up), method, frames_a_second)
        bundle.write({target.name: _encoded(stage, target, bundle.scratch)})
    return target


def check_usd() -> None:
    """See that USD's library is there."""
    try:
        import pxr.UsdSkel  # noqa: F401
    except ImportError as error:
        raise RibbonsimError(
            "USD cannot be written, as usd-core is not installed: "
            "install it with pip install 'ribbonsim[handoff]', or leave usd out"
        ) from error


def _encoded(stage: Usd.Stage, target: Path, scratch: Path) -> bytes:
    """The stage as it stands in a file of that name."""
    layer = stage.GetRootLayer()
    if target.suffix.lower() == ".usda":
        return layer.ExportToString().encode()
    from pxr import Tf

    file = scratch / "scene.usdc"
    try:
        done = layer.Export(str(file))
    except Tf.ErrorException:
        done = False
    if not done:
        raise RibbonsimError(f"{target} could not be encoded: free some space, or end it in .usda")
    return file.read_bytes()


# -- the stage -----------------------------------------------------------------------------------


def make_stage(
    rig: Rig,
    clips: Sequence[Clip],
    units: Units,
    method: Method = "linear",
    frames_a_second: float = 24.0,
) -> Usd.Stage:
    """Build the stage in memory."""
    from pxr import Gf, Usd, UsdGeom, UsdSkel

    units = units.about(rig.mesh)
    stage = Usd.Stage.CreateInMemory()
    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.y if units.up_axis == "y" else UsdGeom.Tokens.z)
    metres = _METRES_UNKNOWN if units.metres is None else units.metres
    UsdGeom.SetStageMetersPerUnit(stage, metres)
    spans = _line_up(clips, frames_a_second)
    _set_time(stage, spans, frames_a_second)
    stage.GetRootLayer().comment = f"Made by ribbonsim. {units.sentence()}"
    name = unique_names([rig.mesh.name])[0]
    model = UsdSkel.Root.Define(stage, f"/{name}")
    stage.SetDefaultPrim(model.GetPrim())
    Usd.ModelAPI(model.GetPrim()).SetKind("component")
    if any(units.origin):
        model.AddTranslateOp().Set(Gf.Vec3d(*units.offset.tolist()))
    bones = Bones.of(Skeleton.of(rig, units))
    skin = write_mesh(stage, f"/{name}/skin", rig.mesh, units)
    skeleton = write_skeleton(stage, f"/{name}/skeleton", bones)
    rest = bake(rig, bones.skeleton, [Pose()])
    baked = [bake(rig, bones.skeleton, span.clip.poses, method) for span in spans]
    animation = write_animation(stage, f"/{name}/skeleton/motions", bones, rest)
    write_keys(animation, bones, zip(spans, baked, strict=True))
    binding = UsdSkel.BindingAPI.Apply(skeleton.GetPrim())
    binding.CreateAnimationSourceRel().SetTargets([animation.GetPath()])
    bind_skin(skin, skeleton, rig)
    write_ribbons(stage, f"/{name}/ribbons", rig, spans, units)
    write_extents(model, spans)
    return stage


def _line_up(clips: Sequence[Clip], frames_a_second: float) -> list[Span]:
    """Clips one after another on whole frames, a pause of rest before each."""
    spans, start = [], _PAUSE
    for clip in clips:
        frames = start + frames_a_second * np.asarray(clip.times)
        spans.append(Span(clip, frames))
        start = float(np.ceil(frames[-1])) + _PAUSE
    return spans


def _set_time(stage: Usd.Stage, spans: Sequence[Span], frames_a_second: float) -> None:
    from pxr import Vt

    stage.SetTimeCodesPerSecond(frames_a_second)
    stage.SetFramesPerSecond(frames_a_second)
    stage.SetStartTimeCode(0.0)
    stage.SetEndTimeCode(spans[-1].frames[-1] if spans else 0.0)
    marks = {
        "names": Vt.StringArray([span.clip.name for span in spans]),
        "notes": Vt.StringArray([span.clip.note for span in spans]),
        "first": Vt.DoubleArray([float(span.frames[0]) for span in spans]),
        "middle": Vt.DoubleArray([float(span.frames[len(span.frames) // 2]) for span in spans]),
        "last": Vt.DoubleArray([float(span.frames[-1]) for span in spans]),
    }
    stage.GetRootLayer().customLayerData = {"motions": marks}
