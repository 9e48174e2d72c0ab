"""The form of a record of a rig, from which its published JSON schema is made."""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from ribbonsim.layout.fields import meanings_of
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.settings import Control

FORMAT, FORMAT_VERSION = "ribbonsim handoff", 2
DRAFT = "https://json-schema.org/draft/2020-12/schema"

_CONTROL, _MOVES = meanings_of(Control), meanings_of(ControlPose)
_LISTS = (
    "Skin weights: three lists of one length, by vertex; weights of a vertex sum to one and "
    "those not listed are 0."
)

Number = Annotated[int, Field(ge=1, description="From 1.")]
Count = Annotated[int, Field(ge=1, description="How many.")]
Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
Distance = Annotated[float, Field(ge=0)]
Weight = Annotated[float, Field(gt=0, le=1.000001)]
Point = Annotated[list[float], Field(min_length=3, max_length=3, description="x, y, z.")]
Direction = Annotated[
    list[Annotated[float, Field(ge=-1.000001, le=1.000001)]],
    Field(min_length=3, max_length=3, description="A unit vector: x, y, z."),
]
WeightRow = Annotated[
    list[float],
    Field(description="One weight for each control of the ribbon; they sum to one."),
]


class _Exact(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class RecordedUnits(_Exact):
    """What lengths and axes mean."""

    sentence: str
    unit: str | None = Field(description="Null if nobody has said what a unit is.")
    metres_per_unit: Positive | None
    up_axis: Literal["y", "z"]


class RecordedMesh(_Exact):
    """The creature's mesh at rest."""

    name: str
    file: str | None = Field(description="Null if the mesh came from no file.")
    vertices: Count
    polygons: Count
    positions: list[Point] = Field(description="Of each vertex at rest, in the order of the file.")
    places: list[Distance] = Field(
        description="Arc length along the body ribbon that each vertex belongs to."
    )


class RecordedFrame(_Exact):
    """Where something stands and how it is turned."""

    along: Direction
    across: Direction
    normal: Direction
    position: Point


class RecordedPlace(RecordedFrame):
    """A place along a ribbon."""

    t: Share = Field(description="Parameter along the ribbon.")
    arc_length: Distance = Field(description="Along the ribbon's midline from its root end.")
    spacing: Positive | None = Field(description="Arc length to the next place; null for the last.")


class RecordedStation(RecordedPlace):
    """A station with its ribbon joint."""

    number: Number = Field(description="From 1 at the root end.")
    joint: str = Field(description="Name of the ribbon joint that rides there.")


class RecordedControl(RecordedPlace):
    """A control at its station."""

    name: str
    station: Number = Field(description=_CONTROL.get("station"))
    reach: Positive = Field(description=_CONTROL.get("reach"))
    carried_by: str | None = Field(description="The control that takes it along.")


class RecordedPiece(_Exact):
    """A piece of a ribbon between two neighbouring controls."""

    driven_by: str = Field(description="The control whose bend, sway, twist and shift it takes.")
    sign: Literal[-1, 1] = Field(
        description="-1 where the control stands nearer to the root end than the piece: its "
        "values count with their sign turned, from the root end to the tip."
    )


class RecordedShares(_Exact):
    """How a chain of the ribbon's joints takes fixed shares of its controls' values."""

    starts_at: Number = Field(
        description="Station of the control that carries the others; the chain goes from there "
        "outwards both ways."
    )
    pieces: list[RecordedPiece] = Field(description="From the root end to the tip.")
    share: list[list[Share]] = Field(
        description="By station, for each piece: how much of what its control adds has been done "
        "there, from 0 to 1. A step between stations turns by the difference."
    )
    stretch: list[WeightRow] = Field(
        description="By station: weights of the controls' stretch there."
    )


class RecordedRibbon(_Exact):
    """A B-spline surface, degree 1 across and 3 along, with what stands on it."""

    name: str
    rides_on: str | None = Field(
        description="Name of the ribbon that carries it; null for the body."
    )
    at: Share | None = Field(
        description="Share of the length of the ribbon that carries it; null for the body."
    )
    degree_along: Literal[3]
    degree_across: Literal[1]
    length: Positive = Field(description="Of the midline.")
    knots: list[Share] = Field(
        min_length=8,
        description="Along; clamped, as many as control points in a row and four more.",
    )
    control_points: list[Annotated[list[Point], Field(min_length=2, max_length=2)]] = Field(
        min_length=4, description="Along from the root end, each with a point on either edge."
    )
    stations: list[RecordedStation] = Field(min_length=2)
    controls: list[RecordedControl] = Field(min_length=1)
    control_weights: list[WeightRow] = Field(
        description="By row of control points: how controls share in moving it where the drive is "
        "skinned; under shares what a finding or a picture calls a control's influence."
    )
    shares: RecordedShares | None = Field(
        description="Null where the drive is skinned, or the controls stand in no chain; then the "
        "surface is skinned by control_weights."
    )


class RecordedJoint(_Exact):
    """A ribbon joint."""

    number: Number
    name: str
    node: str = Field(description="Name of its chain node in skeletons of other formats.")
    skin_node: str = Field(
        description="Name of the node below it that carries the scale and the skin."
    )
    parent: Number | None = Field(description="Number of its parent.")
    ribbon: str
    station: Number = Field(description="On that ribbon.")


class RecordedWeights(_Exact):
    """Skin weights that are not 0."""

    vertex: list[Number]
    joint: list[Number]
    weight: list[Weight]


class RecordedMove(_Exact):
    """What a control does in a pose."""

    bend: float = Field(description=_MOVES.get("bend"))
    sway: float = Field(description=_MOVES.get("sway"))
    twist: float = Field(description=_MOVES.get("twist"))
    shift: list[float] = Field(min_length=3, max_length=3, description="Along, across, normal.")
    stretch: Positive = Field(description="Factor along.")
    girth: Positive = Field(description="Factor across.")


class RecordedPosedJoint(RecordedFrame):
    """Where a joint stands in a pose, with its factors along and across."""

    stretch: Positive
    girth: Positive


class RecordedPose(_Exact):
    """A pose, by its controls and by its joints."""

    name: str
    keep_volume: Share = Field(description="How much girth answers stretch.")
    controls: dict[str, RecordedMove] = Field(
        description="By name; controls not named are at rest."
    )
    joints: list[RecordedPosedJoint] = Field(description="Where the joints stand.")


class RigRecord(_Exact):
    """Controls move a ribbon, the ribbon carries joints, the joints carry the skin.

    Vertices, joints, stations and control points count from 1; vertices as in the mesh's file.
    Lengths are in the unit that 'units' states.
    """

    model_config = ConfigDict(title="A creature's ribbon rig")

    schema_file: str = Field(alias="$schema", description="Where this schema stands.")
    format: Literal["ribbonsim handoff"]
    version: Literal[2]
    generator: str
    units: RecordedUnits
    mesh: RecordedMesh
    layout: str = Field(description="Its name.")
    drive: Literal["shares", "skinned"] = Field(
        description="How controls move the ribbons: shares of their values along a chain of "
        "joints, or a surface skinned linearly to the controls."
    )
    ribbons: list[RecordedRibbon] = Field(min_length=1, description="The body first.")
    joints: list[RecordedJoint] = Field(min_length=2, description="All ribbon joints.")
    weights: RecordedWeights = Field(description=_LISTS)
    poses: list[RecordedPose]


def schema_text() -> str:
    """The published JSON schema of a record, draft 2020-12."""
    schema: dict[str, Any] = {"$schema": DRAFT, "$id": f"urn:ribbonsim:handoff:{FORMAT_VERSION}"}
    schema |= RigRecord.model_json_schema()
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
