"""Everything about a rig as plain numbers and names, fit for JSON.

Vertices, joints, stations and control points count from 1, as vertices do in an OBJ file.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.files.stamp import version
from ribbonsim.handoff.baking import Skeleton
from ribbonsim.handoff.live import pieces_of, stretch_table
from ribbonsim.handoff.record_schema import FORMAT, FORMAT_VERSION
from ribbonsim.handoff.units import Units
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.joined import tie_seats
from ribbonsim.rig.rig import Rig

Json = dict[str, Any]

SCHEMA_FILE = "handoff.schema.json"


def rig_record(rig: Rig, poses: Mapping[str, Pose], units: Units) -> Json:
    """Write down a rig, as :class:`RigRecord` describes it."""
    mesh = rig.mesh
    vertex, joint = np.nonzero(rig.mesh_weights)
    return {
        "$schema": SCHEMA_FILE,
        "format": FORMAT,
        "version": FORMAT_VERSION,
        "generator": f"ribbonsim {version()}",
        "units": {
            "sentence": units.sentence(),
            "unit": units.unit,
            "metres_per_unit": units.metres,
            "up_axis": units.up_axis,
        },
        "mesh": {
            "name": mesh.name,
            "file": Path(mesh.source).name or None,
            "vertices": len(mesh.positions),
            "polygons": len(mesh.polygon_offsets) - 1,
            "positions": units.points(mesh.positions).tolist(),
            "places": (units.factor * rig.places).tolist(),
        },
        "layout": rig.layout.name,
        "drive": rig.layout.drive,
        "ribbons": [
            _ribbon(rig, name, ribbon, units) for name, ribbon in rig.layout.ribbons.items()
        ],
        "joints": _joints(rig),
        "weights": {
            "vertex": (vertex + 1).tolist(),
            "joint": (joint + 1).tolist(),
            "weight": rig.mesh_weights[vertex, joint].tolist(),
        },
        "poses": [_pose(rig, name, pose, units) for name, pose in poses.items()],
    }


def _joints(rig: Rig) -> list[Json]:
    skeleton = Skeleton.of(rig)
    stands = [
        (ribbon, station)
        for ribbon, own in rig.joints_of.items()
        for station in range(1, own.stop - own.start + 1)
    ]
    stands += tie_seats(rig.layout)
    return [
        {
            "number": i + 1,
            "name": name,
            "node": skeleton.names[i],
            "skin_node": skeleton.skin_names[i],
            "parent": None if parent is None else parent + 1,
            "ribbon": ribbon,
            "station": station,
        }
        for i, (name, parent, (ribbon, station)) in enumerate(
            zip(rig.joint_names, rig.joint_parents, stands, strict=True)
        )
    ]


def _ribbon(rig: Rig, name: str, layout: OneRibbon, units: Units) -> Json:
    ribbon, part = layout.ribbon, rig.part(name)
    appendage = None if name == BODY else rig.layout.appendage(name)
    return {
        "name": name,
        "rides_on": None if appendage is None else appendage.rides_on,
        "at": None if appendage is None else appendage.at,
        "degree_along": ribbon.degree,
        "degree_across": 1,
        "length": units.factor * ribbon.length,
        "knots": ribbon.knots.tolist(),
        "control_points": units.points(ribbon.control_points).tolist(),
        "stations": _stations(rig, name, layout, units),
        "controls": _controls(rig, name, layout, units),
        "control_weights": part.surface_weights.tolist(),
        "shares": _shares(rig, name),
    }


def _shares(rig: Rig, ribbon: str) -> Json | None:
    chain = rig.part(ribbon).chain
    if rig.layout.drive != "shares" or chain.root is None:
        return None
    names = rig.layout.control_names_of(ribbon)
    pieces = zip(*pieces_of(chain, chain.root), strict=True)
    return {
        "starts_at": chain.layout.controls[chain.root].station,
        "pieces": [{"driven_by": names[c], "sign": int(sign)} for c, sign in pieces],
        "share": chain.share_table.tolist(),
        "stretch": stretch_table(chain).tolist(),
    }


def _stations(rig: Rig, ribbon: str, layout: OneRibbon, units: Units) -> list[Json]:
    joints = rig.joint_names[rig.joints_of[ribbon]]
    return [
        {"number": number, "joint": joint, **place}
        for number, (joint, place) in enumerate(
            zip(joints, _places(layout, layout.stations, units), strict=True), start=1
        )
    ]


def _controls(rig: Rig, ribbon: str, layout: OneRibbon, units: Units) -> list[Json]:
    def whole(name: str | None) -> str | None:
        return None if name is None else rig.layout.control_name(ribbon, name)

    return [
        {
            "name": whole(control.name),
            "station": control.station,
            **place,
            "reach": control.reach,
            "carried_by": whole(control.carried_by),
        }
        for control, place in zip(
            layout.controls, _places(layout, layout.control_places, units), strict=True
        )
    ]


def _places(layout: OneRibbon, t: Array, units: Units) -> list[Json]:
    """Parameter, arc length, distance to the next along the ribbon, and frame of each place."""
    lengths = units.factor * layout.ribbon.arc_length(t)
    spacings = [*np.diff(lengths).tolist(), None]
    frames = units.frames(layout.ribbon.frames(t))
    return [
        {"t": place, "arc_length": length, "spacing": spacing, **_frame(frame)}
        for place, length, spacing, frame in zip(
            t.tolist(), lengths.tolist(), spacings, frames, strict=True
        )
    ]


def _frame(frame: Array) -> Json:
    names = ("along", "across", "normal", "position")
    return {name: frame[:3, i].tolist() for i, name in enumerate(names)}


def _pose(rig: Rig, name: str, pose: Pose, units: Units) -> Json:
    joints = rig.joint_pose(pose)
    frames = units.frames(joints.rigid @ rig.joint_rest)
    return {
        "name": name,
        "keep_volume": pose.keep_volume,
        "controls": {
            control: {
                "bend": values.bend,
                "sway": values.sway,
                "twist": values.twist,
                "shift": [units.factor * length for length in values.shift],
                "stretch": values.stretch,
                "girth": values.girth,
            }
            for control, values in pose.controls.items()
        },
        "joints": [
            {**_frame(frame), "stretch": stretch, "girth": girth}
            for frame, stretch, girth in zip(
                frames, joints.stretch.tolist(), joints.girth.tolist(), strict=True
            )
        ],
    }
