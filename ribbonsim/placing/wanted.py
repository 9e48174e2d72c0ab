"""Wanted: what is asked of a search."""

from __future__ import annotations

from dataclasses import dataclass

from ribbonsim.checks import check_choice
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.settings import DRIVES, Drive
from ribbonsim.rig.rig import Method

MOST_CONTROLS = 24


@dataclass(frozen=True)
class Wanted:
    """What is asked of a search.

    Parameters
    ----------
    fewest, most : int
        Numbers of controls.
    within : float or None
        Skin error that is wanted, per cent of the body length.
    stations : int or None
        Stations of the body; found if left out.
    keep : tuple of str
        Controls that stay where they stand.
    method : {"linear", "dual_quaternion"}
    drive : {"shares", "skinned"} or None
        How controls move the ribbons; what is closer if left out.
    """

    fewest: int
    most: int
    within: float | None = None
    stations: int | None = None
    keep: tuple[str, ...] = ()
    method: Method = "linear"
    drive: Drive | None = None


def check_wanted(layout: Layout, wanted: Wanted) -> None:
    """Refuse what cannot be sought of a layout."""
    for number in (wanted.fewest, wanted.most):
        if int(number) != number or not 2 <= number <= MOST_CONTROLS:
            raise RibbonsimError(
                f"{number} controls cannot be sought: give whole numbers from 2 to {MOST_CONTROLS}"
            )
    if wanted.drive is not None:
        check_choice("drive", wanted.drive, DRIVES)
    if wanted.fewest > wanted.most:
        raise RibbonsimError(
            f"controls {wanted.fewest} to {wanted.most} are none: give the fewest first"
        )
    if wanted.within is not None and not 0.0 < wanted.within < 100.0:
        raise RibbonsimError(
            f"within {wanted.within:g} % cannot be used: give per cent of the body length, above 0"
        )
    least = wanted.most + 2
    if wanted.stations is not None and not least <= wanted.stations <= 1000:
        raise RibbonsimError(
            f"{wanted.stations} stations are too few for {wanted.most} controls and both ends: "
            f"give {least} or more, or fewer controls"
        )
    for name in wanted.keep:
        if name not in layout.all_control_names:
            layout.index_of_control(name)  # says what there is
    if len(wanted.keep) > wanted.fewest:
        raise RibbonsimError(
            f"{len(wanted.keep)} controls stay where they stand, and {wanted.fewest} are sought: "
            f"seek {len(wanted.keep)} or more"
        )
