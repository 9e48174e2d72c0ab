"""The outcome of a search in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ribbonsim.bendcheck.other_drive import INSTEAD
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.settings import Drive
from ribbonsim.placing.result import Placed, Suggestion

# a layout that is better by less than this is no better
ALIKE = 0.05
# a control so near to an end stands at it
_AT_END = 0.04
_DRIVEN: dict[Drive, str] = {
    "shares": "Driven by shares",
    "skinned": "Skinned to the surface",
}
_WORDS = (
    *("no", "one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)


def number_word(number: int) -> str:
    """A number as it is read, up to twelve in letters."""
    return _WORDS[number] if 0 <= number < len(_WORDS) else str(number)


def per_cent(share: float) -> str:
    """A share of the length in per cent, with two digits that count."""
    value = 100.0 * share
    return f"{value:.2f} %" if value < 9.95 else f"{value:.0f} %"


def listed(words: Sequence[str]) -> str:
    """Words as a sentence lists them."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def poses_in_words(found: Suggestion) -> str:
    """The poses by name, or how many there are."""
    names = [one.wish.bare for one in found.asked]
    return listed(names) if len(names) <= 3 else f"{number_word(len(names))} poses"


def sentences_of(found: Suggestion) -> list[str]:
    """The outcome, the most important first."""
    best = found.best
    told = [_main(found, best)]
    told += _for_limits(found)
    if not found.holds and not told[1:]:
        told.append(_not_reached(found))
    told += [_floor(name, found) for name in found.floor if found.floor[name].folds]
    told += _ends(found)
    if found.knots:
        places = listed([f"{place:.2f}" for place in sorted(found.knots)])
        told.append(
            f"The ribbon got knots at {places} of its length: with its spans alone even exact "
            "frames leave a kink there."
        )
    return told


def _main(found: Suggestion, best: Placed) -> str:
    number = found.recommended
    whose = "body" if best.ribbon == BODY else best.ribbon
    even = found.even[number]
    poses = poses_in_words(found)
    if best.skin_error > (1.0 - ALIKE) * even.skin_error:
        return (
            f"For bends all over the body, even spacing is within 5 % of the best: "
            f"{number_word(number)} even controls keep the skin within "
            f"{per_cent(even.skin_error)} of the {whose} length in {poses}."
            if best is even or best.ribbon == BODY
            else f"{number_word(number).capitalize()} even controls do as well as any in {poses}."
        )
    places = listed([f"{place:.2f}" for place in best.controls])
    return (
        f"{number_word(number).capitalize()} controls at {places} of the {whose} "
        f"{_like(found, best)} in {poses}: the skin stays within "
        f"{per_cent(best.skin_error)} of the {whose} length."
    )


def _like(found: Suggestion, best: Placed) -> str:
    """Which even layout bends as well."""
    alike = [k for k, one in sorted(found.even.items()) if one.skin_error <= best.skin_error]
    if alike and alike[0] > found.recommended:
        return f"bend it as well as {number_word(alike[0])} even ones"
    best_even = min(found.even, key=lambda k: found.even[k].skin_error)
    if best_even > found.recommended:
        return (
            f"bend it better than {number_word(best_even)} even ones "
            f"({per_cent(found.even[best_even].skin_error)})"
        )
    even = found.even[found.recommended].skin_error
    return f"bend it better than as many even ones ({per_cent(even)})"


def _not_reached(found: Suggestion) -> str:
    wanted = 0.0 if found.within is None else found.within
    return (
        f"No layout of up to {number_word(max(found.numbers))} controls stays within {wanted:g} %: "
        "allow more controls, ask for less bending, or accept it."
    )


def _for_limits(found: Suggestion) -> list[str]:
    """What is as close with fewer controls, or closer, and breaks limits that this keeps."""
    broken = len(found.best.broken or ())
    near = found.best.skin_error if found.within is None else found.within / 100.0
    for number, one in sorted(found.suggested.items()):
        worse = len(one.broken or ()) > broken
        if worse and one.skin_error <= near and (number < found.recommended or not found.holds):
            name = number_word(number).capitalize()
            said = (one.broken or ("",))[0]
            return [f"{name} controls come to {per_cent(one.skin_error)} and break a limit: {said}"]
    return []


def with_other_drive(found: Suggestion, drive: Drive, skin_error: float | None) -> Suggestion:
    """The same with what as many controls reach under the other drive, said at the end.

    None stands for a drive under which they cannot do the poses.
    """
    told = _other_drive(found, drive, skin_error)
    return replace(found, other_drive=(drive, skin_error), sentences=(*found.sentences, told))


def _other_drive(found: Suggestion, drive: Drive, skin_error: float | None) -> str:
    """By how much as many controls are closer than under the other drive, or farther."""
    own, number = _DRIVEN[found.layout.drive], number_word(found.recommended)
    if skin_error is None:
        return f"{own}. {INSTEAD[drive]}, {number} controls cannot do these poses at all."
    return (
        f"{own}: {per_cent(found.best.skin_error)}. {INSTEAD[drive]}, "
        f"{number} controls come to {per_cent(skin_error)} at best."
    )


def _floor(name: str, found: Suggestion) -> str:
    shown = next(one.wish.shown for one in found.asked if one.name == name)
    folds = found.floor[name].folds
    what = "triangle" if folds == 1 else "triangles"
    return f"Ask for less, or accept: even an exact ribbon folds {folds} {what} in {shown}."


def _ends(found: Suggestion) -> list[str]:
    controls = found.best.controls
    low, high = float(controls[0]), float(controls[-1])
    rests = []
    if low > _AT_END:
        rests.append(f"up to {low:.2f}")
    if high < 1.0 - _AT_END:
        rests.append(f"from {high:.2f} on")
    if not rests:
        return []
    return [
        f"What lies {' and '.join(rests)} is left as it rests, as these poses leave it almost: "
        "no control stands at that end."
        if len(rests) == 1
        else f"What lies {' and '.join(rests)} is left as it rests, as these poses leave it "
        "almost: no control stands at the ends."
    ]


def differences(found: Suggestion) -> str:
    """A table of even and suggested layouts by number of controls, as plain text."""
    rows = [("controls", "even", "suggested", "at")]
    for number in found.numbers:
        placed = found.suggested[number]
        at = "even" if placed is found.even[number] else _at(placed)
        rows.append(
            (
                f"{number}{'  <-' if number == found.recommended else ''}",
                per_cent(found.even[number].skin_error),
                per_cent(placed.skin_error),
                at,
            )
        )
    widths = [max(len(row[k]) for row in rows) for k in range(4)]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) for row in rows]
    return "\n".join(line.rstrip() for line in lines)


def _at(placed: Placed) -> str:
    return " ".join(f"{place:.2f}" for place in np.asarray(placed.controls))
