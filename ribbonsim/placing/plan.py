"""The plan of a sweep: which meshes, which layouts and which poses, from a file or a folder."""

from __future__ import annotations

import itertools
import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ribbonsim.checks import check_choice
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import open_input
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.settings import DEFAULT_REACH, DRIVES
from ribbonsim.layout.targets import TEST_POSES
from ribbonsim.rig.rig import METHODS, Method

_MESHES = (".obj", ".gltf", ".glb", ".ply")
_KEYS = ("meshes", "layouts", "poses", "method", "grid")
_GRID = ("controls", "stations", "reach", "drive")


@dataclass(frozen=True)
class Recipe:
    """A layout by numbers alone, so that it can be put on any mesh.

    Parameters
    ----------
    name : str
    stations : tuple of float or int
        Shares of the ribbon's length; a number says how many, as a new layout has them.
    controls : tuple of int or int
        Numbers of their stations; a number says how many, spread evenly.
    reaches : tuple of float
        One for each control, or one for all.
    drive : {"shares", "skinned"}
    """

    name: str
    stations: tuple[float, ...] | int
    controls: tuple[int, ...] | int
    reaches: tuple[float, ...] = (DEFAULT_REACH,)
    drive: str = "shares"

    @classmethod
    def of(cls, layout: Layout, name: str) -> Recipe:
        """Take down where a layout's body has its stations and controls."""
        own = layout.body
        places = own.station_shares
        return cls(
            name,
            tuple(float(place) for place in places),
            tuple(control.station for control in own.controls),
            tuple(control.reach for control in own.controls),
            layout.drive,
        )


@dataclass(frozen=True)
class Plan:
    """What a sweep goes through.

    Parameters
    ----------
    meshes : tuple of str
        Paths of mesh files.
    recipes : tuple of Recipe
        Layouts.
    poses : mapping of str to float or None
        Test poses with their amounts; None for what fits each creature.
    method : {"linear", "dual_quaternion"}
    """

    meshes: tuple[str, ...]
    recipes: tuple[Recipe, ...]
    poses: Mapping[str, float | None] = field(default_factory=dict)
    method: Method = "linear"

    def __post_init__(self) -> None:
        if not self.meshes:
            raise RibbonsimError("a sweep needs at least one mesh: name a file")
        if not self.recipes:
            raise RibbonsimError("a sweep needs at least one layout: name a file, or give a grid")
        for pose in self.poses:
            check_choice("pose", pose, tuple(TEST_POSES))
        names = [recipe.name for recipe in self.recipes]
        for name in names:
            if names.count(name) > 1:
                raise RibbonsimError(f"two layouts of the sweep are called {name!r}: rename one")


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """Read a plan from a TOML file, or make one of all meshes and layouts in a folder.

    Parameters
    ----------
    path : path
        In a file, names are relative to it.

    Returns
    -------
    Plan

    Raises
    ------
    RibbonsimError
        If there is nothing to sweep, or something in the file cannot be used.
    """
    place = Path(path)
    if place.is_dir():
        return _of_folder(place)
    try:
        with open_input(place) as stream:
            table = tomllib.load(stream)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise RibbonsimError(f"{place} cannot be read ({reason}): name a file or folder") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RibbonsimError(f"{place} is no TOML file ({error}): mend that") from error
    return _of_table(table, place)


def _of_folder(folder: Path) -> Plan:
    files = sorted(folder.iterdir())
    meshes = tuple(str(file) for file in files if file.suffix.lower() in _MESHES)
    if not meshes:
        raise RibbonsimError(f"{folder} holds no mesh: put OBJ, glTF or PLY files into it")
    layouts = [file for file in files if file.suffix == ".toml"]
    recipes = [Recipe.of(Layout.load(file), file.stem) for file in layouts]
    return Plan(meshes, tuple(recipes or _grid({}, str(folder))))


def _of_table(table: Mapping[str, Any], place: Path) -> Plan:
    for key in table:
        if key not in _KEYS:
            raise RibbonsimError(
                f"{place} has the key {key!r}, which means nothing: {', '.join(_KEYS)} do"
            )
    folder = place.parent
    meshes = tuple(str(folder / name) for name in _texts(table, "meshes", place))
    recipes = []
    for name in _texts(table, "layouts", place):
        recipes.append(Recipe.of(Layout.load(folder / name), Path(name).stem))
    grids = table.get("grid", [] if recipes else [{}])
    for grid in grids if isinstance(grids, list) else [grids]:
        recipes += _grid(grid, str(place))
    method = table.get("method", "linear")
    if method not in METHODS:
        raise RibbonsimError(f"{place}: method = {method!r} is not known: choose {METHODS}")
    return Plan(meshes, tuple(recipes), _poses(table.get("poses", {}), place), method)


def _texts(table: Mapping[str, Any], key: str, place: Path) -> list[str]:
    values = table.get(key, [])
    if not isinstance(values, list) or not all(isinstance(value, str) for value in values):
        raise RibbonsimError(f"{place}: {key} is no list of names: list files in quotation marks")
    return values


def _poses(given: Any, place: Path) -> dict[str, float | None]:
    if isinstance(given, list) and all(isinstance(name, str) for name in given):
        return dict.fromkeys(given)
    if isinstance(given, Mapping):
        amounts = [value for value in given.values() if isinstance(value, bool)]
        if not amounts and all(isinstance(value, int | float) for value in given.values()):
            return {name: float(value) for name, value in given.items()}
    raise RibbonsimError(f"{place}: poses are a list of names, or a table of names with amounts")


def _grid(table: Any, place: str) -> list[Recipe]:
    """All layouts of a grid: every number of controls on every number of stations, and so on."""
    if not isinstance(table, Mapping):
        raise RibbonsimError(f"{place}: grid is no table: give it lists, such as controls = [3, 5]")
    for key in table:
        if key not in _GRID:
            raise RibbonsimError(
                f"{place}: grid has {key!r}, which means nothing: {', '.join(_GRID)} do"
            )
    lists: dict[str, list[Any]] = {
        "controls": [5],
        "stations": [17],
        "reach": [DEFAULT_REACH],
        "drive": ["shares"],
    }
    lists |= {key: value if isinstance(value, list) else [value] for key, value in table.items()}
    _check_grid(lists, place)
    recipes = []
    for controls, stations, reach, drive in itertools.product(*(lists[key] for key in _GRID)):
        name = f"{controls} on {stations}"
        name += f", reach {reach:g}" if len(lists["reach"]) > 1 else ""
        name += f", {drive}" if len(lists["drive"]) > 1 else ""
        recipes.append(Recipe(name, int(stations), int(controls), (float(reach),), drive))
    return recipes


def _check_grid(lists: Mapping[str, Sequence[Any]], place: str) -> None:
    for key in ("controls", "stations"):
        for value in lists[key]:
            if not isinstance(value, int) or isinstance(value, bool) or value < 1:
                raise RibbonsimError(f"{place}: {key} = {value!r} is no whole number from 1")
    for value in lists["reach"]:
        if not isinstance(value, int | float) or isinstance(value, bool) or value <= 0:
            raise RibbonsimError(f"{place}: reach = {value!r} is no number above 0")
    for value in lists["drive"]:
        if value not in DRIVES:
            raise RibbonsimError(f"{place}: drive = {value!r} is not known: choose {DRIVES}")
