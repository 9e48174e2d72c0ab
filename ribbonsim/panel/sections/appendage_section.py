"""What rides on the body: found, accepted, named, seated, paired and mirrored."""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import replace

import ipywidgets as widgets
import numpy as np

from ribbonsim.body.propose import Proposal
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    QuantityRow,
    button,
    facts,
    field,
    heading,
    heading_text,
    pixels,
    row,
    slider_of_stations,
    wide,
)
from ribbonsim.panel.sections.number_box import NumberBox
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.sections.ribbon_tree import RibbonTree
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state import rider_words, riders
from ribbonsim.panel.state.names import short
from ribbonsim.panel.work.subject import Spot
from ribbonsim.view.look import Scale

_BINDS = "Binding again"
_SURE = 0.5
_MOST_NAMED = 4


class AppendageSection:
    """Proposals, and the place, base and partner of the chosen appendage.

    Parameters
    ----------
    view : ViewSection
        Where a tip is clicked.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, view: ViewSection) -> None:
        self._desk = desk
        self._shown: tuple[object, ...] = ()
        self._found: list[Proposal] = []
        self._mesh: CreatureMesh | None = None
        self._ticks: list[widgets.Checkbox] = []
        self._names: list[widgets.Text] = []
        self._tree = RibbonTree(desk, always=True)
        self._list = widgets.VBox([])
        self._offers = widgets.VBox(
            [
                heading("Found, and not added yet"),
                self._list,
                row(
                    button("Add the ticked", self._accept),
                    button("Refuse all", self._refuse, "forget what was found"),
                ),
            ]
        )
        self._offers.layout.display = "none"
        self._make_fields()
        self._axis = widgets.Dropdown(
            options=[("found", -1), ("across x", 0), ("across y", 1), ("across z", 2)],
            value=-1,
            layout=widgets.Layout(width=pixels(92)),
        )
        self._where = NumberBox(0.0, width=pixels(76))
        self._where.layout.visibility = "hidden"
        for part in (self._axis, self._where):
            part.observe(lambda _: self._give_plane(), "value")
        buttons = row(
            button("Pair left and right", lambda: self._tell(riders.pair)),
            button(
                "Mirror what has no partner",
                lambda: self._tell(riders.mirror),
                "make it on the other side too",
            ),
        )
        mirror = field("mirror plane", self._axis, self._where)
        self._all = widgets.VBox([buttons, mirror])
        self.box = widgets.VBox(
            [
                self._tree.box,
                row(
                    button("Find appendages", self._find, "barbels, fins, arms"),
                    button(
                        "Click a tip",
                        lambda: view.pick_vertex(self._add_at),
                        "add the appendage that you click, on the body or on another appendage",
                    ),
                ),
                self._offers,
                self._all,
                self._own,
            ]
        )
        desk.on_change(self.refresh)

    def _make_fields(self) -> None:
        self._name = widgets.Text(continuous_update=False, layout=wide())
        self._seat = slider_of_stations()
        self._seat.observe(self._set_seat, "value")
        grown = button("Base", self._set_grown, "ride where it grows from")
        self._at = QuantityRow(
            *("rides at", "share of the length of what carries it", 0.0, 1.0, 0.001, 0.5),
            changed=lambda at: self._change(riders.set_at, at),
            live=False,
            end=grown,
        )
        self._blend = QuantityRow(
            *("base blend", "how far from its base it takes over the skin, scene units"),
            *(0.0, 1.0, 0.01, 0.5),
            changed=lambda blend: self._change(riders.set_blend, blend),
            live=False,
        )
        self._level = widgets.HTML()
        self._level_add = button("Add a control there", self._add_level)
        self._level_move = button("Move the nearest there", self._move_level)
        self._mirror = button("Mirror it to the other side", self._mirror_one)
        self._title = heading("Appendage")
        self._own = widgets.VBox(
            [
                self._title,
                field("name", self._name, button("Rename", self._rename)),
                field("at station", self._seat),
                self._at,
                self._blend,
                row(self._mirror, button("Remove", self._remove)),
                self._level,
                row(self._level_add, self._level_move),
            ]
        )

    # -- to the model ------------------------------------------------------------------------

    @property
    def _chosen(self) -> str:
        return self._desk.model.ribbon

    def _act(self, act: Callable[[], object], says: str = "") -> bool:
        self._shown = ()  # a field that asked for too much goes back to what holds
        return self._desk.act(act, says, doing=_BINDS)

    def _change(self, act: Callable[..., object], *values: float) -> None:
        name = self._chosen
        self._act(lambda: act(self._desk.model, name, *values))

    def _tell(self, act: Callable[..., str], *values: object) -> None:
        """Make a change that says in words what came of it."""
        words: list[str] = []
        if self._act(lambda: words.append(act(self._desk.model, *values))):
            self._desk.say(words[0])

    def _find(self) -> None:
        model = self._desk.model
        found: list[tuple[list[Proposal], list[str]]] = []
        if not self._desk.act(lambda: found.append(riders.find(model)), doing="Looking"):
            return
        new, there = found[0]
        self._offer(new)
        again = f"There already: {', '.join(there)}." if there else ""
        if new:
            count = "one appendage" if len(new) == 1 else f"{len(new)} appendages"
            self._desk.say(f"Found {count}: tick what is to be added. {again}".strip())
        else:
            self._desk.say(
                f"No other appendage was found. {again}".strip()
                if there
                else "No appendage was found: click a tip to add one by hand."
            )

    def _offer(self, proposals: list[Proposal]) -> None:
        """List proposals, and show on the creature where the ticked ones are."""
        self._found = proposals
        self._mesh = self._desk.model.rig.mesh if proposals else None
        layout = self._desk.model.layout
        self._ticks, self._names = [], []
        lines = []
        for proposal in proposals:
            tick = widgets.Checkbox(
                value=proposal.confidence >= _SURE,
                description="add",
                indent=False,
                layout=widgets.Layout(width=pixels(54)),
            )
            tick.observe(lambda _: self._show_ticked(), "value")
            name = widgets.Text(
                value=proposal.name, layout=widgets.Layout(flex="1 1 80px", width="0")
            )
            words = html.escape(rider_words.proposal_words(layout, proposal))
            self._ticks.append(tick)
            self._names.append(name)
            facts = widgets.HTML(f'<div class="rs-facts">{words}</div>')
            lines.append(widgets.VBox([row(tick, name), facts]))
        self._list.children = lines
        self._offers.layout.display = "" if proposals else "none"
        self._show_ticked()

    def _show_ticked(self) -> None:
        """Let the ticked proposals stand out on the creature."""
        viewer, mesh = self._desk.viewer, self._mesh
        ticked = [
            p.vertices for p, tick in zip(self._found, self._ticks, strict=True) if tick.value
        ]
        if mesh is None or not ticked:
            self._desk.mark(None)
        else:
            vertices = np.unique(np.concatenate(ticked))
            blank = np.zeros(len(mesh.positions))
            spot = Spot(mesh, vertices, blank, Scale("appendages"), "ticked appendages")
            self._desk.mark(spot.plain())
        viewer.ask()

    def _accept(self) -> None:
        chosen = [
            replace(proposal, name=name.value.strip())
            for proposal, tick, name in zip(self._found, self._ticks, self._names, strict=True)
            if tick.value
        ]
        names: list[str] = []
        model = self._desk.model
        if self._act(lambda: names.extend(riders.accept(model, chosen))):
            self._offer([])
            self._say_added(names)

    def _refuse(self) -> None:
        self._offer([])
        self._desk.say("")

    def _add_at(self, tip: int) -> None:
        names: list[str] = []
        model = self._desk.model
        if self._act(lambda: names.append(riders.add_at(model, tip))):
            self._say_added(names)

    def _say_added(self, names: list[str]) -> None:
        partners = {name: self._desk.model.layout.appendage(name).partner for name in names}
        pairs = [f"{a} with {b}" for a, b in partners.items() if b and (b not in names or a < b)]
        if len(names) > _MOST_NAMED:
            paired = ", one pair" if len(pairs) == 1 else f", {len(pairs)} pairs"
            said = f"Added {len(names)} appendages{paired if pairs else ''}."
        else:
            paired = f" Paired: {', '.join(pairs)}." if pairs else ""
            said = f"Added {', '.join(names)}.{paired}"
        carriers = {proposal.rides_on for proposal in riders.waiting_on(self._desk.model, names)}
        if carriers:
            said += (
                f" Something grows from {', '.join(sorted(carriers))}: "
                "find again, or click its tip, to add it."
            )
        self._desk.say(said)

    def _give_plane(self) -> None:
        axis, at = self._axis.value, self._where.value
        self._where.layout.visibility = "hidden" if axis < 0 else "visible"
        if not self._quiet:
            model = self._desk.model
            self._desk.act(
                lambda: model.sides.give_plane(model.rig.mesh, None if axis < 0 else axis, at)
            )

    def _rename(self) -> None:
        name, new = self._chosen, self._name.value.strip()
        self._act(lambda: edits.rename_ribbon(self._desk.model, name, new))

    def _remove(self) -> None:
        self._change(riders.remove)

    def _set_seat(self, change: dict[str, int]) -> None:
        if not self._quiet:
            self._change(riders.set_at_station, change["new"])

    def _set_grown(self) -> None:
        model, name = self._desk.model, self._chosen
        self._act(lambda: riders.set_at(model, name, riders.grown_at(model, name)))

    def _mirror_one(self) -> None:
        self._tell(riders.mirror, [self._chosen])

    def _add_level(self) -> None:
        name = self._chosen
        added: list[str] = []
        model = self._desk.model
        if self._act(lambda: added.append(riders.add_level_control(model, name))):
            self._desk.say(f"{added[0]} stands level with the base of {name} now.")

    def _move_level(self) -> None:
        name = self._chosen
        moved: list[str] = []
        model = self._desk.model
        if self._act(lambda: moved.append(riders.move_level_control(model, name))):
            self._desk.say(f"{moved[0]} stands level with the base of {name} now.")

    # -- from the model ----------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        given = model.sides.given
        if given is None and self._axis.value >= 0:
            self._quiet = True
            try:
                self._axis.value = -1
            finally:
                self._quiet = False
        if self._mesh is not None and self._mesh is not model.rig.mesh:
            self._offer([])
        now = (model.layout, model.ribbon)
        if self._shown and self._shown[0] is now[0] and self._shown[1] == now[1]:
            return
        self._shown = now
        self._all.layout.display = "" if model.layout.appendages else "none"
        self._own.layout.display = "none" if model.ribbon == BODY else ""
        if model.ribbon != BODY:
            self._quiet = True
            try:
                self._show_own(model.layout.appendage(model.ribbon))
            finally:
                self._quiet = False

    def _show_own(self, appendage: Appendage) -> None:
        model = self._desk.model
        layout = model.layout
        words = rider_words.appendage_words(layout, appendage)
        self._title.value = heading_text(html.escape(f"{short(appendage.name)}, {words}"))
        self._name.value = appendage.name
        self._seat.max = len(layout.ribbons[appendage.rides_on].stations)
        self._seat.value = rider_words.station_near(layout, appendage.rides_on, appendage.at)
        self._at.tell(appendage.at)
        longest, rest = appendage.layout.ribbon.length, riders.usual_blend(model, appendage.name)
        step = float(f"{longest / 200:.1g}")
        if abs(self._blend.slider.max - longest) > step or abs(self._blend.rest - rest) > 1e-9:
            self._blend.set_range(0.0, longest, step, rest)
        self._blend.tell(appendage.blend)
        level = riders.level_with(layout, appendage.name)
        self._level.value = facts(level.words(appendage.name))
        self._level_add.disabled = self._level_move.disabled = level.there is not None
