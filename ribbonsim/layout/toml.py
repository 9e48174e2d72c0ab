"""Layout files: TOML, commented, with a schema version, read strictly."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, get_args

import numpy as np
import tomlkit
from pydantic import ValidationError
from tomlkit.items import AoT, Item, Table
from tomlkit.items import Array as TomlArray

from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import open_input, write_file
from ribbonsim.layout.appendages import Appendage, Tie
from ribbonsim.layout.fields import types_of
from ribbonsim.layout.file_schema import COMMENTS, OWN_KEYS, SCHEMA_VERSION, LayoutTable
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.limits import Limits
from ribbonsim.layout.motions import OwnMotion
from ribbonsim.layout.old_poses import shared_values
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.layout.settings import Control, ControlWeights, MeshWeights

Data = dict[str, Any]


def write_layout(layout: Layout, path: str | os.PathLike[str], force: bool = False) -> None:
    """Write a layout file."""
    write_file(path, layout_text(layout), force)


def layout_text(layout: Layout) -> str:
    """Text of a layout file; a number has all the digits that it needs to come back the same."""
    document = tomlkit.document()
    headline = "A ribbonsim layout: where the ribbon runs, its stations and its controls."
    document.add(tomlkit.comment(headline))
    version = tomlkit.item(SCHEMA_VERSION)
    version.comment(str(LayoutTable.model_fields["ribbonsim_layout"].description))
    document.add("ribbonsim_layout", version)
    document.add("name", tomlkit.item(layout.name))
    parts: dict[str, Item] = {"drive": tomlkit.item(layout.drive), "up": tomlkit.item(layout.up)}
    parts |= {key: _part(layout.body, key) for key in OWN_KEYS}
    parts["limits"] = _table(layout.limits)
    if layout.appendages:
        parts["appendages"] = _rows_of(_appendage(rider) for rider in layout.appendages)
    if layout.ties:
        keys = ("group", "component", "ribbon", "station")
        parts["ties"] = _rows_of(_table(tie, keys) for tie in layout.ties)
    if layout.poses:
        parts["poses"] = _rows_of(_pose(name, pose) for name, pose in layout.poses.items())
    if layout.motions:
        parts["motions"] = _rows_of(_motion(name, own) for name, own in layout.motions.items())
    for key, part in parts.items():
        document.add(tomlkit.nl())
        for line in COMMENTS[key].splitlines():
            document.add(tomlkit.comment(line))
        document.add(key, part)
    return tomlkit.dumps(document)


def _part(own: OneRibbon, key: str) -> Item:
    """One part of a ribbon's description."""
    if key == "ribbon":
        table = tomlkit.table()
        table.add("knots", _numbers(own.ribbon.knots.tolist(), 8))
        order = "a row a control point: the edge at u = 0, then the edge at u = 1"
        table.add(tomlkit.comment(order))
        table.add("control_points", _numbers(own.ribbon.control_points.tolist(), 1))
        return table
    if key == "stations":
        table = tomlkit.table()
        table.add("places", _numbers(own.stations.tolist(), 6))
        return table
    if key == "controls":
        return _rows_of(_table(control) for control in own.controls)
    return _table(getattr(own, key))


def _table(thing: object, keys: Sequence[str] = ()) -> Table:
    """Fields of a dataclass, in its order or another, without those that are None."""
    kind: Any = type(thing)
    kinds = types_of(kind)
    table = tomlkit.table()
    for key in keys or kinds:
        value = getattr(thing, key)
        if value is not None:
            table.add(key, float(value) if kinds[key] is float else value)
    return table


def _appendage(rider: Appendage) -> Table:
    table = _table(rider, ("name", "rides_on", "at", "blend", "partner"))
    for key in OWN_KEYS:
        table.add(key, _part(rider.layout, key))
    return table


def _pose(name: str, pose: Pose) -> Table:
    """A kept pose, with the values that are not those of rest."""
    rest = asdict(ControlPose())
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
    return row


def _motion(name: str, own: OwnMotion) -> Table:
    """A motion of the user's own, with a row for each of its keys."""
    row = tomlkit.table()
    row.add("name", name)
    for key in ("seconds", "lag", "swing", "weight"):
        row.add(key, float(getattr(own, key)))
    keys = tomlkit.array()
    for pose, time in zip(own.poses, own.times, strict=True):
        one = tomlkit.inline_table()
        one.update({"pose": pose, "time": time})
        keys.add_line(one)
    keys.add_line(indent="")
    row.add("keys", keys)
    return row


def _rows_of(tables: Iterable[Table]) -> AoT:
    rows = tomlkit.aot()
    for table in tables:
        rows.append(table)
    return rows


def _numbers(values: Sequence[Any], across: int) -> TomlArray:
    array = tomlkit.array()
    for start in range(0, len(values), across):
        array.add_line(*values[start : start + across], indent="    ")
    array.add_line(indent="")
    return array


def read_layout(path: str | os.PathLike[str]) -> Layout:
    """Read a layout file; what is wrong is named with the file, the key and what is allowed."""
    source = Path(path)
    if os.path.isdir(source):
        raise RibbonsimError(f"{source} is a folder: give a layout file (.toml)")
    try:
        with open_input(source) as stream:
            text = stream.read().decode("utf-8-sig")
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
    return layout_from_text(text, source)


def layout_from_text(text: str, source: Path) -> Layout:
    """Read the text of a layout file; what is wrong is named with the file that it came from."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RibbonsimError(f"{source} is not valid TOML: {_first_lower(str(error))}") from error
    except (ValueError, RecursionError) as error:
        raise RibbonsimError(
            f"{source} holds a number of thousands of digits or thousands of tables in each "
            "other: give a layout file that ribbonsim saved"
        ) from error
    return _layout_of(source, data)


def _layout_of(source: Path, data: Data) -> Layout:
    data = _upgraded(source, data)
    try:
        table: Any = LayoutTable.model_validate(data)
    except ValidationError as error:
        raise RibbonsimError(f"{source}: {_explain(error)}") from error
    try:
        return _layout_from(table)
    except RibbonsimError as error:
        raise RibbonsimError(f"{source}: {error}") from error


def _layout_from(table: Any) -> Layout:
    return Layout(
        body=_ribbon_from(table),
        name=table.name,
        drive=table.drive,
        up=table.up,
        limits=Limits(**vars(table.limits)),
        appendages=[_appendage_from(row) for row in table.appendages],
        ties=[Tie(**vars(row)) for row in table.ties],
        poses=_read_poses(table.poses),
        motions=_read_motions(table.motions),
    )


def _upgraded(source: Path, data: Data) -> Data:
    """A file's tables as those of the present version."""
    version = data.get("ribbonsim_layout")
    if version is None:
        raise RibbonsimError(
            f"{source} has no key 'ribbonsim_layout': give a layout file that ribbonsim saved"
        )
    readable = (*UPGRADES, SCHEMA_VERSION)
    if type(version) is not int or version not in readable:
        raise RibbonsimError(
            f"{source}: ribbonsim_layout = {version!r} is a schema that is not read here: "
            f"{' or '.join(map(str, readable))} is allowed"
        )
    for number in range(version, SCHEMA_VERSION):
        data = UPGRADES[number](data)
    return data


def _with_shared_poses(data: Data) -> Data:
    """Version 1 to 2: kept poses, whose controls' frames were blended, by shares."""
    fresh = {**data, "ribbonsim_layout": 2}
    try:
        layout = _layout_from(LayoutTable.model_validate(fresh))
    except (ValidationError, RibbonsimError):
        return fresh  # what is wrong is said when the tables are read
    poses = [
        {
            "name": name,
            "keep_volume": pose.keep_volume,
            "controls": {
                control: {**asdict(value), "shift": list(value.shift)}
                for control, value in _shared(layout, pose).items()
            },
        }
        for name, pose in layout.poses.items()
    ]
    return {**fresh, "poses": poses}


def _shared(layout: Layout, pose: Pose) -> dict[str, ControlPose]:
    controls: dict[str, ControlPose] = {}
    for ribbon, own in layout.ribbons.items():
        names = layout.control_names_of(ribbon)
        values = shared_values(own, [pose[name] for name in names])
        told = zip(names, values, strict=True)
        controls |= {name: value for name, value in told if value != ControlPose()}
    return controls


# what makes of a file's tables those of the next version, by the version that it reads; a file
# of an old version is taken through all that follow
UPGRADES: dict[int, Callable[[Data], Data]] = {1: _with_shared_poses}


def _ribbon_from(table: Any) -> OneRibbon:
    return OneRibbon(
        ribbon=Ribbon(np.array(table.ribbon.control_points), np.array(table.ribbon.knots)),
        stations=np.array(table.stations.places),
        controls=tuple(Control(**vars(row)) for row in table.controls),
        control_weights=ControlWeights(**vars(table.control_weights)),
        mesh_weights=MeshWeights(**vars(table.mesh_weights)),
    )


def _appendage_from(table: Any) -> Appendage:
    try:
        own = {key: value for key, value in vars(table).items() if key not in OWN_KEYS}
        return Appendage(layout=_ribbon_from(table), **own)
    except RibbonsimError as error:
        raise RibbonsimError(f"appendage {table.name!r}: {error}") from error


def _read_poses(tables: Sequence[Any]) -> Mapping[str, Pose]:
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


def _read_motions(tables: Sequence[Any]) -> Mapping[str, OwnMotion]:
    made: dict[str, OwnMotion] = {}
    for table in tables:
        if table.name in made:
            raise RibbonsimError(f"two motions are called {table.name!r}: rename one")
        rules = {key: getattr(table, key) for key in ("seconds", "lag", "swing", "weight")}
        poses, times = [key.pose for key in table.keys], [key.time for key in table.keys]
        try:
            made[table.name] = OwnMotion(tuple(poses), tuple(times), **rules)
        except RibbonsimError as error:
            raise RibbonsimError(f"motion {table.name!r}: {error}") from error
    return made


def _explain(error: ValidationError) -> str:
    """Say the first thing that is wrong: the key, the value and what is allowed."""
    # an unknown key often is a misspelt one that then seems missing: name it first
    first = min(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    parents = first["loc"][:-1]
    key = _cut(_key(first["loc"]))
    if first["type"] == "extra_forbidden":
        return f"the key {key!r} is not known: allowed here are {', '.join(_allowed(parents))}"
    if first["type"] == "missing":
        return f"the key {key!r} is missing: add it"
    shown = _cut(repr(first["input"]))
    expected = first.get("ctx", {}).get("expected")
    allowed = f"{expected} is allowed" if expected else _first_lower(first["msg"])
    return f"{key} = {shown} cannot be used: {allowed}"


def _cut(text: str) -> str:
    """A text that may be very long, short enough for a sentence."""
    return text if len(text) <= 60 else text[:57] + "..."


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
