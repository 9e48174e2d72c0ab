"""Checks at the door: a value that cannot be used is named, with what is allowed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.errors import RibbonsimError


def check_choice(key: str, value: object, allowed: Sequence[str]) -> None:
    """Refuse a value that is not one of those allowed.

    Parameters
    ----------
    key : str
        What the value is for, as the user knows it.
    """
    if value not in allowed:
        raise RibbonsimError(f"{key} = {value!r} is not known: choose one of {', '.join(allowed)}")


def check_number(key: str, value: object, low: float, high: float, whole: bool = False) -> None:
    """Refuse what is not a number within limits.

    Parameters
    ----------
    key : str
        What the value is for, as the user knows it.
    low, high : float
        Allowed themselves.
    whole : bool
        Whether it must be a whole number.
    """
    number = isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(
        value, bool
    )
    if not number or not low <= value <= high or (whole and value != int(value)):  # type: ignore[operator,call-overload]
        kind = "whole number" if whole else "number"
        raise RibbonsimError(
            f"{key} = {value!r} cannot be used: give a {kind} from {low:g} to {high:g}"
        )


def check_pose_name(name: str) -> None:
    """Refuse a name that no command could take back: it gives poses as NAME=AMOUNT,NAME.

    Parameters
    ----------
    name : str
    """
    if not name.strip():
        raise RibbonsimError("a kept pose has no name: give it one")
    if set(name) & set("=,") or not name.isprintable():
        raise RibbonsimError(f"a pose cannot be called {name!r}: leave out '=', ',' and line ends")
