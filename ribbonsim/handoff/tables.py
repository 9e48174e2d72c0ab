"""Tables: weights by the file's own vertex numbers, stations, controls, ribbons; all in JSON too.

References
----------
Y. Shafranovich, *Common Format and MIME Type for CSV Files*, RFC 4180, 2005.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from ribbonsim.files.names import cell
from ribbonsim.files.writing import Bundle
from ribbonsim.handoff.clips import choose_poses
from ribbonsim.handoff.record import SCHEMA_FILE, Json, rig_record
from ribbonsim.handoff.record_schema import schema_text
from ribbonsim.handoff.units import Units
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import Rig

Row = Sequence[object]

RECORD_FILE = "handoff.json"
TABLE_FILES = (
    "weights.csv",
    "weights.npz",
    "stations.csv",
    "controls.csv",
    "control_weights.csv",
    "shares.csv",
    "stretch_weights.csv",
    "control_points.csv",
    "knots.csv",
)
_PLACE = ("t", "arc_length", "spacing")
_FRAME = ("position", "along", "across", "normal")


def export_tables(
    rig: Rig,
    folder: str | os.PathLike[str],
    *,
    poses: Mapping[str, Pose] | Sequence[str] | None = None,
    units: Units | None = None,
    force: bool = False,
) -> list[Path]:
    """Write a rig as tables.

    ``weights.csv`` has a row for each vertex and joint with a weight, vertices numbered as in
    the mesh's file; ``weights.npz`` the same for programs, with the rest positions;
    ``stations.csv`` and ``controls.csv`` where they stand; ``control_weights.csv``,
    ``control_points.csv`` and ``knots.csv`` the ribbons; ``shares.csv`` and
    ``stretch_weights.csv`` what share each joint has in the controls' values, with no rows where
    the layout is skinned; ``handoff.json`` all of it and the
    poses, as ``handoff.schema.json`` describes. Everything counts from 1, and every number
    reads back bit for bit.

    Parameters
    ----------
    rig : Rig
    folder : path
        Made if it is not there.
    poses : mapping of str to Pose, sequence of str, or None
        Poses by name; names of kept and test poses; or, if None, all of those.
    units : Units, optional
        What to convert; numbers stay as they are if left out.
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
    units = units or Units(up=rig.layout.up)
    names = [RECORD_FILE, SCHEMA_FILE, *TABLE_FILES]
    with Bundle(folder, force) as bundle:
        bundle.claim(names)
        record = rig_record(rig, choose_poses(rig, poses), units)
        tables: list[str | bytes] = [
            _weights_text(record),
            _weights_archive(record),
            _csv(*_stations(record)),
            _csv(*_controls(record)),
            _csv(*_control_weights(record)),
            _csv(*_shares(record)),
            _csv(*_stretch_weights(record)),
            _csv(*_control_points(record)),
            _csv(*_knots(record)),
        ]
        text = json.dumps(record, ensure_ascii=False, allow_nan=False)
        files = {RECORD_FILE: f"{text}\n", SCHEMA_FILE: schema_text()}
        bundle.write({**files, **dict(zip(TABLE_FILES, tables, strict=True))})
    return [bundle.folder / name for name in names]


def _csv(head: Row, rows: Iterable[Row]) -> str:
    """Rows as text; floats are written so that they read back bit for bit."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerows([cell(value) for value in row] for row in (head, *rows))
    return stream.getvalue()


def _weights_text(record: Json) -> str:
    names = [_csv([joint["name"]], []).rstrip("\n") for joint in record["joints"]]
    weights = record["weights"]
    rows = zip(weights["vertex"], weights["joint"], weights["weight"], strict=True)
    lines = [f"{vertex},{names[joint - 1]},{weight!r}\n" for vertex, joint, weight in rows]
    return "".join(["vertex,joint,weight\n", *lines])


def _weights_archive(record: Json) -> bytes:
    weights, mesh = record["weights"], record["mesh"]
    stream = io.BytesIO()
    np.savez_compressed(
        stream,
        vertex=np.array(weights["vertex"], dtype=np.int64),
        joint=np.array(weights["joint"], dtype=np.int32),
        weight=np.array(weights["weight"], dtype=np.float64),
        joint_names=np.array([joint["name"] for joint in record["joints"]]),
        positions=np.array(mesh["positions"], dtype=np.float64),
        places=np.array(mesh["places"], dtype=np.float64),
    )
    return stream.getvalue()


def _stands(place: Json) -> list[object]:
    vectors = [value for name in _FRAME for value in place[name]]
    return [*(place[name] for name in _PLACE), *vectors]


def _stand_heads() -> list[str]:
    return [*_PLACE, *(f"{name}_{axis}" for name in _FRAME for axis in "xyz")]


def _stations(record: Json) -> tuple[Row, list[Row]]:
    rows: list[Row] = [
        [ribbon["name"], station["number"], station["joint"], *_stands(station)]
        for ribbon in record["ribbons"]
        for station in ribbon["stations"]
    ]
    return ["ribbon", "station", "joint", *_stand_heads()], rows


def _controls(record: Json) -> tuple[Row, list[Row]]:
    rows: list[Row] = [
        [
            ribbon["name"],
            control["name"],
            control["station"],
            *_stands(control),
            control["reach"],
            control["carried_by"],
        ]
        for ribbon in record["ribbons"]
        for control in ribbon["controls"]
    ]
    return ["ribbon", "control", "station", *_stand_heads(), "reach", "carried_by"], rows


def _control_weights(record: Json) -> tuple[Row, list[Row]]:
    rows: list[Row] = [
        [ribbon["name"], number, control["name"], weight]
        for ribbon in record["ribbons"]
        for number, weights in enumerate(ribbon["control_weights"], start=1)
        for control, weight in zip(ribbon["controls"], weights, strict=True)
    ]
    return ["ribbon", "control_point", "control", "weight"], rows


def _shares(record: Json) -> tuple[Row, list[Row]]:
    rows: list[Row] = [
        [ribbon["name"], station["number"], station["joint"], piece, *told.values(), share]
        for ribbon in record["ribbons"]
        if ribbon["shares"] is not None
        for station, row in zip(ribbon["stations"], ribbon["shares"]["share"], strict=True)
        for piece, (told, share) in enumerate(
            zip(ribbon["shares"]["pieces"], row, strict=True), start=1
        )
    ]
    return ["ribbon", "station", "joint", "piece", "driven_by", "sign", "share"], rows


def _stretch_weights(record: Json) -> tuple[Row, list[Row]]:
    rows: list[Row] = [
        [ribbon["name"], station["number"], station["joint"], control["name"], weight]
        for ribbon in record["ribbons"]
        if ribbon["shares"] is not None
        for station, row in zip(ribbon["stations"], ribbon["shares"]["stretch"], strict=True)
        for control, weight in zip(ribbon["controls"], row, strict=True)
    ]
    return ["ribbon", "station", "joint", "control", "weight"], rows


def _control_points(record: Json) -> tuple[Row, list[Row]]:
    rows: list[Row] = [
        [ribbon["name"], number, edge, *point]
        for ribbon in record["ribbons"]
        for number, pair in enumerate(ribbon["control_points"], start=1)
        for edge, point in enumerate(pair, start=1)
    ]
    return ["ribbon", "control_point", "edge", "x", "y", "z"], rows


def _knots(record: Json) -> tuple[Row, list[Row]]:
    rows: list[Row] = [
        [ribbon["name"], number, knot]
        for ribbon in record["ribbons"]
        for number, knot in enumerate(ribbon["knots"], start=1)
    ]
    return ["ribbon", "knot", "t"], rows
