"""The controls, what each does, and test poses."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from ribbonsim.bendcheck.amounts import usual_amounts
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES, test_poses_of
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.targets import TEST_POSES
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    AMOUNTS,
    QuantityRow,
    button,
    facts,
    field,
    heading,
    method_buttons,
    pixels,
    row,
    set_options,
    show_html,
)
from ribbonsim.panel.sections.live_amount import LiveAmount
from ribbonsim.panel.sections.live_section import LiveSection
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.sections.ribbon_tree import RibbonTree
from ribbonsim.panel.state.names import short
from ribbonsim.panel.state.ribbon_words import piece_words, pose_words
from ribbonsim.panel.state.sides import BothSides

_WHOLE = "whole creature"


class PoseSection:
    """Controls in body order, sliders of the chosen one, blending, test poses."""

    _quiet = Quiet()

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._shown: tuple[Layout, str, tuple[bool, ...]] | None = None
        self._tree = RibbonTree(desk)
        self._controls = widgets.Select(
            options=[], rows=5, layout=widgets.Layout(width="auto", height=pixels(104))
        )
        self._controls.observe(self._choose, "value")
        self._rows = {
            "bend": self._quantity("bend", "degrees about the across axis", 180.0, 0.5),
            "sway": self._quantity("sway", "degrees about the normal axis", 180.0, 0.5),
            "twist": self._quantity("twist", "degrees about the along axis", 1080.0, 0.5),
        }
        for axis, word in enumerate(("along", "across", "normal")):
            self._rows[f"shift {word}"] = QuantityRow(
                f"shift {word}", "scene units", -1.0, 1.0, 0.01, 0.0, self._set("shift", axis)
            )
        for key, tip in (("stretch", "factor along"), ("girth", "factor across")):
            self._rows[key] = QuantityRow(key, tip, 0.25, 3.0, 0.01, 1.0, self._set(key, None))
        self._both = widgets.ToggleButtons(
            options=["off", "alike", "opposite"],
            tooltips=[
                "the other side stays as it is",
                "the other side moves as the mirror image does",
                "the other side moves against the mirror image",
            ],
            style={"button_width": "auto"},
        )
        self._both.observe(self._set_both, "value")
        self._method = method_buttons()
        self._method.observe(self._set_method, "value")
        self._piece = widgets.HTML()
        self._volume = QuantityRow(
            "keep volume", "how far girth answers stretch", 0.0, 1.0, 0.05, 1.0, self._set_volume
        )
        self._test = widgets.Dropdown(
            options=[(f"{p.name}: {p.describes}", p.name) for p in TEST_POSES.values()],
            layout=widgets.Layout(width="auto"),
        )
        self._test.observe(lambda _: self._offer_test(), "value")
        self._on = widgets.ToggleButtons(
            options=[(_WHOLE, False), ("body alone", True)],
            tooltips=["what the pose does not move is at rest", "the others keep their pose"],
            style={"button_width": "auto"},
        )
        self._amount = QuantityRow(
            "amount", "how much of it", *AMOUNTS["degrees"], changed=self._show_test
        )
        self._holds = widgets.HTML()
        self._offer_test()
        self.box = self._arrange()
        desk.on_change(self.refresh)

    def _arrange(self) -> widgets.VBox:
        desk = self._desk
        self._both_row = field("both sides", self._both)
        self._on_row = field("put it on", self._on)
        return widgets.VBox(
            [
                self._tree.box,
                heading("Controls, from the root"),
                self._controls,
                self._piece,
                self._both_row,
                *self._rows.values(),
                row(
                    button("Control to rest", self._rest_one),
                    button("All to rest", lambda: desk.act(desk.model.reset_all)),
                ),
                heading("Blending"),
                self._method,
                self._volume,
                heading("Test pose"),
                self._test,
                self._on_row,
                self._amount,
                self._holds,
                row(button("Show at its usual amount", self._show_usual)),
            ]
        )

    def follow_live(self, live: LiveSection) -> None:
        """Let the browser show the amount of a test pose by itself, where it draws."""
        LiveAmount(
            self._desk, live, self._amount.slider, self._test, lambda: not bool(self._on.value)
        )

    def _quantity(self, key: str, tip: str, reach: float, step: float) -> QuantityRow:
        return QuantityRow(key, tip, -reach, reach, step, 0.0, self._set(key, None))

    # -- to the model ------------------------------------------------------------------------

    def _set(self, key: str, axis: int | None) -> Callable[[float], None]:
        def change(value: float) -> None:
            model = self._desk.model
            self._desk.act(lambda: model.set_value(model.selected, key, value, axis))

        return change

    def _choose(self, change: dict[str, str]) -> None:
        if not self._quiet and change["new"]:
            self._shown = None
            self._desk.act(lambda: self._desk.model.select(change["new"]))

    def _rest_one(self) -> None:
        model = self._desk.model
        self._desk.act(lambda: model.reset_control(model.selected))

    def _set_both(self, change: dict[str, BothSides]) -> None:
        if not self._quiet:
            model = self._desk.model
            self._desk.act(lambda: model.sides.set_move(model.rig.mesh, change["new"]))

    def _set_method(self, change: dict[str, str]) -> None:
        if not self._quiet:
            self._desk.act(lambda: self._desk.model.set_method(change["new"]))  # type: ignore[arg-type]

    def _set_volume(self, share: float) -> None:
        self._desk.act(lambda: self._desk.model.set_keep_volume(share))

    def _offer_test(self) -> None:
        if self._quiet:
            return
        pose = ALL_TEST_POSES[self._test.value]
        self._amount.set_range(*AMOUNTS[pose.unit])
        self._amount.tell(AMOUNTS[pose.unit][3])

    def _show_test(self, amount: float) -> None:
        self._desk.act(lambda: self._take_test(amount))

    def _take_test(self, amount: float) -> None:
        model = self._desk.model
        ribbon = model.ribbon if self._on.value and model.layout.appendages else None
        model.show_test_pose(self._test.value, amount, ribbon)

    def _show_usual(self) -> None:
        if not self._desk.model.is_open:
            return
        usual = usual_amounts(self._desk.model.rig, [self._test.value])[self._test.value]
        self._amount.tell(usual)
        self._desk.pose(lambda: self._take_test(usual))

    # -- from the model ----------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        self._quiet = True
        try:
            self._show_ribbons()
            self._show_controls()
            self._show_values(model.pose[model.selected])
            self._method.value = model.method
            self._volume.tell(model.pose.keep_volume)
            self._show_test_pose()
        finally:
            self._quiet = False

    def _show_test_pose(self) -> None:
        """Show which test pose the creature is in, and how much of it."""
        model = self._desk.model
        shown = model.shown
        if shown is None:
            self._amount.tell(self._amount.rest)
        else:
            pose = ALL_TEST_POSES[shown.name]
            if self._test.value != shown.name and shown.name in dict(self._test.options).values():
                self._test.value = shown.name
                self._amount.set_range(*AMOUNTS[pose.unit])
            if model.layout.appendages:
                self._on.value = shown.ribbon is not None
            self._amount.tell(pose.usual if shown.amount is None else shown.amount)
        show_html(self._holds, facts(pose_words(model)))

    def _show_ribbons(self) -> None:
        """Show what only creatures with appendages have."""
        model = self._desk.model
        self._both_row.layout.display = "" if model.partner else "none"
        self._both.value = model.sides.move
        self._on_row.layout.display = "" if model.layout.appendages else "none"
        where = [(_WHOLE, False), (f"{short(model.ribbon, 16)} alone", True)]
        if list(self._on.options) != where:
            kept = self._on.value
            with self._on.hold_sync():
                self._on.options = where
                self._on.value = kept
        offered = [
            (f"{p.name}: {p.describes}", p.name) for p in test_poses_of(model.layout).values()
        ]
        if list(self._test.options) != offered:
            kept = self._test.value
            with self._test.hold_sync():
                self._test.options = offered
                self._test.value = kept if kept in dict(offered).values() else offered[0][1]

    def _show_controls(self) -> None:
        model = self._desk.model
        names = model.layout.control_names_of(model.ribbon)
        at_rest = tuple(model.pose[name] == ControlPose() for name in names)
        now = (model.layout, model.selected, at_rest)
        if self._shown is not None and self._shown[0] is now[0] and self._shown[1:] == now[1:]:
            return
        self._shown = now
        own = model.own
        options = []
        for control, name, rests in zip(own.controls, names, at_rest, strict=True):
            moved = "" if rests else "  ·  moved"
            options.append((f"{short(control.name)}  ·  station {control.station}{moved}", name))
        set_options(self._controls, options, model.selected)
        show_html(self._piece, facts(piece_words(model)))

    def _show_values(self, values: ControlPose) -> None:
        for key in ("bend", "sway", "twist", "stretch", "girth"):
            self._rows[key].tell(getattr(values, key))
        step = float(f"{self._desk.model.own.ribbon.length / 1000:.1g}")
        reach = 500 * step
        for axis, word in enumerate(("along", "across", "normal")):
            field = self._rows[f"shift {word}"]
            if abs(field.slider.max - reach) > 1e-9 * reach and abs(values.shift[axis]) <= reach:
                field.set_range(-reach, reach, step, 0.0)
            field.tell(values.shift[axis])
