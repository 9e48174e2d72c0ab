"""Layout files: TOML, commented, with a schema version, read strictly."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import numpy as np
import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from tomlkit.items import AoT, Item
from tomlkit.items import Array as TomlArray

from ribbonsim.appendages import BODY, Appendage, Tie
from ribbonsim.errors import RibbonsimError
from ribbonsim.files import write_file
from ribbonsim.layout import DEFAULT_REACH, Control, ControlWeights, Layout, MeshWeights
from ribbonsim.limits import Limits
from ribbonsim.pose import ControlPose, Pose
from ribbonsim.ribbon import Ribbon

SCHEMA_VERSION = 1

Point = Annotated[list[float], Field(min_length=3, max_length=3)]
Pair = Annotated[list[Point], Field(min_length=2, max_length=2)]
Falloff = Literal["wendland_c2", "gaussian", "inverse_distance", "linear"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class RibbonTable(_Strict):
    """The table ``[ribbon]``."""

    knots: list[float]
    control_points: list[Pair]


class StationsTable(_Strict):
    """The table ``[stations]``."""

    places: list[float]


class ControlTable(_Strict):
    """One of ``[[controls]]``."""

    name: str
    station: int
    reach: float = DEFAULT_REACH
    carried_by: str | None = None


class ControlWeightsTable(_Strict):
    """The table ``[control_weights]``."""

    falloff: Falloff = "wendland_c2"
    exponent: float = 2.0
    distance: Literal["ribbon", "straight"] = "ribbon"


class MeshWeightsTable(_Strict):
    """The table ``[mesh_weights]``."""

    falloff: Falloff = "wendland_c2"
    exponent: float = 2.0
    distance: Literal["body", "straight"] = "body"
    reach: float = DEFAULT_REACH
    influences: int = 4
    smoothing: int = 0
    prune: float = 0.0


class ControlPoseTable(_Strict):
    """What one control does in a kept pose."""

    bend: float = 0.0
    sway: float = 0.0
    twist: float = 0.0
    shift: Point = [0.0, 0.0, 0.0]
    stretch: float = 1.0
    girth: float = 1.0


class PoseTable(_Strict):
    """One of ``[[poses]]``."""

    name: str
    keep_volume: float = 1.0
    controls: dict[str, ControlPoseTable] = {}


class LimitsTable(_Strict):
    """The table ``[limits]``."""

    stretch: float = Limits.stretch
    squeeze: float = Limits.squeeze
    pinch: float = Limits.pinch
    bulge: float = Limits.bulge
    volume: float = Limits.volume
    kink: float = Limits.kink
    shape: float = Limits.shape
    bleed: float = Limits.bleed
    asymmetry: float = Limits.asymmetry
    folds: int = Limits.folds
    contacts: int = Limits.contacts


class AppendageTable(_Strict):
    """One of ``[[appendages]]``."""

    name: str
    rides_on: str = BODY
    at: float
    blend: float = 0.0
    partner: str | None = None
    ribbon: RibbonTable
    stations: StationsTable
    controls: list[ControlTable]
    control_weights: ControlWeightsTable = ControlWeightsTable()
    mesh_weights: MeshWeightsTable = MeshWeightsTable()


class TieTable(_Strict):
    """One of ``[[ties]]``."""

    station: int
    group: str | None = None
    component: int | None = None
    ribbon: str = BODY


class LayoutTable(_Strict):
    """A whole layout file."""

    ribbonsim_layout: Literal[1]
    name: str = "layout"
    ribbon: RibbonTable
    stations: StationsTable
    controls: list[ControlTable]
    control_weights: ControlWeightsTable = ControlWeightsTable()
    mesh_weights: MeshWeightsTable = MeshWeightsTable()
    limits: LimitsTable = LimitsTable()
    appendages: list[AppendageTable] = []
    ties: list[TieTable] = []
    poses: list[PoseTable] = []


_COMMENTS = {
    "ribbon": """\
A B-spline surface, degree 1 across and 3 along; lengths in the mesh's own units.""",
    "stations": """\
Places along the ribbon, 0 at the root end and 1 at the tip; one joint rides at each.""",
    "controls": """\
What you move. 'station' counts from 1 at the root end; 'reach' is how far the control's
influence extends, in multiples of the distance to its neighbours; 'carried_by' names the
control that takes it along (leave it out to stand alone).""",
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
    "control_weights": """\
How controls share the ribbon. falloff: wendland_c2, gaussian, inverse_distance (with
'exponent') or linear; distance: ribbon (along it) or straight (through the air).""",
    "mesh_weights": """\
How ribbon joints share the mesh. distance: body (through it) or straight (through the air);
reach in multiples of the distance between stations; at most 'influences' joints a vertex;
'smoothing' counts rounds over the edges; weights up to 'prune' are taken off.""",
}


def write_layout(layout: Layout, path: str | os.PathLike[str], force: bool = False) -> None:
    """Write a layout file.

    Parameters
    ----------
    layout : Layout
    path : path
    force : bool
        Replace a file that is there.

    Raises
    ------
    RibbonsimError
        If the file exists and ``force`` is off, or it cannot be written.
    """
    write_file(path, layout_text(layout), force)


def layout_text(layout: Layout) -> str:
    """Return the text of a layout file.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    str
        Every number is written with all the digits that it needs to come back the same.
    """
    document = tomlkit.document()
    headline = "A ribbonsim layout: where the ribbon runs, its stations and its controls."
    document.add(tomlkit.comment(headline))
    document.add("ribbonsim_layout", tomlkit.item(SCHEMA_VERSION).comment("version of this schema"))
    document.add("name", tomlkit.item(layout.name))
    for key in ("ribbon", "stations", "controls", "control_weights", "mesh_weights"):
        _comment(document, key)
        document.add(key, _part(layout, key))
    _comment(document, "limits")
    document.add("limits", _rules(layout.limits))
    if layout.appendages:
        _comment(document, "appendages")
        document.add("appendages", _appendage_tables(layout.appendages))
    if layout.ties:
        _comment(document, "ties")
        document.add("ties", _rows_of(layout.ties, ("group", "component", "ribbon", "station")))
    if layout.poses:
        _comment(document, "poses")
        document.add("poses", _pose_tables(layout.poses))
    return tomlkit.dumps(document)


def read_layout(path: str | os.PathLike[str]) -> Layout:
    """Read a layout file.

    Parameters
    ----------
    path : path

    Returns
    -------
    Layout

    Raises
    ------
    RibbonsimError
        Naming the file, the key, the value and what is allowed.
    """
    source = Path(path)
    if source.is_dir():
        raise RibbonsimError(f"{source} is a folder: give a layout file (.toml)")
    try:
        data = tomllib.loads(source.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError as error:
        raise RibbonsimError(f"{source} is not there: check the name of the layout file") from error
    except OSError as error:
        raise RibbonsimError(
            f"{source} cannot be read ({error.strerror}): check the file"
        ) from error
    except UnicodeDecodeError as error:
        raise RibbonsimError(
            f"{source} is not text in UTF-8: give a layout file (.toml)"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise RibbonsimError(f"{source} is not valid TOML: {_first_lower(str(error))}") from error
    return _layout_of(source, data)


def _layout_of(source: Path, data: dict[str, Any]) -> Layout:
    version = data.get("ribbonsim_layout")
    if version is None:
        raise RibbonsimError(
            f"{source} has no key 'ribbonsim_layout': give a layout file that ribbonsim saved"
        )
    if version != SCHEMA_VERSION or isinstance(version, bool):
        raise RibbonsimError(
            f"{source}: ribbonsim_layout = {version!r} is a schema that is not read here: "
            f"{SCHEMA_VERSION} is allowed"
        )
    try:
        table = LayoutTable.model_validate(data)
    except ValidationError as error:
        raise RibbonsimError(f"{source}: {_explain(error, data)}") from error
    try:
        body = _layout_from(table, table.name)
        return replace(
            body,
            limits=Limits(**vars(table.limits)),
            appendages=tuple(_appendage_from(one) for one in table.appendages),
            ties=tuple(Tie(**vars(tie)) for tie in table.ties),
            poses=_read_poses(table.poses),
        )
    except RibbonsimError as error:
        raise RibbonsimError(f"{source}: {error}") from error


def _layout_from(table: LayoutTable | AppendageTable, name: str) -> Layout:
    return Layout(
        ribbon=Ribbon(np.array(table.ribbon.control_points), np.array(table.ribbon.knots)),
        stations=np.array(table.stations.places),
        controls=tuple(Control(**vars(control)) for control in table.controls),
        name=name,
        control_weights=ControlWeights(**vars(table.control_weights)),
        mesh_weights=MeshWeights(**vars(table.mesh_weights)),
    )


def _appendage_from(table: AppendageTable) -> Appendage:
    try:
        return Appendage(
            name=table.name,
            layout=_layout_from(table, table.name),
            at=table.at,
            rides_on=table.rides_on,
            blend=table.blend,
            partner=table.partner,
        )
    except RibbonsimError as error:
        raise RibbonsimError(f"appendage {table.name!r}: {error}") from error


def _read_poses(tables: Sequence[PoseTable]) -> dict[str, Pose]:
    names = [table.name for table in tables]
    for name in names:
        if names.count(name) > 1:
            raise RibbonsimError(f"two kept poses are called {name!r}: rename one")
    return {
        table.name: Pose(
            {control: vars(values) for control, values in table.controls.items()},
            table.keep_volume,
        )
        for table in tables
    }


def _part(layout: Layout, key: str) -> Item:
    """One part of a ribbon's description."""
    if key == "ribbon":
        table = tomlkit.table()
        table.add("knots", _rows(layout.ribbon.knots.tolist(), 8))
        order = "a row a control point: the edge at u = 0, then the edge at u = 1"
        table.add(tomlkit.comment(order))
        table.add("control_points", _rows(layout.ribbon.control_points.tolist(), 1))
        return table
    if key == "stations":
        table = tomlkit.table()
        table.add("places", _rows(layout.stations.tolist(), 6))
        return table
    if key == "controls":
        return _rows_of(layout.controls, ("name", "station", "reach", "carried_by"))
    return _rules(getattr(layout, key))


def _rules(rules: object) -> Item:
    table = tomlkit.table()
    for name, value in vars(rules).items():
        table.add(name, value)
    return table


def _rows_of(things: Sequence[object], keys: Sequence[str]) -> AoT:
    rows = tomlkit.aot()
    for thing in things:
        row = tomlkit.table()
        for key in keys:
            value = getattr(thing, key)
            if value is not None:
                row.add(key, float(value) if key == "reach" else value)
        rows.append(row)
    return rows


def _appendage_tables(appendages: Sequence[Appendage]) -> AoT:
    rows = tomlkit.aot()
    for one in appendages:
        row = tomlkit.table()
        for key in ("name", "rides_on", "at", "blend", "partner"):
            value = getattr(one, key)
            if value is not None:
                row.add(key, float(value) if key in ("at", "blend") else value)
        for key in ("ribbon", "stations", "controls", "control_weights", "mesh_weights"):
            row.add(key, _part(one.layout, key))
        rows.append(row)
    return rows


def _comment(document: tomlkit.TOMLDocument, name: str) -> None:
    document.add(tomlkit.nl())
    for line in _COMMENTS[name].splitlines():
        document.add(tomlkit.comment(line))


def _pose_tables(poses: Mapping[str, Pose]) -> AoT:
    """Kept poses, each with the values that are not those of rest."""
    rest = asdict(ControlPose())
    rows = tomlkit.aot()
    for name, pose in poses.items():
        row = tomlkit.table()
        row.add("name", name)
        row.add("keep_volume", pose.keep_volume)
        controls = tomlkit.table(is_super_table=True)
        for control, values in pose.controls.items():
            table = tomlkit.table()
            for key, value in asdict(values).items():
                if value != rest[key]:
                    table.add(key, list(value) if key == "shift" else float(value))
            controls.add(control, table)
        row.add("controls", controls)
        rows.append(row)
    return rows


def _rows(values: Sequence[Any], across: int) -> TomlArray:
    array = tomlkit.array()
    for start in range(0, len(values), across):
        array.add_line(*values[start : start + across], indent="    ")
    array.add_line(indent="")
    return array


def _explain(error: ValidationError, data: dict[str, Any]) -> str:
    """Say the first thing that is wrong: the key, the value and what is allowed."""
    # an unknown key often is a misspelt one that then seems missing: name it first
    first = min(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    parents = first["loc"][:-1]
    key = _key(first["loc"])
    if first["type"] == "extra_forbidden":
        return f"the key {key!r} is not known: allowed here are {', '.join(_allowed(parents))}"
    if first["type"] == "missing":
        return f"the key {key!r} is missing: add it"
    value = repr(first["input"])
    shown = value if len(value) <= 60 else value[:57] + "..."
    expected = first.get("ctx", {}).get("expected")
    allowed = f"{expected} is allowed" if expected else _first_lower(first["msg"])
    return f"{key} = {shown} cannot be used: {allowed}"


def _key(location: Sequence[str | int]) -> str:
    """Write a place in the file as a rigger counts: ``controls 2, reach``."""
    text = ""
    for part in location:
        text += f" {part + 1}" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def _allowed(parents: Sequence[str | int]) -> list[str]:
    place: Any = LayoutTable
    for part in parents:
        inside = get_args(place)
        place = inside[-1] if inside else place.model_fields[part].annotation
    return list(place.model_fields)


def _first_lower(text: str) -> str:
    return text[:1].lower() + text[1:]
