"""The steps that hang on the drive: joints, controls, and the table that ties them together."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.handoff.live import pieces_of, stretch_table
from ribbonsim.handoff.sheet.parts import Prose, Section, Writer
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.settings import ControlWeights, MeshWeights
from ribbonsim.pages.html import Table
from ribbonsim.rig.chain import Chain
from ribbonsim.rig.rig import Rig

_COLUMNS_A_TABLE = 8
# from here on a control's share in moving the ribbon is worth a word
_MOVES = 5e-3
_NONE = "\N{EN DASH}"

_FALLOFFS = {
    "wendland_c2": "the falloff (1 − r)⁴ (4 r + 1), which ends at r = 1",
    "gaussian": "a Gaussian falloff in r",
    "inverse_distance": "one over r to the power {exponent:g}",
    "linear": "a falloff 1 − r, which ends at r = 1",
}

_SKINNED_JOINTS = (
    "Put a joint on the ribbon's middle line, across at 0.5, at each place t of the table. Its "
    "first axis runs along the ribbon, its second across.",
    "Let it ride the surface: place and axes come from the surface at t, posed or at rest.",
    "Scale it along by the length of the surface's derivative along t over that at rest. Scale "
    "it across, both ways, by one over the square root of that, so that volume holds, and by the "
    "girths of the controls, blended by their weights over the ribbon there. The scale is the "
    "joint's own: it must not reach the joints below it.",
)
_CHAIN_JOINTS = (
    "Put a joint on the ribbon's middle line, across at 0.5, at each place t of the table. Its "
    "first axis runs along the ribbon, its second across. Parent the joints in a chain, each to "
    "the one that the table names: outwards from the control that carries the others.",
    "Between a joint and its parent put a node that has place and axes of the parent at rest. "
    "The node and the joint turn, each by half of the turn that the shares give for this step; "
    "so a step is: half a turn, the offset at rest, half a turn. On the way to the root end, "
    "where a parent is the joint after, both halves turn back (minus) and the offset is as at "
    "rest.",
    "Below each joint put another for the skin, with the same axes. It alone takes twist, as a "
    "turn about its first axis, and the scale: along by the stretch, across both ways by the "
    "girth over the square root of the stretch, so that volume holds. Neither reaches the chain.",
)


def joint_steps(rig: Rig) -> tuple[str, ...]:
    """How the ribbon joints are made."""
    return _SKINNED_JOINTS if rig.layout.drive == "skinned" else _CHAIN_JOINTS


def drive_steps(rig: Rig, write: Writer) -> list[Section]:
    """Controls, and how they move what they move."""
    controls = _controls(rig, write)
    if rig.layout.drive == "skinned":
        return [controls, _surface_section(rig, tuple(rig.layout.ribbons))]
    apart = tuple(name for name in rig.layout.ribbons if rig.part(name).chain.root is None)
    return [controls, _shares(rig), *([_surface_section(rig, apart)] if apart else [])]


def falloff_words(rules: ControlWeights | MeshWeights) -> str:
    """A falloff as it stands in sentences."""
    return _FALLOFFS[rules.falloff].format(exponent=rules.exponent)


def _shown(ribbon: str) -> str:
    return "the body" if ribbon == BODY else ribbon


# -- controls ------------------------------------------------------------------------------------

_SKINNED_CONTROLS = (
    "Put a control at each of these stations, with the axes of the joint there.",
    "Make each the child of the control that carries it. One that none carries stands alone; on "
    "an appendage it follows the joints that carry the appendage.",
    "Give each control a joint that does what the control does, stretch (its scale along) and "
    "girth (its scale across, both ways) included. These joints move the ribbon, by the weights "
    "of the next step.",
)
_SKINNED_STANDS = (
    "In two things ribbonsim's controls differ from a plain hierarchy. A control that stretches, "
    "or whose carrier does, stands farther off from its carrier: by the mean of both stretches. "
    "And twist goes on as a turn of each carried control about its own along axis; only where no "
    "control carries the one that twists does it swing what it carries about. The places of the "
    "controls in the poses to check by have both in them.",
)
_CHAIN_CONTROLS = (
    "Put a control at each of these stations, with the axes of the joint there, and let it ride "
    "the skin joint of its station.",
    "Give it the sliders bend, sway, twist, shift (three lengths), stretch and girth. The sliders "
    "go to the chain by the table of the next step; the control's own place moves nothing.",
    "The control that carries the others turns and shifts the first joint of the chain as a "
    "whole: twist first, then bend, then sway, each about the axes at rest, and then the shift "
    "along them.",
)


def _controls(rig: Rig, write: Writer) -> Section:
    skinned = rig.layout.drive == "skinned"
    rows = []
    for name, layout in rig.layout.ribbons.items():
        ribbon, chain = layout.ribbon, rig.part(name).chain
        names = rig.layout.control_names_of(name)
        labels = dict(zip(layout.control_names, names, strict=True))
        moved = _moved_lengths(chain, skinned)
        for k, control in enumerate(layout.controls):
            stands = write.point(ribbon.midline(layout.control_places[k]))
            carrier = _NONE if control.carried_by is None else labels[control.carried_by]
            span = " to ".join(map(write.distance, moved[k])) or _NONE
            rows.append(
                (names[k], str(control.station), *stands, carrier, f"{control.reach:g}", span)
            )
    prose = [Prose(_SKINNED_CONTROLS if skinned else _CHAIN_CONTROLS, "steps")]
    if skinned:
        prose.append(Prose(_SKINNED_STANDS))
    does = "has 0.5 % or more in the movement" if skinned else "itself bends the ribbon"
    return Section(
        "Controls",
        (
            *prose,
            Table(
                ("control", "station", "x", "y", "z", "carried by", "reach", "moves lengths"),
                tuple(rows),
                frozenset({0, 5}),
                "Reach is in multiples of the distance to the neighbours. The last column says "
                "which part of the ribbon that is, by length along the midline: where the control "
                f"{does}.",
            ),
        ),
    )


def _moved_lengths(chain: Chain, skinned: bool) -> list[tuple[float, ...]]:
    """First and last arc length that each control moves itself; nothing for one that moves all."""
    if skinned or chain.root is None:
        ribbon, t = chain.layout.ribbon, np.linspace(0.0, 1.0, 1001)
        lengths, share = ribbon.arc_length(t), ribbon.basis(t) @ chain.surface_weights
        inside = [lengths[column > _MOVES] for column in share.T]
        return [(float(one[0]), float(one[-1])) if len(one) else () for one in inside]
    driver, _ = pieces_of(chain, chain.root)
    found: list[tuple[float, ...]] = [()] * len(chain.control_rest)
    for piece, control in enumerate(driver):
        share = chain.path.share_values[:, piece]
        bent = chain.path.lengths[(share > _MOVES) & (share < 1.0 - _MOVES)]
        found[control] = (float(bent[0]), float(bent[-1]))
    return found


# -- shares --------------------------------------------------------------------------------------


def _shares(rig: Rig) -> Section:
    parts: list[Prose | Table] = [
        Prose(
            (
                "A piece lies between two neighbouring controls and is driven by the sliders of "
                "the one farther out. A step, from one station to the next towards the tip, has "
                "of each piece the share that stands at its outer station less that at its "
                "inner one: 0 or more, and all steps together 1.",
                "Bend and sway of a step are the sums over the pieces of step share times the "
                "driver's slider; shift likewise, and it is added to the offset at rest. Where "
                "the table says minus, the slider counts with its sign turned.",
                "Bend and sway make one rotation vector, (0, bend, sway) in the axes along, "
                "across and normal: a turn about that vector by its length. In a package without "
                "them, as a quaternion: with a the vector's length in radians and half of it for "
                "each half turn, w = cos(a / 4), and x, y, z = sin(a / 4) times the vector over "
                "a. With two angles in place of it turn bend first and sway second before the "
                "offset, and sway first and bend second after it; what both cost is measured "
                "below.",
                "Twist of a skin joint is the sum over the pieces of the driver's twist, times "
                "the share at its station less the share at the first joint of the chain, with "
                "the same signs.",
                "Stretch of a skin joint is 1 plus the sum over the controls of weight times "
                "(stretch less 1). The offset at rest of a step is multiplied by the mean of "
                "both its stations' stretches. Girth is that of the first control plus, for each "
                "piece, its share times what girth gains from the control before it to the one "
                "after it.",
            )
        )
    ]
    many = len(rig.layout.ribbons) > 1
    for name in rig.layout.ribbons:
        chain = rig.part(name).chain
        if chain.root is None:
            continue
        names = rig.layout.control_names_of(name)
        driver, sign = pieces_of(chain, chain.root)
        of = f" on {_shown(name)}" if many else ""
        joints = rig.joint_names[rig.joints_of[name]]
        driven = [
            f"{names[c]} {'minus' if s < 0 else ''}".strip()
            for c, s in zip(driver, sign, strict=True)
        ]
        parts += _tables(
            joints, driven, chain.share_table, f"Shares{of} at the stations, by what drives them."
        )
        parts += _tables(
            joints,
            list(names),
            stretch_table(chain),
            f"Stretch{of}: weights of the controls at the stations.",
        )
    return Section("Shares of the sliders along the chain", tuple(parts))


def _tables(rows: tuple[str, ...], heads: list[str], values: Array, caption: str) -> list[Table]:
    tables = []
    for start in range(0, len(heads), _COLUMNS_A_TABLE):
        shown = slice(start, start + _COLUMNS_A_TABLE)
        cells = tuple(
            (label, *(_weight(value) for value in row[shown]))
            for label, row in zip(rows, values.tolist(), strict=True)
        )
        tables.append(Table(("joint", *heads[shown]), cells, frozenset({0}), caption))
    return tables


# -- surface -------------------------------------------------------------------------------------


def _surface_section(rig: Rig, ribbons: tuple[str, ...]) -> Section:
    parts: list[Prose | Table] = [
        Prose(
            (
                "Blend the ribbon's control points linearly between the controls' joints, both "
                "points of a row alike. Each row sums to 1.",
            )
        )
    ]
    if rig.layout.drive == "shares":
        where = ", ".join(map(_shown, ribbons))
        parts.append(Prose((f"So {where} is built, whose controls stand in no chain.",)))
    for name in ribbons:
        layout, chain = rig.layout.ribbons[name], rig.part(name).chain
        lead = "Weights" if len(ribbons) == 1 else f"Weights on the ribbon of {_shown(name)}"
        caption = (
            f"{lead}, row by row of control points; by {falloff_words(layout.control_weights)}."
        )
        names, weights = layout.control_names, chain.surface_weights.tolist()
        for start in range(0, len(names), _COLUMNS_A_TABLE):
            shown = slice(start, start + _COLUMNS_A_TABLE)
            rows = tuple(
                (str(i), *(_weight(weight) for weight in row[shown]))
                for i, row in enumerate(weights, start=1)
            )
            parts.append(Table(("row", *names[shown]), rows, frozenset(), caption))
    return Section("Weights of the controls over the ribbon", tuple(parts))


def _weight(value: float) -> str:
    return "·" if value < 5e-6 else f"{value:.5f}"
