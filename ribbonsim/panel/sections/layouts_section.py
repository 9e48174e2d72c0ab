"""The layouts that are compared: their pose, the chosen one's controls, and their files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.layout import Layout
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    AMOUNTS,
    QuantityRow,
    button,
    choice,
    field,
    heading,
    method_buttons,
    pixels,
    row,
    set_options,
    set_span,
    slider_of_stations,
    text_field,
    tick,
    whole_number,
)
from ribbonsim.panel.sections.numbers_section import NumbersSection
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.bench import Bench
from ribbonsim.panel.state.kept import named_path, save_layout
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.names import short

# in place of the number of a layout that keeps a pose
_TEST, _MOTION = -1, -2


class LayoutsSection:
    """The layouts of a bench, the pose asked of them, and what the chosen one is like.

    Parameters
    ----------
    numbers : NumbersSection
        Stands below the fields.
    motion : Widget
        Plays a motion and sets it, below the menu.
    """

    _quiet = Quiet()

    def __init__(
        self, desk: Desk, bench: Bench, numbers: NumbersSection, motion: widgets.Widget
    ) -> None:
        self._desk, self._bench, self._numbers, self._motion = desk, bench, numbers, motion
        self._shown_pose = ""
        self._make_fields()
        self.box = self._arrange()
        desk.on_change(self._refresh)

    def _make_fields(self) -> None:
        self._layouts = widgets.Select(
            options=[], layout=widgets.Layout(width="auto", height=pixels(122))
        )
        self._layouts.observe(self._picked, "value")
        self._path = text_field("layout.toml")
        self._replace = tick("replace the file if it is there")
        self._test = widgets.Dropdown(
            options=_pose_options(self._bench),
            value=_pose_value(self._bench),
            layout=widgets.Layout(width="auto"),
        )
        self._test.observe(self._take_test, "value")
        unit = ALL_TEST_POSES[self._bench.asked.name].unit
        self._amount = QuantityRow(
            "amount", "how much of it", *AMOUNTS[unit], changed=self._set_amount
        )
        self._amount.tell(self._bench.asked.amount)
        self._control = choice([])
        self._control.observe(self._loud(lambda v: self._model.select(v)), "value")
        self._seat = slider_of_stations()
        self._seat.observe(
            self._loud(lambda v: edits.move_control(self._model, self._model.selected, v)), "value"
        )
        self._reach = QuantityRow(
            *("reach", "times the distance to its neighbours", 0.25, 6.0, 0.05, 2.0),
            changed=self._set_reach,
            live=False,
        )
        self._new_seat = whole_number(2)
        self._stations = whole_number(17, 2, 200)
        self._stations.observe(
            self._loud(lambda v: edits.set_stations(self._model, round(v))), "value"
        )
        self._method = method_buttons()
        self._method.observe(self._loud(lambda v: self._model.set_method(v)), "value")
        self._bring_back = button(
            "Bring back", self._again(self._bench.bring_back), "the one taken away last"
        )

    def _arrange(self) -> widgets.VBox:
        side = widgets.VBox(
            [
                heading("Pose or motion, asked of every layout"),
                self._test,
                self._amount,
                self._motion,
                heading("Layouts"),
                self._layouts,
                row(
                    button("Make a variant", self._variant, "duplicate the chosen layout"),
                    button("Take away", self._again(self._bench.remove)),
                    self._bring_back,
                ),
                row(
                    button(
                        "Make a variant under the other drive",
                        self._driven_variant,
                        "shares where it is skinned, skinned where it is driven by shares",
                    )
                ),
                heading("The chosen layout"),
                field("control", self._control),
                field("station", self._seat),
                self._reach,
                field("new at station", self._new_seat, button("Add a control", self._add_control)),
                row(button("Remove this control", self._remove_control)),
                field("stations", self._stations),
                self._method,
                heading("Layout file of the chosen layout"),
                row(self._path),
                self._replace,
                row(button("Save", self._save), button("Add from a file", self._add_file)),
                heading("Numbers"),
                self._numbers.box,
            ]
        )
        side.add_class("rs-side")
        side.add_class("rs-card")
        return side

    @property
    def _model(self) -> Any:
        return self._desk.model

    # -- changing ----------------------------------------------------------------------------

    def _act(self, change: Callable[[], object], says: str = "") -> bool:
        return self._desk.act(change, says, doing="Binding again")

    def _loud(self, change: Callable[[Any], object]) -> Callable[[dict[str, Any]], None]:
        """A change that a field makes, unless the panel itself has set it."""

        def heard(event: dict[str, Any]) -> None:
            if not self._quiet and event["new"] is not None:
                self._act(lambda: change(event["new"]))

        return heard

    def choose(self, number: int) -> None:
        """Choose a layout, counted from 0."""
        if number != self._bench.chosen and number < len(self._bench.entries):
            self._bench.chosen = number
            self._desk.refresh()
            self._desk.viewer.ask()

    def _picked(self, change: dict[str, Any]) -> None:
        if not self._quiet and change["new"] is not None:
            self.choose(change["new"])

    def _refitted(self, change: Callable[[], None]) -> Callable[[], None]:
        """A change of the number of tiles, after which the camera stands to fill them."""

        def go() -> None:
            change()
            self._bench.mind_kept()
            self._desk.viewer.frame_all()

        return go

    def _again(self, change: Callable[[], None]) -> Callable[[], object]:
        return lambda: self._act(self._refitted(change))

    def _variant(self) -> None:
        self._act(
            self._refitted(self._bench.duplicate), "A variant stands beside the others: change it."
        )

    def _driven_variant(self) -> None:
        self._act(
            self._refitted(self._bench.duplicate_driven),
            "The same layout under the other drive stands beside the others.",
        )

    def _take_test(self, change: dict[str, tuple[str, int]]) -> None:
        if self._quiet or change["new"] is None:
            return
        name, layout = change["new"]

        def take() -> None:
            if layout == _MOTION:
                self._bench.ask_motion(name)
            elif layout == _TEST:
                self._bench.ask_test(name)
            else:
                self._bench.ask_kept(layout, name)
            self._desk.viewer.frame_all(self._bench.telling_view())

        self._act(take)

    def _set_amount(self, amount: float) -> None:
        self._desk.act(lambda: self._bench.ask_test(self._bench.asked.name, amount))

    def _set_reach(self, reach: float) -> None:
        self._act(lambda: edits.set_reach(self._model, self._model.selected, reach))

    def _add_control(self) -> None:
        self._act(lambda: edits.add_control(self._model, self._new_seat.number))

    def _remove_control(self) -> None:
        self._act(lambda: edits.remove_control(self._model, self._model.selected))

    def _save(self) -> None:
        path, force = self._path.value, self._replace.value
        self._desk.act(lambda: save_layout(self._model, path, force), f"Saved as {path.strip()}.")

    def _add_file(self) -> None:
        path = self._path.value.strip()

        def add() -> None:
            self._bench.add(Layout.load(named_path(path)), Path(path).stem)

        self._act(add, f"{path} stands beside the others.")

    # -- showing -----------------------------------------------------------------------------

    def _refresh(self) -> None:
        bench = self._bench
        if not bench.entries:
            return
        model = self._desk.model
        self._quiet = True
        try:
            self._refresh_pose()
            self._bring_back.disabled = not bench.removed
            names = [
                (f"{LETTERS[i]}  {short(e.name, 30)}  ·  {_size(e.model)}", i)
                for i, e in enumerate(bench.entries)
            ]
            set_options(self._layouts, names, bench.chosen)
            set_options(self._control, _control_options(model.layout), model.selected)
            chosen, stations = model.control, len(model.own.stations)
            self._new_seat.set_range(1, stations)
            set_span(self._seat, *edits.free_stations(model.own, chosen.name), chosen.station)
            self._stations.value = stations
            self._reach.tell(chosen.reach)
            self._method.value = model.method
        finally:
            self._quiet = False
        self._numbers.refresh()

    def _refresh_pose(self) -> None:
        """Show the poses that there are, and the one that is asked for."""
        set_options(self._test, _pose_options(self._bench), _pose_value(self._bench))
        asked = self._bench.asked
        is_test = asked.owner is None and asked.moment is None
        self._amount.layout.display = "" if is_test else "none"
        if is_test:
            pose = ALL_TEST_POSES[asked.name]
            if self._shown_pose != asked.name:
                self._shown_pose = asked.name
                self._amount.set_range(*AMOUNTS[pose.unit])
            self._amount.tell(asked.amount)


def _control_options(layout: Layout) -> list[tuple[str, str]]:
    """Controls of all ribbons with their stations, and their names."""
    return [
        (f"{short(name)}  ·  station {control.station}", name)
        for ribbon, own in layout.ribbons.items()
        for control, name in zip(own.controls, layout.control_names_of(ribbon), strict=True)
    ]


def _pose_options(bench: Bench) -> list[tuple[str, tuple[str, int]]]:
    """Test poses, motions, then poses kept with the layouts, by the number of one."""
    found = [(f"{p.name}: {p.describes}", (p.name, _TEST)) for p in bench.test_poses().values()]
    for name, words in bench.motions().items():
        found.append((f"motion {short(name.replace('_', ' '), 30)}: {words}", (name, _MOTION)))
    for layout, name in bench.kept_poses():
        found.append((f"{short(name, 30)}: kept with {LETTERS[layout]}", (name, layout)))
    return found


def _pose_value(bench: Bench) -> tuple[str, int]:
    asked = bench.asked
    if asked.moment is not None:
        return asked.name, _MOTION
    return asked.name, _TEST if asked.owner is None else bench.posed


def _size(model: PanelModel) -> str:
    layout = model.layout
    count = len(layout.controls)
    controls = "1 control" if count == 1 else f"{count} controls"
    blend = ", dual quaternion" if model.method == "dual_quaternion" else ""
    drive = ", skinned" if layout.drive == "skinned" else ""
    return f"{controls}, {len(layout.stations)} stations{_riders(layout)}{drive}{blend}"


def _riders(layout: Layout) -> str:
    count = len(layout.appendages)
    if not count:
        return ""
    return ", 1 appendage" if count == 1 else f", {count} appendages"
