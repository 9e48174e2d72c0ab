"""Choice: which of the layouts that were found is recommended."""

from __future__ import annotations

from collections.abc import Mapping

from ribbonsim.placing.result import Placed
from ribbonsim.placing.words import per_cent


def so_far(suggested: Mapping[int, Placed], goal: float) -> str:
    """What is found so far, in the figures of the final table."""
    if not suggested:
        return "place controls"
    number = recommended(suggested, goal)
    return f"best so far: {number} controls, {per_cent(suggested[number].skin_error)}"


def recommended(placed: Mapping[int, Placed], goal: float) -> int:
    """Of those that break fewest limits the fewest controls that are enough, or the closest."""
    least = min(len(one.broken or ()) for one in placed.values())
    kept = {number: one for number, one in placed.items() if len(one.broken or ()) == least}
    enough = [number for number, one in kept.items() if one.skin_error <= goal]
    if enough:
        return min(enough)
    return min(kept, key=lambda number: (kept[number].skin_error, number))


def is_enough(placed: Placed, goal: float) -> bool:
    """Whether a layout is close enough and is known to keep all limits."""
    return placed.skin_error <= goal and placed.broken == ()


def error_of(placed: Placed) -> float:
    """Skin error, for sorting."""
    return placed.skin_error
