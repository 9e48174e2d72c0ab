"""The steps of building a rig by hand: ribbon, joints, controls and weights with their numbers."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ribbonsim.handoff.sheet_model import Figure, Section, Table, Words, Writer, counted
from ribbonsim.layout import BODY, ControlWeights, Layout, MeshWeights
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig
from ribbonsim.weights import surface_weights

Array = NDArray[np.float64]

_CONTROLS_A_TABLE = 8
# From here on a control's share in moving the ribbon is worth a word.
_MOVES = 5e-3
_NONE = "\N{EN DASH}"

_FALLOFFS = {
    "wendland_c2": "the falloff (1 − r)⁴ (4 r + 1), which ends at r = 1",
    "gaussian": "a Gaussian falloff in r",
    "inverse_distance": "one over r to the power {exponent:g}",
    "linear": "a falloff 1 − r, which ends at r = 1",
}


def steps_of_work(rig: Rig, write: Writer) -> list[Section]:
    """Everything to be done, in order.

    Parameters
    ----------
    rig : Rig
    write : Writer

    Returns
    -------
    list of Section
    """
    ribbons = rig.layout.ribbons
    sections = [_before(rig, write)]
    for name, layout in ribbons.items():
        title = "The ribbon" if len(ribbons) == 1 else f"The ribbon of {_shown(name)}"
        sections.append(_ribbon(rig, name, layout, write, title))
    sections += [_joints(rig, write), _controls(rig, write), _control_weights(ribbons)]
    return [*sections, _skin(rig)]


def _shown(ribbon: str) -> str:
    return "the body" if ribbon == BODY else ribbon


def _before(rig: Rig, write: Writer) -> Section:
    mesh, ribbon = rig.mesh, rig.layout.ribbon
    root, tip = (", ".join(write.point(ribbon.midline(t))) for t in (0.0, 1.0))
    return Section(
        "Before you begin",
        (
            Words(
                (
                    f"The mesh is {mesh.name}, with {len(mesh.positions):,} vertices and "
                    f"{counted(len(mesh.polygon_offsets) - 1, 'polygon')}. This sheet numbers "
                    "vertices from 1 in the order of the mesh's file; a package that divides them "
                    "at texture seams numbers them otherwise.",
                    f"{write.units.sentence()} The ribbon runs from the root at ({root}) to the "
                    f"tip at ({tip}).",
                    "The axes of a joint or control are, in this order: along the ribbon towards "
                    "the tip, across it towards edge 2, and the normal of both. Bend turns about "
                    "the across axis, sway about the normal, twist about the along axis; angles "
                    "are in degrees by the right-hand rule.",
                )
            ),
            Figure(
                "numbered",
                "The ribbon inside the body at rest: stations by number from the root, controls by "
                "name with the number of their station"
                + (
                    "; of appendages the controls by name, their stations are below."
                    if rig.layout.appendages
                    else "."
                ),
            ),
        ),
    )


# -- ribbon --------------------------------------------------------------------------------------


def _ribbon(rig: Rig, name: str, layout: Layout, write: Writer, title: str) -> Section:
    ribbon = layout.ribbon
    rows = tuple(
        (str(i), f"{t:.5f}", *write.point(one), *write.point(two))
        for i, (t, (one, two)) in enumerate(
            zip(ribbon.greville, ribbon.control_points, strict=True), start=1
        )
    )
    heads = [f"edge {edge} {axis}" for edge in (1, 2) for axis in "xyz"]
    carried = () if name == BODY else (_ride(rig, name),)
    return Section(
        title,
        (
            Words((*_ribbon_steps(ribbon, write), *carried), "steps"),
            Figure(
                f"strip {name}",
                "The ribbon laid flat, root at the left. Lines across are knots, small squares the "
                "rows of control points, circles stations, diamonds controls. Below: what share "
                "each control has in moving the ribbon there.",
            ),
            Table(
                ("row", "t", *heads),
                rows,
                frozenset(),
                "Control points, row by row from the root; t is the place that a row speaks for.",
            ),
            Words(("All knots along, for a package that asks for them:",)),
            Words((" ".join(f"{knot:.7g}" for knot in ribbon.knots),), "code"),
        ),
    )


def _ribbon_steps(ribbon: Ribbon, write: Writer) -> tuple[str, ...]:
    base, inserted = knots_to_insert(ribbon)
    places = ", ".join(f"{t:.6g}" for t in inserted)
    return (
        "Make a B-spline surface, not rational: degree 1 across, degree 3 along, clamped at its "
        "ends, parameters from 0 to 1 both ways.",
        f"Begin with one span across and {base} even {'span' if base == 1 else 'spans'} along.",
        f"Insert knots along at t = {places}; a place that is named twice gets two."
        if inserted
        else "Insert no knots: the spans are even.",
        f"Now there are {counted(ribbon.spans, 'span')} and "
        f"{len(ribbon.control_points)} rows of two control points. Move the points to the places "
        "in the table.",
        f"Check, in {write.units.unit_name}: the midline is {write.distance(ribbon.length)} long, "
        f"and at t = 0.5 the ribbon is {write.distance(float(ribbon.width(0.5)))} wide.",
    )


def _ride(rig: Rig, name: str) -> str:
    appendage = rig.layout.appendage(name)
    base = rig.joint_parents[rig.joints_of[name].start]
    joint = "" if base is None else f", most of all by {rig.joint_names[base]}"
    return (
        f"It rides on the ribbon of {_shown(appendage.rides_on)}, at {100 * appendage.at:.1f} % of "
        f"its length, and is carried by the ribbon joints there{joint}."
    )


def knots_to_insert(ribbon: Ribbon) -> tuple[int, list[float]]:
    """From how many even spans a ribbon's knots are made, and which knots are then inserted.

    Parameters
    ----------
    ribbon : Ribbon

    Returns
    -------
    (int, list of float)
        The most even spans whose knots the ribbon has, and the further knots, rising; one that
        stands twice is named twice.
    """
    inner = ribbon.knots[ribbon.degree + 1 : -(ribbon.degree + 1)]
    for base in range(len(inner) + 1, 1, -1):
        wanted = np.arange(1, base) / base
        nearest = np.abs(inner[:, None] - wanted).argmin(axis=0)
        if (np.abs(inner[nearest] - wanted) < 1e-9).all():
            return base, np.delete(inner, nearest).tolist()
    return 1, inner.tolist()


# -- joints --------------------------------------------------------------------------------------


def _joints(rig: Rig, write: Writer) -> Section:
    rows, turned, marked = [], [], set()
    for name, layout in rig.layout.ribbons.items():
        lengths = layout.ribbon.arc_length(layout.stations)
        stands = {control.station for control in layout.controls}
        first = rig.joints_of[name].start
        for k, t in enumerate(layout.stations):
            index = first + k
            parent, rest = rig.joint_parents[index], rig.joint_rest[index]
            joint = rig.joint_names[index]
            spacing = write.distance(float(lengths[k] - lengths[k - 1])) if k else _NONE
            hung = _NONE if parent is None else rig.joint_names[parent]
            measured = f"{t:.6f}", write.distance(float(lengths[k])), spacing
            rows.append((joint, hung, *measured, *write.point(rest[:3, 3])))
            turned.append((joint, *write.direction(rest[:3, 0]), *write.direction(rest[:3, 1])))
            if k + 1 in stands:
                marked.add(index)
    return Section(
        "Stations and ribbon joints",
        (
            Words(
                (
                    "Put a joint on the ribbon's middle line, across at 0.5, at each place t of "
                    "the table. Its first axis runs along the ribbon, its second across.",
                    "Let it ride the surface: place and axes come from the surface at t, posed or "
                    "at rest.",
                    "Scale it along by the length of the surface's derivative along t over that "
                    "at rest. Scale it across, both ways, by one over the square root of that, "
                    "so that volume holds, and by the girths of the controls, blended by their "
                    "weights over the ribbon there. The scale is the joint's own: it must not "
                    "reach the joints below it.",
                ),
                "steps",
            ),
            Table(
                ("joint", "parent", "t", "length", "spacing", "x", "y", "z"),
                tuple(rows),
                frozenset({0, 1}),
                "Places at rest. Length runs along the midline from the root, spacing from the "
                "joint before. A control stands at the joints that are set bold.",
                frozenset(marked),
            ),
            Table(
                ("joint", *(f"{axis} {k}" for axis in ("along", "across") for k in "xyz")),
                tuple(turned),
                caption="Directions of the first two axes at rest, to check by.",
            ),
        ),
    )


# -- controls ------------------------------------------------------------------------------------


def _controls(rig: Rig, write: Writer) -> Section:
    rows = []
    for name, layout in rig.layout.ribbons.items():
        ribbon, t = layout.ribbon, np.linspace(0.0, 1.0, 1001)
        lengths = ribbon.arc_length(t)
        share = ribbon.basis(t) @ surface_weights(layout)
        names = rig.layout.control_names_of(name)
        labels = dict(zip(layout.control_names, names, strict=True))
        for k, control in enumerate(layout.controls):
            moved = lengths[share[:, k] > _MOVES]
            span = (
                f"{write.distance(moved[0])} to {write.distance(moved[-1])}"
                if len(moved)
                else _NONE
            )
            stands = write.point(ribbon.midline(layout.control_places[k]))
            carrier = _NONE if control.carried_by is None else labels[control.carried_by]
            reach = f"{control.reach:g}"
            rows.append((names[k], str(control.station), *stands, carrier, reach, span))
    return Section(
        "Controls",
        (
            Words(
                (
                    "Put a control at each of these stations, with the axes of the joint there.",
                    "Make each the child of the control that carries it. One that none carries "
                    "stands alone; on an appendage it follows the joints that carry the appendage.",
                    "Give each control a joint that does what the control does, stretch (its scale "
                    "along) and girth (its scale across, both ways) included. These joints move "
                    "the ribbon, by the weights of the next step.",
                ),
                "steps",
            ),
            Words(
                (
                    "In two things ribbonsim's controls differ from a plain hierarchy. A control "
                    "that stretches, or whose carrier does, stands farther off from its carrier: "
                    "by the mean of both stretches. And twist goes on as a turn of each carried "
                    "control about its own along axis; only where no control carries the one that "
                    "twists does it swing what it carries about. The places of the controls in "
                    "the poses to check by have both in them.",
                )
            ),
            Table(
                ("control", "station", "x", "y", "z", "carried by", "reach", "moves lengths"),
                tuple(rows),
                frozenset({0, 5}),
                "Reach is in multiples of the distance to the neighbours. The last column says "
                "which part of the ribbon that is, by length along the midline: where the control "
                "has 0.5 % or more in the movement.",
            ),
        ),
    )


def _control_weights(ribbons: Mapping[str, Layout]) -> Section:
    parts: list[Words | Table] = [
        Words(
            (
                "Blend the ribbon's control points linearly between the controls' joints, both "
                "points of a row alike. Each row sums to 1.",
            )
        )
    ]
    for name, layout in ribbons.items():
        weights, names = surface_weights(layout), layout.control_names
        lead = "Weights" if len(ribbons) == 1 else f"Weights on the ribbon of {_shown(name)}"
        caption = f"{lead}, row by row of control points; by {_falloff(layout.control_weights)}."
        for start in range(0, len(names), _CONTROLS_A_TABLE):
            shown = slice(start, start + _CONTROLS_A_TABLE)
            rows = tuple(
                (str(i), *(_weight(weight) for weight in row[shown]))
                for i, row in enumerate(weights.tolist(), start=1)
            )
            parts.append(Table(("row", *names[shown]), rows, frozenset(), caption))
    return Section("Weights of the controls over the ribbon", tuple(parts))


def _weight(value: float) -> str:
    return "·" if value < 5e-6 else f"{value:.5f}"


def _falloff(rules: ControlWeights | MeshWeights) -> str:
    return _FALLOFFS[rules.falloff].format(exponent=rules.exponent)


def _skin(rig: Rig) -> Section:
    rules = rig.layout.mesh_weights
    through = "through the body" if rules.distance == "body" else "through the air"
    lines = [
        "Bind the mesh to the ribbon joints, blended linearly, with "
        f"{counted(rules.influences, 'joint')} a vertex at most. The weights themselves are in the "
        "tables of the handoff, by the vertex numbers of the mesh's file, and in its glTF and USD.",
        f"How they were found: r is the distance {through} from a vertex to a joint, counted from "
        f"station to station, over a reach of {rules.reach:g}; a weight is {_falloff(rules)}; each "
        "row is divided by its sum.",
    ]
    if rules.smoothing:
        lines.append(
            f"They were then averaged {counted(rules.smoothing, 'time')} over the mesh's edges."
        )
    if rules.prune:
        lines.append(f"Weights up to {rules.prune:g} were taken off.")
    ties = [
        f"{tie.part} follows station {tie.station} of {_shown(tie.ribbon)}"
        for tie in rig.layout.ties
    ]
    if ties:
        lines.append(f"Rigid parts: {'; '.join(ties)}.")
    return Section("Weights of the joints over the mesh", (Words(tuple(lines)),))
