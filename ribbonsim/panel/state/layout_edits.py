"""What a user changes in the layout of the panel's model: stations, spans, controls, ends."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array
from ribbonsim.body.guide import find_guide
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up, up_direction
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.falloff import wendland_c2
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.settings import Drive
from ribbonsim.panel.state.branches import with_ribbon
from ribbonsim.panel.state.model import PanelModel

# controls of a section: at its ends and in its middle
_PER_SECTION = 3


def change_own(model: PanelModel, own: OneRibbon, gesture: str = "") -> None:
    """Give the chosen ribbon other stations, controls or another shape."""
    ribbon = model.ribbon
    changed = with_ribbon(model.layout, ribbon, own)
    model.change_layout(changed, gesture=gesture and f"{ribbon} {gesture}")


def set_stations(model: PanelModel, count: int, spacing: str = "spans") -> None:
    """Place so many stations anew on the chosen ribbon."""
    # during a drag always from where it began: controls go to the nearest station each time
    own = model.layout_before(f"{model.ribbon} stations").ribbons[model.ribbon]
    made = own.with_stations(count, spacing)  # type: ignore[arg-type]
    change_own(model, made, "stations")


def set_spans(model: PanelModel, spans: int) -> None:
    """Divide the chosen ribbon into so many spans, dense where it was dense."""
    _set_ribbon(model, model.own.ribbon.with_spans(spans), "spans")


def set_density(model: PanelModel, lean: float) -> None:
    """Crowd spans and stations towards one end."""
    if not -1.0 <= lean <= 1.0:
        raise RibbonsimError(f"a lean of {lean!r} cannot be used: give -1 to 1")
    own = model.own
    ribbon = own.ribbon.with_knots(crowded(own.ribbon.spans, lean))
    change_own(model, replace(own, ribbon=ribbon).with_stations(len(own.stations)), "density")


def insert_knot(model: PanelModel, t: float) -> None:
    """Insert a knot; the ribbon keeps its shape, and one station more stands there."""
    own = model.own
    ribbon, stations = own.ribbon.insert_knots(t), own.stations
    if not np.isclose(stations, t, atol=1e-6).any():
        stations = np.sort(np.r_[stations, t])
    change_own(model, replace(own, ribbon=ribbon).with_stations(list(stations)))


def set_width(model: PanelModel, width: float) -> None:
    """Make the ribbon so wide."""
    _set_ribbon(model, model.own.ribbon.with_width(width), "width")


def turn_ribbon(model: PanelModel, degrees: float) -> None:
    """Roll the ribbon about its midline."""
    _set_ribbon(model, model.own.ribbon.rolled(degrees), "roll")


def move_guide(model: PanelModel, t: float, shift: ArrayLike) -> None:
    """Move the ribbon at a place, less and less towards its neighbours."""
    ribbon = model.own.ribbon
    share = wendland_c2(np.abs(ribbon.greville - t) / 0.3)
    moved = ribbon.control_points + share[:, None, None] * np.asarray(shift, dtype=float)
    _set_ribbon(model, Ribbon(moved, ribbon.knots), f"guide {t:g}")


def _set_ribbon(model: PanelModel, ribbon: Ribbon, gesture: str) -> None:
    change_own(model, replace(model.own, ribbon=ribbon), gesture)


def set_sections(model: PanelModel, joints: Sequence[int]) -> None:
    """Divide the chosen ribbon into sections that share the joint where they meet.

    Controls stand at the ends and in the middle of each section; the one nearest to where one
    stood still stands still, and weights are shared out as before.
    """
    own = model.own
    made = OneRibbon.in_sections(own.ribbon, joints, min([_PER_SECTION, *joints]))
    root = own.chain_root
    if root is None:
        made = made.alone()
    else:
        stood = own.control_places[own.control_index(root)]
        made = made.with_root(int(np.argmin(np.abs(made.control_places - stood))) + 1)
    weights = {"control_weights": own.control_weights, "mesh_weights": own.mesh_weights}
    change_own(model, replace(made, **weights))  # type: ignore[arg-type]


def read_sections(text: str) -> list[int]:
    """Read joints of sections as they are typed, such as ``9, 9``."""
    parts = [part.strip() for part in text.replace("+", ",").split(",")]
    if not all(part.isascii() and part.isdigit() for part in parts):
        raise RibbonsimError(
            f"{text!r} does not say how many joints each section has: write them with commas "
            "between, such as 9, 9"
        )
    return [int(part) for part in parts]


def swap_ends(model: PanelModel) -> None:
    """Exchange root and tip of the body."""
    model.change_layout(model.layout.reversed(), turned=True)


def set_up(model: PanelModel, up: Up) -> None:
    """Say which way is up: what nobody has touched is found again, else the ribbon is rolled."""
    model.stand(up)


def choose_ends(
    model: PanelModel, root: int | ArrayLike | None, tip: int | ArrayLike | None
) -> None:
    """Run the body's ribbon anew between chosen ends."""
    ends = model.layout.ribbon.midline([0.0, 1.0])
    guide = find_guide(
        model.rig.mesh,
        ends[0] if root is None else root,
        ends[1] if tip is None else tip,
        model.layout.up,
    )
    _run_along(model, BODY, guide)


def take_guide(model: PanelModel, guide: ArrayLike) -> None:
    """Run the chosen ribbon along a guide, with the width, spans and controls that it has."""
    _run_along(model, model.ribbon, np.asarray(guide, dtype=float))


def _run_along(model: PanelModel, name: str, guide: Array) -> None:
    own = model.layout.ribbons[name]
    width = float(own.ribbon.width(np.linspace(0.0, 1.0, 101)).mean())
    way = up_direction(model.layout.up)
    fresh = Ribbon.along(guide, width=width, spans=own.ribbon.spans, up=way)
    fresh = fresh.with_knots(own.ribbon.breaks)
    model.change_layout(with_ribbon(model.layout, name, replace(own, ribbon=fresh)))


def add_control(model: PanelModel, station: int) -> str:
    """Place another control on the chosen ribbon."""
    ribbon, own = model.ribbon, model.own
    grown = own.with_added(station)
    (name,) = set(grown.control_names) - set(own.control_names)
    change_own(model, grown)
    model.select(model.layout.control_name(ribbon, name))
    return model.selected


def remove_control(model: PanelModel, name: str) -> None:
    """Take a control away; the pose of the body stays as near as the others can hold it."""
    _change_control(model, name, lambda own, control: own.without_control(control))


def rename_control(model: PanelModel, name: str, new: str) -> None:
    """Rename a control."""
    model.rename_all(model.layout.renamed(name, new))


def rename_ribbon(model: PanelModel, name: str, new: str) -> None:
    """Rename an appendage, and with it its controls."""
    model.rename_all(model.layout.with_appendage_renamed(name, new))


def move_control(model: PanelModel, name: str, station: int) -> None:
    """Slide a control along its ribbon, between its neighbours."""

    def moved(own: OneRibbon, control: str) -> OneRibbon:
        low, high = free_stations(own, control)
        if not low <= station <= high:
            raise RibbonsimError(
                f"{control} cannot pass its neighbours: it may stand at stations {low} to {high}"
            )
        chain, there = own.chain_root, own.with_control(control, station=station)
        return there if chain is None else there.with_root(chain)

    _change_control(model, name, moved, f"move {name}")


def free_stations(own: OneRibbon, control: str) -> tuple[int, int]:
    """First and last station at which a control stands between its neighbours."""
    index = own.control_index(control)
    seats = [each.station for each in own.controls]
    low = seats[index - 1] + 1 if index else 1
    high = seats[index + 1] - 1 if index + 1 < len(seats) else len(own.stations)
    return low, high


def set_reach(model: PanelModel, name: str, reach: float) -> None:
    """Set how far a control's influence extends."""
    _change_control(
        model, name, lambda own, control: own.with_control(control, reach=reach), f"reach {name}"
    )


def _change_control(
    model: PanelModel, name: str, change: Callable[[OneRibbon, str], OneRibbon], gesture: str = ""
) -> None:
    """Change the ribbon that a control is on, by the control's own name."""
    ribbon, control = model.layout.control(name)
    own = change(model.layout.ribbons[ribbon], control.name)
    model.change_layout(with_ribbon(model.layout, ribbon, own), gesture=gesture)


def set_falloff(model: PanelModel, name: str) -> None:
    """Choose the kernel by which controls share the chosen ribbon."""
    rules = replace(model.own.control_weights, falloff=name)
    change_own(model, replace(model.own, control_weights=rules))


def set_carry(model: PanelModel, root: str | None) -> None:
    """Let the chosen ribbon's controls be carried outwards from one, or each stand alone."""
    change_own(model, model.own.alone() if root is None else model.own.with_root(root))


def set_drive(model: PanelModel, drive: Drive) -> None:
    """Let controls move all ribbons another way; their values stay."""
    model.change_layout(model.layout.with_drive(drive))


def crowded(spans: int, lean: float) -> Array:
    """Places that divide 0..1 into spans, crowded towards one end."""
    steps = 8.0 ** (-lean * np.linspace(0.0, 1.0, spans))
    places = np.r_[0.0, np.cumsum(steps)]
    places = places / places[-1]
    places[-1] = 1.0
    return places


def lean_of(breaks: ArrayLike) -> float:
    """How far spans are crowded towards one end: the inverse of :func:`crowded`."""
    spans = np.diff(np.asarray(breaks, dtype=float))
    return float(np.clip(-np.log(spans[-1] / spans[0]) / np.log(8.0), -1.0, 1.0))
