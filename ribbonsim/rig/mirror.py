"""Mirror: appendages in pairs, layouts and poses across a plane of symmetry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.plane import SymmetryPlane
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.layout.settings import Control
from ribbonsim.rig.joined import joint_slices, tied_joints

# partners' bases and tips lie this close to each other's mirror images, over their length
_CLOSE = 0.1
# limbs in unlike poses are a pair if their bases lie this close to each other's mirror images, over
# their length, lengths and widths differ by no more than these factors, and the cosine between
# one's direction and the other's mirrored one is greater than this
_BASES, _LENGTHS, _WIDTHS, _SWING = 0.4, 1.3, 1.5, 0.5


@dataclass(frozen=True)
class MirrorReport:
    """What a mirrored layout matches and what it does not.

    Parameters
    ----------
    pairs : tuple of (str, str)
        Appendages that are each other's partners.
    middle : tuple of str
        Appendages that the plane halves.
    made : tuple of str
        Appendages that were made as mirror images.
    unmatched : tuple of str
        Appendages that have nothing on the other side.
    loose_vertices : int
        Vertices of the mesh that have no partner.
    """

    pairs: tuple[tuple[str, str], ...]
    middle: tuple[str, ...]
    made: tuple[str, ...]
    unmatched: tuple[str, ...]
    loose_vertices: int


def pair_appendages(layout: Layout, plane: SymmetryPlane) -> tuple[Layout, MirrorReport]:
    """Find which appendages are each other's mirror images, and note it in the layout.

    Parameters
    ----------
    layout : Layout
    plane : SymmetryPlane

    Returns
    -------
    layout : Layout
        With ``partner`` set on both of each pair and cleared elsewhere.
    report : MirrorReport
    """
    middle = [one.name for one in layout.appendages if _misfit(one, one, plane) < _CLOSE]
    aside = [one for one in layout.appendages if one.name not in middle]
    fits = sorted(
        (_misfit(one, other, plane), i, k)
        for i, one in enumerate(aside)
        for k, other in enumerate(aside[:i])
    )
    partner: dict[str, str] = {}
    for misfit, i, k in fits:
        one, other = aside[k].name, aside[i].name
        if np.isfinite(misfit) and one not in partner and other not in partner:
            partner[one], partner[other] = other, one
    appendages = tuple(replace(one, partner=partner.get(one.name)) for one in layout.appendages)
    names = [one.name for one in layout.appendages]
    pairs = [
        (name, partner[name])
        for name in names
        if name in partner and names.index(name) < names.index(partner[name])
    ]
    alone = [
        one.name for one in layout.appendages if one.name not in partner and one.name not in middle
    ]
    report = MirrorReport(tuple(pairs), tuple(middle), (), tuple(alone), _loose(plane))
    return replace(layout, appendages=appendages), report


def mirror_layout(
    layout: Layout, plane: SymmetryPlane, names: Sequence[str] | None = None
) -> tuple[Layout, MirrorReport]:
    """Give appendages their mirror images on the other side.

    Parameters
    ----------
    layout : Layout
    plane : SymmetryPlane
    names : sequence of str, optional
        Appendages that are the model for the other side; those without a partner if left
        out. A partner that is there already takes over ribbon, stations and controls.

    Returns
    -------
    layout : Layout
    report : MirrorReport

    Raises
    ------
    RibbonsimError
        If a name is not that of an appendage.
    """
    paired, found = pair_appendages(layout, plane)
    models = found.unmatched if names is None else names
    made = []
    for name in models:
        model = paired.appendage(name)
        if name in found.middle:
            continue
        image = mirror_appendage(paired, model, plane)
        made.append(image.name)
        paired = paired.with_appendage(image).with_appendage(replace(model, partner=image.name))
    done, report = pair_appendages(paired, plane)
    return done, replace(report, made=tuple(made))


def mirror_appendage(layout: Layout, model: Appendage, plane: SymmetryPlane) -> Appendage:
    """The mirror image of an appendage.

    Its edges are exchanged, so that a bend is a bend to the same side on both.

    Returns
    -------
    Appendage
        Under its partner's name, or a new one.
    """
    own = model.layout
    points = plane.mirror(own.ribbon.control_points)[:, ::-1]
    name = model.partner or _name_across(model.name, set(layout.ribbons))
    ribbon = Ribbon(np.ascontiguousarray(points), own.ribbon.knots)
    carrier = next((one for one in layout.appendages if one.name == model.rides_on), None)
    rides_on = carrier.partner if carrier is not None and carrier.partner else model.rides_on
    return replace(
        model,
        name=name,
        layout=replace(own, ribbon=ribbon),
        rides_on=rides_on,
        partner=model.name,
    )


def mirror_pose(layout: Layout, plane: SymmetryPlane, pose: Pose) -> Pose:
    """The pose that does on one side what a pose does on the other."""
    controls = {}
    for ribbon, one in layout.ribbons.items():
        for control in one.controls:
            whole = layout.control_name(ribbon, control.name)
            if whole in pose.controls:
                name, value = mirror_control(layout, plane, whole, pose[whole])
                controls[name] = value
    return Pose(controls, pose.keep_volume)


def mirror_control(
    layout: Layout, plane: SymmetryPlane, name: str, value: ControlPose, opposite: bool = False
) -> tuple[str, ControlPose]:
    """What the control on the other side does when one moves.

    Parameters
    ----------
    name : str
        One of all the layout's controls.
    opposite : bool
        Move against the mirror image instead of with it.

    Returns
    -------
    name : str
        Of the partner's control that stands at the same share of its length; of the control
        itself on a ribbon without a partner.
    value : ControlPose

    Raises
    ------
    RibbonsimError
        If there is no such control.
    """
    ribbon, control = layout.control(name)
    other = ribbon if ribbon == BODY else layout.appendage(ribbon).partner or ribbon
    there = _seat_across(layout, ribbon, control, other)
    mine, its = (_frame(layout, r, c) for r, c in ((ribbon, control), (other, there)))
    image = mine - 2.0 * np.outer(plane.normal, plane.normal @ mine)
    across, normal = (1.0 if image[:, k] @ its[:, k] >= 0 else -1.0 for k in (1, 2))
    turned = _mirrored(value, across, normal)
    if opposite:
        turned = ControlPose(
            bend=-turned.bend,
            sway=-turned.sway,
            twist=-turned.twist,
            shift=(-turned.shift[0], -turned.shift[1], -turned.shift[2]),
            stretch=1.0 / turned.stretch,
            girth=1.0 / turned.girth,
        )
    return layout.control_name(other, there.name), turned


def opposite_joints(layout: Layout) -> Ints:
    """For each joint the one on the other side; itself on a ribbon without a partner.

    Returns
    -------
    (N,) int array
    """
    slices = joint_slices(layout)
    index = np.arange(max(own.stop for own in slices.values()))
    for one in layout.appendages:
        if one.partner is None or one.partner not in slices:
            continue
        mine, its = slices[one.name], slices[one.partner]
        if mine.stop - mine.start == its.stop - its.start:
            index[mine] = np.arange(its.start, its.stop)
    tied = tied_joints(layout)
    own = len(index) + np.arange(len(tied))
    there = [np.flatnonzero(tied == index[joint]) for joint in tied]
    opposite = [own[seats[0]] if len(seats) else own[i] for i, seats in enumerate(there)]
    return np.r_[index, np.array(opposite, dtype=np.int64)]


def _mirrored(value: ControlPose, across: float, normal: float) -> ControlPose:
    """A control's motion mirrored into a frame whose axes are images, or images reversed."""
    x, y, z = value.shift
    # a turn about the image of an axis goes the other way round
    return replace(
        value,
        bend=-across * value.bend,
        sway=-normal * value.sway,
        twist=-value.twist,
        shift=(x, across * y, normal * z),
    )


def _frame(layout: Layout, ribbon: str, control: Control) -> Array:
    one = layout.ribbons[ribbon]
    return one.ribbon.frames(one.stations[control.station - 1])[:3, :3]


def _seat_across(layout: Layout, ribbon: str, control: Control, other: str) -> Control:
    """The control of another ribbon that stands at the same share of its length."""
    if ribbon == other:
        return control
    one, its = layout.ribbons[ribbon], layout.ribbons[other]
    place = one.ribbon.arc_length(one.stations[control.station - 1]) / one.ribbon.length
    shares = its.control_shares
    return its.controls[int(np.argmin(np.abs(shares - place)))]


def _misfit(one: Appendage, other: Appendage, plane: SymmetryPlane) -> float:
    """How far an appendage is from the mirror image of another; infinite if they are no pair.

    Limbs alike in pose are told by where they are. A leg that has stepped forward is a pair
    with the one that has stepped back if they grow from mirrored places and are alike.
    """
    mine = plane.mirror(np.asarray(one.layout.ribbon.midline([0.0, 0.5, 1.0])))
    its = np.asarray(other.layout.ribbon.midline([0.0, 0.5, 1.0]))
    lengths = np.array([one.layout.ribbon.length, other.layout.ribbon.length])
    away = float(np.linalg.norm(mine - its, axis=1).max() / lengths.max())
    if away < _CLOSE or one is other:
        return away
    apart = np.linalg.norm(mine[0] - its[0]) / lengths.max()
    widths = [_width(one), _width(other)]
    chords = [line[2] - line[0] for line in (mine, its)]
    cosine = chords[0] @ chords[1] / max(float(np.prod(np.linalg.norm(chords, axis=1))), 1e-300)
    alike = (
        apart < _BASES
        and lengths.max() < _LENGTHS * lengths.min()
        and max(widths) < _WIDTHS * min(widths)
        and cosine > _SWING
    )
    return _CLOSE + float(apart) + 1.0 - float(cosine) if alike else np.inf


def _width(one: Appendage) -> float:
    edges = one.layout.ribbon.control_points
    return float(np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1).mean())


def _loose(plane: SymmetryPlane) -> int:
    unequal = plane.pairs[plane.pairs] != np.arange(len(plane.pairs))
    return int(np.count_nonzero(unequal | ~plane.matched))


def _name_across(name: str, taken: set[str]) -> str:
    for here, there in (("left", "right"), ("_l", "_r"), ("_L", "_R")):
        for a, b in ((here, there), (there, here)):
            if a.startswith("_") and name.endswith(a) and name[: -len(a)] + b not in taken:
                return name[: -len(a)] + b
            if not a.startswith("_") and a in name and name.replace(a, b) not in taken:
                return name.replace(a, b)
    label, number = f"{name}_across", 2
    while label in taken:
        label, number = f"{name}_across{number}", number + 1
    return label
