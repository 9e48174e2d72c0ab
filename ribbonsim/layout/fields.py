"""Fields of settings: what they may be and what they mean, said once in the dataclass itself.

A range stands in the field's metadata, choices in its type or metadata, and the meaning in the
numpydoc ``Parameters`` of the class; checks, layout files and JSON schemas take them from there.
"""

from __future__ import annotations

import re
from dataclasses import MISSING, Field, field, fields
from functools import cache
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from ribbonsim.checks import check_choice, check_number

Value = TypeVar("Value")


def within(low: float, high: float, default: Value = MISSING) -> Value:  # type: ignore[assignment]
    """A field of a dataclass that may be from ``low`` to ``high``, both allowed."""
    return field(default=default, metadata={"range": (low, high)})


def one_of(choices: tuple[str, ...], default: str) -> str:
    """A field of a dataclass that is one of several words."""
    return field(default=default, metadata={"choices": choices})


def fields_of(kind: type) -> dict[str, Field[Any]]:
    """Fields of a dataclass by name."""
    return {each.name: each for each in fields(kind)}


@cache
def types_of(kind: type) -> dict[str, Any]:
    """Types of a dataclass's fields."""
    hints = get_type_hints(kind)
    return {name: hints[name] for name in fields_of(kind)}


@cache
def range_of(kind: type, name: str) -> tuple[float, float] | None:
    """The lowest and the highest value that a field may have; None if nothing is said."""
    found: tuple[float, float] | None = fields_of(kind)[name].metadata.get("range")
    return found


@cache
def choices_of(kind: type, name: str) -> tuple[str, ...]:
    """Words that a field may be; none if it is free."""
    hint = types_of(kind)[name]
    if get_origin(hint) is Literal:
        return get_args(hint)
    return tuple(fields_of(kind)[name].metadata.get("choices", ()))


@cache
def meanings_of(kind: type) -> dict[str, str]:
    """What each parameter means, from the class's docstring; those without words are left out."""
    text = (kind.__doc__ or "").partition("    Parameters\n    ----------\n")[2]
    text = re.split(r"\n    \w+\n    -{3,}", text)[0]
    found: dict[str, str] = {}
    for names, words in re.findall(r"^    (\w[\w, ]*?)(?: :.*)?\n((?: {8}.*\n?)+)", text, re.M):
        sentence = " ".join(words.split())
        found |= {name.strip(): sentence for name in names.split(",")}
    return found


def check_fields(thing: object) -> None:
    """Refuse a value that its field does not allow, by the field's name."""
    kind: Any = type(thing)
    for name, hint in types_of(kind).items():
        choices, limits = choices_of(kind, name), range_of(kind, name)
        if choices:
            check_choice(name, getattr(thing, name), choices)
        elif limits is not None:
            check_number(name, getattr(thing, name), *limits, whole=hint is int)
