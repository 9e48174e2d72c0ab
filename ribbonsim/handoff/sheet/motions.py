"""Motions in a build sheet: their keys, lag and swing, so that they can be made again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.handoff.sheet.parts import Prose, Section, Writer, number
from ribbonsim.layout.pose import ControlPose
from ribbonsim.motion.follow import damping, half_time
from ribbonsim.pages.html import Table
from ribbonsim.rig.take import Take

_HEADS = ("motion", "seconds", "lag, s", "swing", "weight", "slide", "what it does")
_VALUES = ("time, s", "control", "bend", "sway", "twist", "along", "across", "normal", "stretch")


def motions_section(takes: Sequence[Take], write: Writer) -> Section:
    """The motions, what follows, and the values of the controls at the keys of each."""
    rows = tuple(
        (
            take.motion.shown,
            f"{take.seconds:g}",
            number(take.motion.lag, 2) if take.motion.follows else "0",
            number(take.motion.swing, 2) if take.motion.follows else "0",
            number(take.motion.weight, 2),
            number(take.motion.slide, 2),
            take.motion.describes,
        )
        for take in takes
    )
    return Section(
        "Motions",
        (
            Prose(
                (
                    "Each motion is a loop, baked into the animations of glTF and USD. To make one "
                    "again, key the controls as below and ease between the keys without going "
                    "past any.",
                    "Where the body follows, let each piece between two joints be turned by an "
                    "oscillator: Y″ + 2 ζ ω Y′ + ω² Y = ω² T, where T is the sum of the keyed "
                    "turns from the part that rests out to the piece, and what the piece adds is "
                    "the difference of neighbouring Y. With swing w, ζ = −ln w / √(π² + ln² w), "
                    "and 1 for no swing. At the slower free end ω is "
                    f"{half_time(damping(0.15)):.3f} / lag for a swing of 0.15, "
                    f"{half_time(1.0):.3f} / lag for none; nearer to the part that rests it is "
                    "larger.",
                    "Flattening on the ground is not in the joints: no skin goes below it, the "
                    "lower half of a section shrinks to fit, k times as high, and its width grows "
                    "by 1 / (½ + ½ k).",
                )
            ),
            Table(_HEADS, rows, frozenset({0, 6})),
            *(_keys(take, write) for take in takes),
        ),
    )


def _keys(take: Take, write: Writer) -> Table:
    """Values of controls at the keys; those that are at rest are left out."""
    count = take.count()
    instants = take.instants(count)
    rows: list[tuple[str, ...]] = []
    for key in take.motion.keys:
        one = instants[round(key * count) % count]
        for name, values in one.pose.controls.items():
            if _moves(values):
                rows.append((f"{one.time:.2f}", name, *_values(values, write)))
    shown = take.motion.shown
    return Table(_VALUES, tuple(rows), frozenset({1}), f"{shown}: controls at its keys")


def _moves(values: ControlPose) -> bool:
    turned = np.abs([values.bend, values.sway, values.twist]).max() > 0.005
    return bool(turned or any(values.shift) or abs(values.stretch - 1.0) > 5e-4)


def _values(values: ControlPose, write: Writer) -> tuple[str, ...]:
    angles = (number(value, 2) for value in (values.bend, values.sway, values.twist))
    shifts = (write.distance(value) for value in values.shift)
    return (*angles, *shifts, number(values.stretch, 3))
