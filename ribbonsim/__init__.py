"""ribbonsim: does a long soft creature bend right on a ribbon?

Controls move a ribbon, the ribbon carries joints, the joints carry the skin; everything is
judged by how the skin bends. Public names are loaded when they are first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ribbonsim.bendcheck.compare import Comparison, compare
    from ribbonsim.bendcheck.over_time import MotionReport, check_motions, worst_moments
    from ribbonsim.bendcheck.report import Report, check
    from ribbonsim.body.guide import find_guide
    from ribbonsim.body.plane import find_plane
    from ribbonsim.body.propose import find_appendages, find_on_appendage, propose_appendage
    from ribbonsim.curves.ribbon import Ribbon
    from ribbonsim.errors import RibbonsimError
    from ribbonsim.handoff.clips import Clip, motion_clip, turntable_clip
    from ribbonsim.handoff.gltf import export_gltf
    from ribbonsim.handoff.obj import export_posed_meshes, export_surface
    from ribbonsim.handoff.sheet.build_sheet import BuildSheet, build_sheet
    from ribbonsim.handoff.tables import export_tables
    from ribbonsim.handoff.units import Units
    from ribbonsim.handoff.usd import export_usd
    from ribbonsim.handoff.whole import Handoff, hand_off
    from ribbonsim.layout.appendages import Appendage, Tie
    from ribbonsim.layout.layout import Layout
    from ribbonsim.layout.limits import Limits
    from ribbonsim.layout.motions import MOTIONS, Motion, OwnMotion
    from ribbonsim.layout.pose import ControlPose, Pose
    from ribbonsim.layout.settings import Control, ControlWeights, MeshWeights
    from ribbonsim.layout.targets import TEST_POSES, Target, make_target
    from ribbonsim.mesh.creature import CreatureMesh
    from ribbonsim.mesh.load import load_mesh
    from ribbonsim.mesh.loops import edge_loop, loop_centre
    from ribbonsim.pages.review_page import ReviewPage, review_page
    from ribbonsim.panel.compare_panel import ComparePanel
    from ribbonsim.panel.panel import Panel
    from ribbonsim.placing.result import Suggestion
    from ribbonsim.placing.suggest import suggest
    from ribbonsim.placing.sweep import Sweep, sweep
    from ribbonsim.rig.bind import bind
    from ribbonsim.rig.mirror import mirror_layout, pair_appendages
    from ribbonsim.rig.rig import Rig
    from ribbonsim.rig.take import Instant, Take
    from ribbonsim.show.contact_sheet import ContactSheet, contact_sheet
    from ribbonsim.show.moves import CameraPath
    from ribbonsim.show.slate import Slate
    from ribbonsim.show.studio import Look
    from ribbonsim.show.turntable import Turntable, turntable

_HOMES = {
    "RibbonsimError": "errors",
    "CreatureMesh": "mesh.creature",
    "load_mesh": "mesh.load",
    "edge_loop": "mesh.loops",
    "loop_centre": "mesh.loops",
    "find_guide": "body.guide",
    "BuildSheet": "handoff.sheet.build_sheet",
    "build_sheet": "handoff.sheet.build_sheet",
    "export_surface": "handoff.obj",
    "export_usd": "handoff.usd",
    "Handoff": "handoff.whole",
    "hand_off": "handoff.whole",
    "turntable_clip": "handoff.clips",
    "motion_clip": "handoff.clips",
    "Ribbon": "curves.ribbon",
    "Control": "layout.settings",
    "ControlWeights": "layout.settings",
    "MeshWeights": "layout.settings",
    "Layout": "layout.layout",
    "ControlPose": "layout.pose",
    "Pose": "layout.pose",
    "Rig": "rig.rig",
    "bind": "rig.bind",
    "TEST_POSES": "layout.targets",
    "Target": "layout.targets",
    "make_target": "layout.targets",
    "Limits": "layout.limits",
    "MOTIONS": "layout.motions",
    "MotionReport": "bendcheck.over_time",
    "check_motions": "bendcheck.over_time",
    "worst_moments": "bendcheck.over_time",
    "Motion": "layout.motions",
    "OwnMotion": "layout.motions",
    "Take": "rig.take",
    "Instant": "rig.take",
    "Report": "bendcheck.report",
    "check": "bendcheck.report",
    "Comparison": "bendcheck.compare",
    "compare": "bendcheck.compare",
    "Clip": "handoff.clips",
    "Units": "handoff.units",
    "export_gltf": "handoff.gltf",
    "export_posed_meshes": "handoff.obj",
    "export_tables": "handoff.tables",
    "Suggestion": "placing.result",
    "suggest": "placing.suggest",
    "Sweep": "placing.sweep",
    "sweep": "placing.sweep",
    "Appendage": "layout.appendages",
    "Tie": "layout.appendages",
    "find_appendages": "body.propose",
    "find_on_appendage": "body.propose",
    "propose_appendage": "body.propose",
    "find_plane": "body.plane",
    "pair_appendages": "rig.mirror",
    "mirror_layout": "rig.mirror",
    "ComparePanel": "panel.compare_panel",
    "ContactSheet": "show.contact_sheet",
    "contact_sheet": "show.contact_sheet",
    "ReviewPage": "pages.review_page",
    "review_page": "pages.review_page",
    "CameraPath": "show.moves",
    "Look": "show.studio",
    "Slate": "show.slate",
    "Turntable": "show.turntable",
    "turntable": "show.turntable",
    "Panel": "panel.panel",
}

__all__ = [
    "MOTIONS",
    "TEST_POSES",
    "Appendage",
    "BuildSheet",
    "CameraPath",
    "Clip",
    "ComparePanel",
    "Comparison",
    "ContactSheet",
    "Control",
    "ControlPose",
    "ControlWeights",
    "CreatureMesh",
    "Handoff",
    "Instant",
    "Layout",
    "Limits",
    "Look",
    "MeshWeights",
    "Motion",
    "MotionReport",
    "OwnMotion",
    "Panel",
    "Pose",
    "Report",
    "ReviewPage",
    "Ribbon",
    "RibbonsimError",
    "Rig",
    "Slate",
    "Suggestion",
    "Sweep",
    "Take",
    "Target",
    "Tie",
    "Turntable",
    "Units",
    "bind",
    "build_sheet",
    "check",
    "check_motions",
    "compare",
    "contact_sheet",
    "edge_loop",
    "export_gltf",
    "export_posed_meshes",
    "export_surface",
    "export_tables",
    "export_usd",
    "find_appendages",
    "find_guide",
    "find_on_appendage",
    "find_plane",
    "hand_off",
    "load_mesh",
    "loop_centre",
    "make_target",
    "mirror_layout",
    "motion_clip",
    "pair_appendages",
    "propose_appendage",
    "review_page",
    "suggest",
    "sweep",
    "turntable",
    "turntable_clip",
    "worst_moments",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
