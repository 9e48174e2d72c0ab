"""Options that several commands share: each is said once, with one name and one wording."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ribbonsim.cli.parameter_types import (
    ControlsType,
    EndType,
    LimbType,
    ListType,
    PosesType,
    SectionsType,
)
from ribbonsim.errors import RibbonsimError

if TYPE_CHECKING:
    from ribbonsim.arrays import Progress
    from ribbonsim.mesh.creature import CreatureMesh
    from ribbonsim.rig.first_layout import BuildOptions
    from ribbonsim.rig.rig import Method, Rig

Command = TypeVar("Command", bound=Callable[..., Any])

_METHODS: dict[str, Method] = {"linear": "linear", "dual-quaternion": "dual_quaternion"}
_PATH = click.Path(path_type=Path)

mesh_argument = click.argument("mesh", metavar="MESH", type=_PATH)
json_option = click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
method_option = click.option(
    "--method",
    type=click.Choice(list(_METHODS)),
    default="linear",
    show_default=True,
    callback=lambda _context, _option, given: _METHODS[given],
    help="How joints are blended on the skin.",
)


def motions_option(purpose: str) -> Callable[[Command], Command]:
    """``--motions``, a list of names, with what it is for."""
    return click.option(
        "--motions",
        type=ListType(),
        metavar="LIST",
        help=f"{purpose}: swim, crawl, slither, rear_up, strike, breathe, flutter, those that the "
        "layout keeps, or all.",
    )


def out_option(
    metavar: str, help_text: str, *, short: tuple[str, ...] = (), required: bool = True
) -> Callable[[Command], Command]:
    """Where to write: ``--out``, handed on as ``out``."""
    return click.option(
        *short, "--out", required=required, metavar=metavar, type=_PATH, help=help_text
    )


def force_option(command: Command) -> Command:
    """Whether to replace files that are there."""
    return click.option("--force", is_flag=True, help="Replace files that are there.")(command)


def poses_option(help_text: str, *, name: str = "--poses") -> Callable[[Command], Command]:
    """Poses by name, each with its amount or None for the usual one, handed on as ``poses``."""
    return click.option(name, "poses", type=PosesType(), metavar="LIST", help=help_text)


def layout_option(help_text: str, *, several: bool = False) -> Callable[[Command], Command]:
    """Layout files: ``--layout``, handed on as ``layout_file``, or ``layout_files`` if several."""
    name = "layout_files" if several else "layout_file"
    return click.option(
        "--layout", name, metavar="FILE", multiple=several, type=_PATH, help=help_text
    )


_BUILDING: dict[str, dict[str, Any]] = {
    "root": {
        "type": EndType(),
        "metavar": "V|X,Y,Z",
        "help": "Where the body begins: a vertex number as in the OBJ file, or a point. "
        "Found by itself if left out.",
    },
    "tip": {"type": EndType(), "metavar": "V|X,Y,Z", "help": "Where the body ends."},
    "swap": {"is_flag": True, "default": None, "help": "Exchange root and tip."},
    "up": {
        "type": click.Choice(("x", "y", "z", "-x", "-y", "-z")),
        "help": "The axis of the mesh's file that points up.  [y]",
    },
    "width": {
        "type": float,
        "metavar": "LENGTH",
        "help": "Width of the ribbon in scene units; half the body's radius if left out.",
    },
    "spans": {
        "type": int,
        "metavar": "N",
        "help": "Spans of the ribbon; if left out, 16 or as many more as it needs to bend evenly "
        "on top of its own curves.",
    },
    "stations": {"type": int, "metavar": "N", "help": "Stations along the ribbon.  [17]"},
    "controls": {
        "type": ControlsType(),
        "metavar": "N|LIST",
        "help": "How many controls, or the numbers of their stations, such as 1,5,9,14,17.  [5]",
    },
    "sections": {
        "type": SectionsType(),
        "metavar": "LIST",
        "help": "In place of --stations: ribbon joints of sections that share the joint where "
        "they meet; 9,9 makes 17 stations. --controls then says how many each section has, "
        "3 if it is left out, shared ones counted in both.",
    },
    "drive": {
        "type": click.Choice(("shares", "skinned")),
        "help": "How controls move the ribbon: each bends the piece that leads to it, by fixed "
        "shares; or the ribbon's surface is skinned to them.  [shares]",
    },
    "appendages": {
        "is_flag": True,
        "default": None,
        "help": "Put a ribbon on every barbel, fin and arm that is found.",
    },
    "appendage": {
        "type": LimbType(),
        "multiple": True,
        "metavar": "V|X,Y,Z[=NAME]",
        "help": "Put a ribbon on the limb that this vertex or point is on, and name it. "
        "Repeat for more.",
    },
    "ties": {
        "is_flag": True,
        "default": None,
        "help": "Tie small pieces, such as eyes and teeth, to the nearest stations.",
    },
}


def building_options_but(*left_out: str) -> Callable[[Command], Command]:
    """Options that say how a layout is made, handed on as ``building``; None if none is given.

    A layout file leaves nothing to build, so a command that takes one refuses both together.
    Some may be left out, by a command that has an option of that name itself.
    """
    kept = {name: settings for name, settings in _BUILDING.items() if name not in left_out}

    def with_options(command: Command) -> Command:
        @functools.wraps(command)
        def with_building(**options: Any) -> Any:
            given = {name: options.pop(name) for name in kept}
            has_layout = bool(options.get("layout_file") or options.get("layout_files"))
            return command(**options, building=_read_building(given, has_layout))

        wrapped: Any = with_building
        for name, settings in reversed(kept.items()):
            wrapped = click.option(f"--{name}", **settings)(wrapped)
        return wrapped

    return with_options


building_options = building_options_but()


def _read_building(options: Mapping[str, Any], has_layout: bool) -> BuildOptions | None:
    given = {name: value for name, value in options.items() if value is not None and value != ()}
    if not given:
        return None
    if has_layout:
        names = ", ".join(f"--{name}" for name in given)
        raise click.UsageError(
            f"--layout holds all that the building options say: leave out {names}"
        )
    if "sections" in given:
        given = _in_sections(given)
    from ribbonsim.rig.first_layout import BuildOptions

    return BuildOptions(**given)


def _in_sections(given: dict[str, Any]) -> dict[str, Any]:
    """Options with sections, which say how many stations there are and share out controls."""
    if "stations" in given:
        raise click.UsageError("--sections says how many stations there are: leave out --stations")
    controls = given.pop("controls", None)
    if isinstance(controls, tuple):
        raise click.UsageError(
            "with --sections, --controls says how many each section has: give a number"
        )
    return given if controls is None else {**given, "controls_per_section": controls}


def names_of(files: Sequence[Path]) -> list[str]:
    """The files' stems, or the whole paths where stems do not tell them apart."""
    stems = [file.stem for file in files]
    names = stems if len(set(stems)) == len(stems) else [str(file) for file in files]
    for name in names:
        if names.count(name) > 1:
            raise RibbonsimError(f"{name} is given twice: give different layout files")
    return names


def bind_layouts(mesh: CreatureMesh, files: Sequence[Path], progress: Progress) -> list[Rig]:
    """Bind one mesh to the layouts of several files; all files are read before the first bind."""
    from ribbonsim.layout.layout import Layout
    from ribbonsim.rig.bind import bind

    rigs = []
    for done, layout in enumerate([Layout.load(file) for file in files]):
        progress("bind the mesh", done, len(files))
        rigs.append(bind(mesh, layout))
    return rigs
