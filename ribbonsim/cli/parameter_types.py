"""How words of the command line become values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from ribbonsim.rig.first_layout import LimbTip


_FARTHEST = 1e18  # as far as coordinates of a mesh may be


class EndType(click.ParamType):
    """A vertex number as in the OBJ file, from 1, or a point ``x,y,z``."""

    name = "end"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int | tuple[float, float, float]:
        """Read a vertex, counted from 0 from here on, or a point."""
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
            if not all(abs(number) <= _FARTHEST for number in (x, y, z)):
                self.fail(f"{value!r} is too far away to be on a mesh", param, ctx)
        except ValueError:
            self.fail(f"{value!r} is neither a vertex number nor a point x,y,z", param, ctx)
        return x, y, z


class ControlsType(click.ParamType):
    """How many controls, or the numbers of their stations with commas between."""

    name = "controls"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int | tuple[int, ...]:
        """Read controls."""
        if not isinstance(value, str):
            return value
        try:
            numbers = tuple(int(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is neither a number nor a list such as 1,5,9", param, ctx)
        return numbers if "," in value else numbers[0]


class RangeType(click.ParamType):
    """A number, or the fewest and the most with a dash between."""

    name = "range"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Read one or two numbers."""
        if not isinstance(value, str):
            return value
        first, dash, last = value.partition("-")
        try:
            return int(first), int(last if dash else first)
        except ValueError:
            self.fail(f"{value!r} is neither a number nor two such as 3-9", param, ctx)


class SectionsType(click.ParamType):
    """Ribbon joints of sections that share the joint where they meet, with commas between."""

    name = "sections"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, ...]:
        """Read sections."""
        if not isinstance(value, str):
            return tuple(value)
        try:
            return tuple(int(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is not a list of numbers of joints such as 9,9", param, ctx)


class LimbType(click.ParamType):
    """The tip of an appendage as :class:`EndType` reads it, with a name after an equals sign."""

    name = "limb"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> LimbTip:
        """Read one appendage."""
        from ribbonsim.rig.first_layout import LimbTip

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
        """Read test poses."""
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


class ListType(click.ParamType):
    """Words with commas between."""

    name = "list"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> list[str]:
        """Read a list."""
        if not isinstance(value, str):
            return value
        words = [word.strip() for word in value.split(",")]
        if not all(words):
            self.fail(f"{value!r} has an empty name in it", param, ctx)
        return words


class FromToType(click.ParamType):
    """What the scene has, and after a colon what is to be written if that is another.

    Parameters
    ----------
    known : mapping of str to str
        What may be given, and its full name, which may be given too.
    """

    name = "from:to"

    def __init__(self, known: Mapping[str, str]) -> None:
        self.known = known

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str | None]:
        """Read one or two words."""
        if not isinstance(value, str):
            return value
        have, colon, want = (word.strip().lower() for word in value.partition(":"))
        if not have or (colon and not want):
            self.fail(f"{value!r} is neither a name nor two with a colon between", param, ctx)
        known = self.known
        for word in filter(None, (have, want)):
            if word not in known and word not in known.values():
                self.fail(f"{word!r} is none of {', '.join(known)}", param, ctx)
        return known.get(have, have), known.get(want, want) or None
