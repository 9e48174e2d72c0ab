"""ribbonsim: does a long soft creature bend right on a ribbon?

Controls move a ribbon, the ribbon carries joints, the joints carry the skin; everything is
judged by how the skin bends. Public names are loaded when they are first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ribbonsim.appendages import Appendage, Tie
    from ribbonsim.bendcheck.compare import Comparison, compare
    from ribbonsim.bendcheck.report import Report, check
    from ribbonsim.errors import RibbonsimError
    from ribbonsim.find_limbs import find_appendages, find_on_appendage, propose_appendage
    from ribbonsim.guide import find_guide
    from ribbonsim.handoff.baking import Motion
    from ribbonsim.handoff.build_sheet import BuildSheet, build_sheet
    from ribbonsim.handoff.gltf import export_gltf
    from ribbonsim.handoff.posed_meshes import export_posed_meshes
    from ribbonsim.handoff.surface import export_surface
    from ribbonsim.handoff.tables import export_tables
    from ribbonsim.handoff.turntable_motion import turntable_motion
    from ribbonsim.handoff.units import Units
    from ribbonsim.handoff.usd import export_usd
    from ribbonsim.handoff.whole import Handoff, hand_off
    from ribbonsim.layout import Control, ControlWeights, Layout, MeshWeights
    from ribbonsim.limits import Limits
    from ribbonsim.mesh import CreatureMesh, edge_loop, load_mesh, loop_centre
    from ribbonsim.mirror import mirror_layout, pair_appendages
    from ribbonsim.panel.compare_panel import ComparePanel
    from ribbonsim.panel.panel import Panel
    from ribbonsim.plane import find_plane
    from ribbonsim.pose import ControlPose, Pose
    from ribbonsim.review import ReviewPage, review_page
    from ribbonsim.ribbon import Ribbon
    from ribbonsim.rig import Rig, bind
    from ribbonsim.sheets import ContactSheet, contact_sheet
    from ribbonsim.targets import TEST_POSES, Target, make_target
    from ribbonsim.turning import Turntable, turntable
    from ribbonsim.view.motion import CameraPath
    from ribbonsim.view.slate import Slate
    from ribbonsim.view.studio import Look

_HOMES = {
    "RibbonsimError": "errors",
    "CreatureMesh": "mesh",
    "load_mesh": "mesh",
    "edge_loop": "mesh",
    "loop_centre": "mesh",
    "find_guide": "guide",
    "BuildSheet": "handoff.build_sheet",
    "build_sheet": "handoff.build_sheet",
    "export_surface": "handoff.surface",
    "export_usd": "handoff.usd",
    "Handoff": "handoff.whole",
    "hand_off": "handoff.whole",
    "turntable_motion": "handoff.turntable_motion",
    "Ribbon": "ribbon",
    "Control": "layout",
    "ControlWeights": "layout",
    "MeshWeights": "layout",
    "Layout": "layout",
    "ControlPose": "pose",
    "Pose": "pose",
    "Rig": "rig",
    "bind": "rig",
    "TEST_POSES": "targets",
    "Target": "targets",
    "make_target": "targets",
    "Limits": "limits",
    "Report": "bendcheck.report",
    "check": "bendcheck.report",
    "Comparison": "bendcheck.compare",
    "compare": "bendcheck.compare",
    "Motion": "handoff.baking",
    "Units": "handoff.units",
    "export_gltf": "handoff.gltf",
    "export_posed_meshes": "handoff.posed_meshes",
    "export_tables": "handoff.tables",
    "Appendage": "appendages",
    "Tie": "appendages",
    "find_appendages": "find_limbs",
    "find_on_appendage": "find_limbs",
    "propose_appendage": "find_limbs",
    "find_plane": "plane",
    "pair_appendages": "mirror",
    "mirror_layout": "mirror",
    "ComparePanel": "panel.compare_panel",
    "ContactSheet": "sheets",
    "contact_sheet": "sheets",
    "ReviewPage": "review",
    "review_page": "review",
    "CameraPath": "view.motion",
    "Look": "view.studio",
    "Slate": "view.slate",
    "Turntable": "turning",
    "turntable": "turning",
    "Panel": "panel.panel",
}

__all__ = [
    "TEST_POSES",
    "Appendage",
    "BuildSheet",
    "CameraPath",
    "ComparePanel",
    "Comparison",
    "ContactSheet",
    "Control",
    "ControlPose",
    "ControlWeights",
    "CreatureMesh",
    "Handoff",
    "Layout",
    "Limits",
    "Look",
    "MeshWeights",
    "Motion",
    "Panel",
    "Pose",
    "Report",
    "ReviewPage",
    "Ribbon",
    "RibbonsimError",
    "Rig",
    "Slate",
    "Target",
    "Tie",
    "Turntable",
    "Units",
    "bind",
    "build_sheet",
    "check",
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
    "pair_appendages",
    "propose_appendage",
    "review_page",
    "turntable",
    "turntable_motion",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
