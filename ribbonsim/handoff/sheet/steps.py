"""The steps of building a rig by hand: ribbon, joints, controls and weights with their numbers."""

from __future__ import annotations

import numpy as np

from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.handoff.live import live_parents
from ribbonsim.handoff.sheet.drive_steps import drive_steps, falloff_words, joint_steps
from ribbonsim.handoff.sheet.parts import Figure, Prose, Section, Writer, counted
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.pages.html import Table
from ribbonsim.rig.rig import Rig

_NONE = "\N{EN DASH}"


def steps_of_work(rig: Rig, write: Writer) -> list[Section]:
    """Everything to be done, in order."""
    ribbons = rig.layout.ribbons
    sections = [_before(rig, write)]
    for name, layout in ribbons.items():
        title = "The ribbon" if len(ribbons) == 1 else f"The ribbon of {_shown(name)}"
        sections.append(_ribbon(rig, name, layout, write, title))
    sections += [_joints(rig, write), *drive_steps(rig, write)]
    return [*sections, _skin(rig)]


def _shown(ribbon: str) -> str:
    return "the body" if ribbon == BODY else ribbon


def _before(rig: Rig, write: Writer) -> Section:
    mesh, ribbon = rig.mesh, rig.layout.ribbon
    root, tip = (", ".join(write.point(ribbon.midline(t))) for t in (0.0, 1.0))
    return Section(
        "Before you begin",
        (
            Prose(
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


def _ribbon(rig: Rig, name: str, layout: OneRibbon, write: Writer, title: str) -> Section:
    ribbon = layout.ribbon
    rows = tuple(
        (str(i), f"{t:.5f}", *write.point(left), *write.point(right))
        for i, (t, (left, right)) in enumerate(
            zip(ribbon.greville, ribbon.control_points, strict=True), start=1
        )
    )
    heads = [f"edge {edge} {axis}" for edge in (1, 2) for axis in "xyz"]
    carried = () if name == BODY else (_ride(rig, name),)
    return Section(
        title,
        (
            Prose((*_ribbon_steps(ribbon, write), *carried), "steps"),
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
            Prose(("All knots along, for a package that asks for them:",)),
            Prose((" ".join(f"{knot:.7g}" for knot in ribbon.knots),), "code"),
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
    """The most even spans whose knots a ribbon has, and the further knots, rising.

    A knot that stands twice is named twice.
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
    parents = live_parents(rig)
    for name, layout in rig.layout.ribbons.items():
        lengths = layout.station_lengths
        stands = {control.station for control in layout.controls}
        first = rig.joints_of[name].start
        for k, t in enumerate(layout.stations):
            index = first + k
            parent, rest = parents[index], rig.joint_rest[index]
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
            Prose(joint_steps(rig), "steps"),
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


# -- skin ---------------------------------------------------------------------------------------


def _skin(rig: Rig) -> Section:
    rules = rig.layout.mesh_weights
    through = "through the body" if rules.distance == "body" else "through the air"
    lines = [
        "Bind the mesh to the ribbon joints, blended linearly, with "
        f"{counted(rules.influences, 'joint')} a vertex at most. The weights themselves are in the "
        "tables of the handoff, by the vertex numbers of the mesh's file, and in its glTF and USD.",
        f"How they were found: r is the distance {through} from a vertex to a joint, counted from "
        f"station to station, over a reach of {rules.reach:g}; a weight is "
        f"{falloff_words(rules)}; each row is divided by its sum.",
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
    return Section("Weights of the joints over the mesh", (Prose(tuple(lines)),))
