"""Suggest a layout: poses with weights, how close, at most how many; plot, compare, take."""

from __future__ import annotations

import html
from typing import Any

import ipywidgets as widgets
from ipyevents import Event

from ribbonsim.layout.settings import DRIVES
from ribbonsim.panel.sections.before_after_section import BeforeAfterSection
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    JobFields,
    NumberBox,
    button,
    facts,
    field,
    group,
    heading,
    pixels,
    press_one,
    row,
    set_options,
    show_html,
    tick,
    whole_number,
)
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state.names import short
from ribbonsim.panel.state.ribbon_words import DRIVE_WORDS
from ribbonsim.panel.state.trial import Trial, poses_to_tick
from ribbonsim.panel.work.suggesting import Answer, Suggesting, plot_png
from ribbonsim.placing.wanted import Wanted
from ribbonsim.placing.words import per_cent

_FEWEST = 2
_TICK_FIRST = "Tick the poses that matter; the numbers beside them say how much each counts."
# where the plot's axes begin and end, shares of its width, and half a step beyond the numbers
_LEFT, _RIGHT, _BEYOND = 0.1, 0.98, 0.45


class SuggestSection:
    """Looks for the layout with the fewest controls, and tries what is found."""

    _quiet = Quiet()

    def __init__(self, desk: Desk, both: BeforeAfterSection | None = None) -> None:
        self._desk, self._both = desk, both
        self._trial = Trial()
        self._suggesting = Suggesting(
            desk.handed(self._take_answer), desk.handed(self._show_progress), desk.complain
        )
        self._answer: Answer | None = None
        self._chosen: int | None = None
        self._poses: dict[str, tuple[widgets.Checkbox, NumberBox]] = {}
        self._ticks = widgets.VBox([])
        self._ticks.add_class("rs-ticks")
        self._within = NumberBox(0.25, 0.001, 50.0, width=pixels(72))
        self._most = whole_number(9, _FEWEST, 17)
        self._stays = tick("the chosen control stays", tip="keep it where it stands")
        tips = [
            "each layout gets the drive that is closer",
            *(DRIVE_WORDS[each] for each in DRIVES),
        ]
        self._drive = press_one(["what is closer", *DRIVES], tips)
        self._ask = button("Suggest a layout", self._start)
        self._job = JobFields(self._suggesting.stop, "stop; the best so far is kept")
        self._make_answer_fields()
        self.box = self._arrange()
        desk.on_change(self.refresh)

    def _make_answer_fields(self) -> None:
        self._plot = widgets.Image(format="png")
        self._plot.add_class("rs-frame")
        self._events = Event(source=self._plot, watched_events=["click"])
        self._events.on_dom_event(self._click)
        self._numbers = press_one([])
        self._numbers.observe(self._pick, "value")
        self._words = widgets.HTML()
        self._compare = button("Compare with mine", self._switch, "show the layout as it was")
        self._beside = button(
            "Before and after",
            self._show_beside,
            "mine and what is suggested, on either side of a line",
        )
        if self._both is None:
            self._beside.layout.display = "none"
        self._take = button("Take it", self._keep, "Undo takes it back")
        self._found = widgets.VBox([])

    def _arrange(self) -> widgets.VBox:
        self._answers = [
            self._plot,
            field("show", self._numbers),
            self._words,
            row(self._compare, self._beside, self._take),
        ]
        return widgets.VBox(
            [
                heading("Suggest a layout"),
                widgets.HTML(facts(_TICK_FIRST)),
                self._ticks,
                field("within", self._within, widgets.Label("% of the body length")),
                field("at most", self._most, widgets.Label("controls"), self._stays),
                field("drive", self._drive),
                row(self._ask, self._job.stop, self._job.bar),
                self._job.words,
                self._found,
            ]
        )

    def close(self) -> None:
        """Stop what goes on."""
        self._suggesting.stop()
        self._found.children = self._answers  # what is not shown now is closed as well

    # -- showing -----------------------------------------------------------------------------

    def refresh(self) -> None:
        """Offer the poses that there are, and what can be done with what was found."""
        model = self._desk.model
        names = poses_to_tick(model.layout) if model.is_open else []
        if names != list(self._poses):
            self._offer(names)
        answer = self._answer
        if answer is not None and (
            not model.is_open or answer.found.rig.mesh is not model.rig.mesh
        ):
            self._suggesting.stop()
            self._answer = self._chosen = None
            self._found.children = []
        self._ask.disabled = not model.is_open
        tried = self._trial.shows(model)
        mine = model.is_open and self._trial.mine is not None and model.layout is self._trial.mine
        self._compare.disabled = not (tried or mine)
        self._take.disabled = not (tried or mine)
        self._beside.disabled = not tried
        words = "Compare with mine" if tried or not mine else "Show the suggestion"
        if self._compare.description != words:
            self._compare.description = words

    def _offer(self, names: list[str]) -> None:
        old = self._poses
        self._poses = {}
        for name in names:
            if name in old:
                self._poses[name] = old[name]
                continue
            weight = NumberBox(1.0, 0.1, 100.0, width=pixels(52))
            weight.name = f"weight of {name}"
            self._poses[name] = tick(short(name.replace("_", " "))), weight
        self._ticks.children = [group(*parts) for parts in self._poses.values()]

    def _show_progress(self, words: str, share: float) -> None:
        self._job.show(words, share, self._suggesting.going)

    def _take_answer(self, answer: Answer) -> None:
        model = self._desk.model
        if not model.is_open or answer.found.rig.mesh is not model.rig.mesh:
            return
        self._answer = answer
        self._show_answer()

    def _show_answer(self, plot: bytes | None = None) -> None:
        answer = self._answer
        if answer is None:
            return
        found = answer.found
        self._plot.value = answer.plot if plot is None else plot
        self._quiet = True
        options = [("–", None), *((str(number), number) for number in found.numbers)]
        set_options(self._numbers, options, self._chosen)
        self._quiet = False
        lines = [f"Mine: {per_cent(answer.mine)}.", *found.sentences]
        text = "".join(f"<p>{html.escape(line)}</p>" for line in lines)
        show_html(self._words, f'<div class="rs-facts">{text}</div>')
        if not self._found.children:
            self._found.children = self._answers

    # -- asking ------------------------------------------------------------------------------

    def _start(self) -> None:
        weights = {name: weight.value for name, (box, weight) in self._poses.items() if box.value}
        if not weights:
            self._desk.complain("no pose is ticked: tick those that matter")
            return
        model = self._desk.model
        keep = (model.selected,) if self._stays.value else ()
        fewest = min(max(_FEWEST, len(keep)), int(self._most.number))
        drive = next((each for each in DRIVES if each == self._drive.value), None)
        wanted = Wanted(
            fewest, int(self._most.number), self._within.value, None, keep, model.method, drive
        )
        self._chosen = None
        self._suggesting.start(model.rig, weights, wanted)
        self._job.show_going(True)

    def _click(self, event: dict[str, Any]) -> None:
        """A click on the plot chooses the number of controls that is nearest to it."""
        answer, width = self._answer, event.get("boundingRectWidth", 0)
        if answer is None or not width:
            return
        numbers = answer.found.numbers
        share = (event["relativeX"] / width - _LEFT) / (_RIGHT - _LEFT)
        span = numbers[-1] - numbers[0] + 2.0 * _BEYOND
        wanted = numbers[0] - _BEYOND + share * span
        self._numbers.value = min(numbers, key=lambda number: abs(number - wanted))

    def _pick(self, _: object) -> None:
        number, answer = self._numbers.value, self._answer
        if self._quiet or number is None or answer is None or number == self._chosen:
            return
        layout, model = answer.found.suggested[number].layout, self._desk.model
        self._chosen = number
        self._desk.act(lambda: self._trial.show(model, layout), doing="Binding again")
        self._show_answer(plot_png(answer.found, number))

    def _show_beside(self) -> None:
        if self._both is not None:
            self._both.show_last()

    def _switch(self) -> None:
        model = self._desk.model
        self._desk.act(lambda: self._trial.compare(model), doing="Binding again")

    def _keep(self) -> None:
        model = self._desk.model
        says = "The suggested layout is taken. Undo takes it back."
        self._desk.act(lambda: self._trial.take(model), says)
