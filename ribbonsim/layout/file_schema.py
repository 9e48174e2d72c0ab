"""The form of a layout file: one model for reading, comments and JSON schema.

What a control, a rule, a limit, a tie or a pose holds is taken from its dataclass; only what a
file arranges in its own way is said here.
"""

from __future__ import annotations

from dataclasses import MISSING
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, create_model

from ribbonsim.curves.up import Up
from ribbonsim.layout.appendages import Appendage, Tie
from ribbonsim.layout.fields import choices_of, fields_of, meanings_of, range_of, types_of
from ribbonsim.layout.limits import Limits
from ribbonsim.layout.motions import OwnMotion
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.settings import Control, ControlWeights, Drive, MeshWeights

SCHEMA_VERSION = 2

Point = Annotated[list[float], Field(min_length=3, max_length=3)]
Pair = Annotated[list[Point], Field(min_length=2, max_length=2)]

# what a comment above each table says
COMMENTS = {
    "drive": """\
How controls move the ribbons. shares: each turns and shifts the piece of body that leads to it,
by fixed shares along it; skinned: the surface is skinned linearly to the control joints.""",
    "up": """\
Which axis of the mesh's file points up: y, z, x, -y, -z or -x.""",
    "ribbon": """\
A B-spline surface, degree 1 across and 3 along; lengths in the mesh's own units.""",
    "stations": """\
Places along the ribbon, 0 at the root end and 1 at the tip; one joint rides at each.""",
    "controls": """\
What you move. 'station' counts from 1 at the root end; 'reach' is how far the control's
influence extends, in multiples of the distance to its neighbours; 'carried_by' names the
control that takes it along (leave it out to stand alone). The one that nobody carries stands
still: if not chosen, the nearest to where the body rests on the ground or else to the middle of
its mass.""",
    "control_weights": """\
How controls share the ribbon. falloff: wendland_c2, gaussian, inverse_distance (with
'exponent') or linear; distance: ribbon (along it) or straight (through the air).""",
    "mesh_weights": """\
How ribbon joints share the mesh. distance: body (through it) or straight (through the air);
reach in multiples of the distance between stations; at most 'influences' joints a vertex;
'smoothing' counts rounds over the edges; weights up to 'prune' are taken off.""",
    "limits": """\
What counts as bending right (common practice, no published source): stretch and squeeze of
the skin and pinch and bulge of the girth over what the pose asks for; change of volume; kink
of the midline and distance from the shape over the target's; bleed and asymmetry of weights;
triangles turned over and pairs of triangles that cut each other.""",
    "appendages": """\
Ribbons that ride on another: 'rides_on' names it, 'at' is the place along it (0 to 1 of its
length), and from the base the appendage takes over the skin within 'blend' (scene units).
'partner' is the one on the other side. Its controls are called appendage.control in poses.""",
    "ties": """\
Rigid parts, each a 'group' or a 'component' (numbered from 1) of the mesh's file, that follow
the ribbon joint at one station.""",
    "poses": """\
Poses kept with this layout: degrees, scene units and factors; what is not named is at rest.""",
    "motions": """\
Motions through kept poses ('rest' is the creature at rest), each at its time of the loop in
seconds. 'lag': seconds before the free end has made half of a sudden move; 'swing': how far it
swings past; 'weight': how far it settles into the ground.""",
}


class StrictTable(BaseModel):
    """A table of a layout file, read strictly: no unknown keys, no guessed types."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


def table_of(kind: type, leave: tuple[str, ...] = (), **more: Any) -> type[StrictTable]:
    """The table that holds a dataclass's fields, but for some, with more keys.

    Ranges go into the schema alone: a value out of range is refused by the dataclass, which
    knows whose value it is.
    """
    spec: dict[str, Any] = {}
    for name, each in fields_of(kind).items():
        if name in leave:
            continue
        choices, limits = choices_of(kind, name), range_of(kind, name)
        hint = Literal[choices] if choices else types_of(kind)[name]
        if hint == tuple[float, float, float]:
            hint = Point
        about: dict[str, Any] = {"description": meanings_of(kind).get(name)}
        if limits is not None:
            about["json_schema_extra"] = {"minimum": limits[0], "maximum": limits[1]}
        if each.default is not MISSING:
            about["default"] = list(each.default) if hint == Point else each.default
        spec[name] = (hint, Field(**about))
    return create_model(f"{kind.__name__}Table", __base__=StrictTable, **spec, **more)


class RibbonTable(StrictTable):
    """The table ``[ribbon]``."""

    knots: list[float]
    control_points: list[Pair]


class StationsTable(StrictTable):
    """The table ``[stations]``."""

    places: list[float]


class KeyTable(StrictTable):
    """One of the keys of ``[[motions]]``."""

    pose: str
    time: float


ControlPoseTable = table_of(ControlPose)
TABLES: dict[str, type[StrictTable]] = {
    "control_weights": table_of(ControlWeights),
    "mesh_weights": table_of(MeshWeights),
    "limits": table_of(Limits),
}


def _rows(row: type[StrictTable], name: str, needed: bool = False) -> tuple[Any, Any]:
    about: dict[str, Any] = {} if needed else {"default_factory": list}
    return list[row], Field(description=COMMENTS[name], **about)  # type: ignore[valid-type]


def _rules(name: str) -> tuple[Any, Any]:
    return TABLES[name], Field(default_factory=TABLES[name], description=COMMENTS[name])


# the body's ribbon, or an appendage's
_OWN: dict[str, Any] = {
    "ribbon": (RibbonTable, Field(description=COMMENTS["ribbon"])),
    "stations": (StationsTable, Field(description=COMMENTS["stations"])),
    "controls": _rows(table_of(Control), "controls", needed=True),
    "control_weights": _rules("control_weights"),
    "mesh_weights": _rules("mesh_weights"),
}
OWN_KEYS = tuple(_OWN)
AppendageTable = table_of(Appendage, leave=("layout",), **_OWN)
TieTable = table_of(Tie)
PoseTable = create_model(
    "PoseTable",
    __base__=StrictTable,
    name=(str, ...),
    keep_volume=(float, 1.0),
    controls=(dict[str, ControlPoseTable], {}),  # type: ignore[valid-type]
)
MotionTable = table_of(
    OwnMotion, leave=("poses", "times"), name=(str, ...), keys=(list[KeyTable], ...)
)
LayoutTable = create_model(
    "LayoutTable",
    __base__=StrictTable,
    ribbonsim_layout=(int, Field(description="version of this schema")),
    name=(str, "layout"),
    drive=(Drive, Field("shares", description=COMMENTS["drive"])),
    up=(Up, Field("y", description=COMMENTS["up"])),
    **_OWN,
    limits=_rules("limits"),
    appendages=_rows(AppendageTable, "appendages"),
    ties=_rows(TieTable, "ties"),
    poses=_rows(PoseTable, "poses"),
    motions=_rows(MotionTable, "motions"),
)
