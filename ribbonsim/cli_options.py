"""What commands share: how options are read, and how progress is shown."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ribbonsim.errors import RibbonsimError

if TYPE_CHECKING:
    from ribbonsim.build import BuildOptions, LimbTip
    from ribbonsim.layout import Layout
    from ribbonsim.mesh import CreatureMesh
    from ribbonsim.preview import Progress
    from ribbonsim.rig import Method

Command = TypeVar("Command", bound=Callable[..., Any])

METHODS: dict[str, Method] = {"linear": "linear", "dual-quaternion": "dual_quaternion"}


class EndType(click.ParamType):
    """A vertex number as in the OBJ file, from 1, or a point ``x,y,z``."""

    name = "end"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int | tuple[float, float, float]:
        """Read one end.

        Parameters
        ----------
        value : str
        param, ctx
            As click hands them over.

        Returns
        -------
        int or (float, float, float)
            A vertex counted from 0, or a point.
        """
        if not isinstance(value, str):
            return value
        parts = value.split(",")
        try:
            if len(parts) == 1:
                number = int(parts[0])
                if number < 1:
                    self.fail(f"vertices count from 1, so there is no {number}", param, ctx)
                return number - 1
            x, y, z = (float(part) for part in parts)
        except ValueError:
            self.fail(f"{value!r} is neither a vertex number nor a point x,y,z", param, ctx)
        return x, y, z


class ControlsType(click.ParamType):
    """How many controls, or the numbers of their stations with commas between."""

    name = "controls"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int | tuple[int, ...]:
        """Read controls.

        Parameters
        ----------
        value : str
        param, ctx
            As click hands them over.

        Returns
        -------
        int or tuple of int
        """
        if not isinstance(value, str):
            return value
        try:
            numbers = tuple(int(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is neither a number nor a list such as 1,5,9", param, ctx)
        return numbers if "," in value else numbers[0]


class LimbType(click.ParamType):
    """The tip of an appendage as :class:`EndType` reads it, with a name after an equals sign."""

    name = "limb"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> LimbTip:
        """Read one appendage.

        Parameters
        ----------
        value : str
        param, ctx
            As click hands them over.

        Returns
        -------
        LimbTip
        """
        from ribbonsim.build import LimbTip

        if isinstance(value, LimbTip):
            return value
        tip, equals, name = (piece.strip() for piece in str(value).partition("="))
        if equals and not name:
            self.fail(f"{value!r} has no name after '='", param, ctx)
        return LimbTip(EndType().convert(tip, param, ctx), name or None)


class PosesType(click.ParamType):
    """Test poses with commas between, each with an amount if it is not to be the usual one."""

    name = "poses"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> dict[str, float | None]:
        """Read test poses.

        Parameters
        ----------
        value : str
        param, ctx
            As click hands them over.

        Returns
        -------
        dict of str to float or None
        """
        if not isinstance(value, str):
            return value
        poses: dict[str, float | None] = {}
        for part in value.split(","):
            name, equals, amount = (piece.strip() for piece in part.partition("="))
            if not name:
                self.fail(f"{value!r} has an empty name in it", param, ctx)
            if name in poses:
                self.fail(f"{name!r} is asked for twice", param, ctx)
            try:
                poses[name] = float(amount) if equals else None
            except ValueError:
                self.fail(f"the amount {amount!r} of {name!r} is not a number", param, ctx)
        return poses


def building_options(command: Command) -> Command:
    """Add the options that say how a layout is made.

    Parameters
    ----------
    command : callable

    Returns
    -------
    callable
    """
    options = [
        click.option(
            "--root",
            type=EndType(),
            metavar="V|X,Y,Z",
            help="Where the body begins: a vertex number as in the OBJ file, or a point. "
            "Found by itself if left out.",
        ),
        click.option("--tip", type=EndType(), metavar="V|X,Y,Z", help="Where the body ends."),
        click.option("--swap", is_flag=True, default=None, help="Exchange root and tip."),
        click.option(
            "--width",
            type=float,
            metavar="LENGTH",
            help="Width of the ribbon in scene units; half the body's radius if left out.",
        ),
        click.option("--spans", type=int, metavar="N", help="Spans of the ribbon.  [16]"),
        click.option("--stations", type=int, metavar="N", help="Stations along the ribbon.  [17]"),
        click.option(
            "--controls",
            type=ControlsType(),
            metavar="N|LIST",
            help="How many controls, or the numbers of their stations, such as 1,5,9,14,17.  [5]",
        ),
        click.option(
            "--appendages",
            is_flag=True,
            default=None,
            help="Put a ribbon on every barbel, fin and arm that is found.",
        ),
        click.option(
            "--appendage",
            type=LimbType(),
            multiple=True,
            metavar="V|X,Y,Z[=NAME]",
            help="Put a ribbon on the limb that this vertex or point is on, and name it. "
            "Repeat for more.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def names_of(files: Sequence[Path]) -> list[str]:
    """The files' stems, or the whole paths where stems do not tell them apart.

    Parameters
    ----------
    files : sequence of Path

    Returns
    -------
    list of str

    Raises
    ------
    RibbonsimError
        If a file is given twice.
    """
    stems = [file.stem for file in files]
    names = stems if len(set(stems)) == len(stems) else [str(file) for file in files]
    for name in names:
        if names.count(name) > 1:
            raise RibbonsimError(f"{name} is given twice: give different layout files")
    return names


def read_building(building: Mapping[str, Any], with_layout: bool = False) -> BuildOptions | None:
    """Building options as given; None if none was.

    Parameters
    ----------
    building : mapping of str to value
    with_layout : bool
        Whether a layout file was given, which leaves nothing to build.

    Returns
    -------
    BuildOptions or None

    Raises
    ------
    click.UsageError
        If both were given.
    """
    from ribbonsim.build import BuildOptions

    given = {key: value for key, value in building.items() if value is not None and value != ()}
    if given and with_layout:
        raise click.UsageError("--layout holds all that the building options say: give one of them")
    return BuildOptions(**given) if given else None


def count_of(number: int, noun: str) -> str:
    """A number with its noun, one or several.

    Parameters
    ----------
    number : int
    noun : str

    Returns
    -------
    str
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


# -- telling how far it is -----------------------------------------------------------------------


def tell_notes(mesh: CreatureMesh, layout: Layout | None = None, asked: bool = False) -> None:
    """Say on standard error what is odd about a mesh.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout, optional
    asked : bool
        Whether appendages were to be found for the layout.
    """
    notes = list(mesh.notes)
    if asked and layout is not None and not layout.appendages:
        notes.append(f"No appendages were found on the body of {mesh.name}.")
    for note in notes:
        click.echo(f"note: {note}", err=True)


@contextmanager
def progress_shown() -> Iterator[Progress]:
    """A live bar on a terminal, else one plain line for each stage; both on standard error.

    Yields
    ------
    callable
        Called as ``tell(stage, done, total)``.
    """
    if sys.stderr.isatty():
        with _bar() as tell:
            yield tell
    else:
        yield _plain_line


def _plain_line(stage: str, done: int, total: int) -> None:
    if done == 0:
        click.echo(f"{stage} ...", err=True)


@contextmanager
def _bar() -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(bar_width=28), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1)

        def tell(stage: str, done: int, total: int) -> None:
            bar.update(task, description=stage, completed=done, total=total)

        yield tell
