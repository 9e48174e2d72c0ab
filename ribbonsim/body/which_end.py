"""Root and tip: which end of a guide is which, decided by shape, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array

# an end rests on the ground if it is no higher than its radius and this share of the height ...
_ON_GROUND = 0.06
# ... and the other end is off the ground by this share
_OFF_GROUND = 0.25
# an end is thin if it has less than this share of the other's radius
_THIN = 0.75
# from its base on, the radius of an even taper never rises again by more than this share of it
_RISES = 0.08
# so many times the vertices in one third of the body tell the end with the face
_DENSER = 1.5


@dataclass(frozen=True)
class WhichEnd:
    """Which end of a guide is the root, and why.

    Parameters
    ----------
    swapped : bool
        Whether the root is at the guide's last point.
    why : str
        Words for after "root".
    sure : bool
        Whether shape alone says so.
    """

    swapped: bool
    why: str
    sure: bool = True


def which_end(
    heights: tuple[float, float],
    height: float,
    radii: Array,
    vertices: tuple[int, int],
) -> WhichEnd:
    """Decide which end of a guide is the root.

    The end that rests on the ground is, if the other is raised; else the base of an even taper;
    else the thin one, the tail; else the one with fewer vertices, since a face is modelled densely.

    Parameters
    ----------
    heights : pair of float
        How far the first and the last point are above the lowest of the creature.
    height : float
        Of the whole creature, in the same units.
    radii : (n,) array
        Along the guide.
    vertices : pair of int
        In its first and its last third.
    """
    fifth = max(len(radii) // 5, 1)
    ends = float(radii[:fifth].mean()), float(radii[-fifth:].mean())
    low = [high <= end + _ON_GROUND * height for high, end in zip(heights, ends, strict=True)]
    raised = [high >= _OFF_GROUND * height for high in heights]
    for swapped in (False, True):
        if low[swapped] and raised[not swapped]:
            thin = ends[swapped] < _THIN * ends[not swapped]
            which = "thin end, which rests" if thin else "end that rests"
            return WhichEnd(swapped, f"at the {which} on the ground")
    if min(ends) < _THIN * max(ends):
        from_base = radii[::-1] if ends[1] > ends[0] else radii
        if _is_taper(from_base[fifth // 2 :]):
            return WhichEnd(ends[1] > ends[0], "at the thick end of an even taper")
        return WhichEnd(ends[1] < ends[0], "at the thin end, taken for the tail")
    few, many = sorted(vertices)
    if many > _DENSER * few:
        return WhichEnd(
            vertices[1] < vertices[0],
            "at the end with fewer vertices, since a face is modelled densely; both ends are "
            "equally thick, so look whether it is right",
            sure=False,
        )
    swapped = bool(ends[1] > (1.0 + 1e-4) * ends[0])
    return WhichEnd(
        swapped,
        "at an end that may as well be the tip: both are alike, so look whether it is right",
        sure=False,
    )


def _is_taper(radii: Array) -> bool:
    """Whether radii fall from a base to a tip without rising on the way."""
    rise = radii - np.minimum.accumulate(radii)
    return bool(rise.max() <= _RISES * radii.max())
