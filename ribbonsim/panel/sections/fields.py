"""Small parts of the panel: rows of a label, a slider, a number box and a way back to rest."""

from __future__ import annotations

import base64
import html
import math
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import ipywidgets as widgets
from ipyevents import Event

from ribbonsim.panel.sections.number_box import NumberBox
from ribbonsim.panel.sections.quiet import Quiet


def pixels(count: int) -> str:
    """A length that grows on very wide screens, as letters do."""
    return f"calc({count}px * var(--rs-k, 1))"


LABEL_WIDTH, NUMBER_WIDTH, END_WIDTH = pixels(100), pixels(76), pixels(56)
# range, step and rest of a test pose's amount, by its unit
AMOUNTS = {
    "degrees": (-360.0, 360.0, 1.0, 0.0),
    "turns": (-3.0, 3.0, 0.05, 0.0),
    "factor": (0.4, 2.5, 0.01, 1.0),
}
# seconds within which the browser has answered
_ECHOES = 4.0


class _EndsFirst(widgets.Widget):
    """A slider that the browser tells its ends before its value.

    Told the other way round, the browser puts the value between the ends that were, and reports
    that as what the user did.
    """

    def send_state(self, key: Any = None) -> None:
        """Send what has changed: max and min before value."""
        super().send_state(sorted(key) if isinstance(key, set) else key)


class _FloatSlider(_EndsFirst, widgets.FloatSlider):
    """A slider over numbers."""


class _IntSlider(_EndsFirst, widgets.IntSlider):
    """A slider over whole numbers."""


class QuantityRow(widgets.HBox):
    """A quantity with a slider, a number box, and two ways back to rest.

    The button at the end and a double-click on label or slider put it to rest. The slider
    stands on whole steps; the number box takes any value in the range.

    Parameters
    ----------
    tip : str
        Shown when the pointer rests on the label.
    low, high, step, rest : float
        The range, the slider's step and the value at rest.
    changed : callable
        Called with each new value that comes from the user.
    live : bool
        Whether it is called during a drag or when the drag ends.
    end : Button, optional
        What stands at the end instead of the way back to rest.
    """

    _quiet = Quiet()

    def __init__(
        self,
        label: str,
        tip: str,
        low: float,
        high: float,
        step: float,
        rest: float,
        changed: Callable[[float], None],
        live: bool = True,
        end: widgets.Button | None = None,
    ) -> None:
        self.rest = rest
        self._label = label
        self._changed = changed
        self._known = self._made = rest
        self._heard = False
        self._sent: list[tuple[float, float]] = []
        self.slider = _FloatSlider(
            value=rest,
            min=low,
            max=high,
            step=step,
            readout=False,
            continuous_update=live,
            layout=widgets.Layout(flex="1 1 auto", width="auto", min_width="80px"),
        )
        self.number = NumberBox(rest, low, high, width=NUMBER_WIDTH)
        self.number.name = label
        self.back = widgets.Button()
        self.back.add_class("rs-back")
        self._name_rest()
        title = widgets.Label(label, tooltip=tip, layout=widgets.Layout(width=LABEL_WIDTH))
        grip = widgets.HBox([title, self.slider], layout=widgets.Layout(flex="1 1 auto"))
        grip.add_class("rs-grip")
        self._events = Event(source=grip, watched_events=["dblclick"])
        self._events.on_dom_event(lambda _: self._to_rest())
        self.slider.observe(self._slid, "value")
        self.number.observe(self._typed, "value")
        self.back.on_click(lambda _: self._to_rest())
        last = self.back if end is None else end
        last.layout.width = END_WIDTH
        last.add_class("rs-end")
        super().__init__([grip, self.number, last])
        self.add_class("rs-row")

    @property
    def value(self) -> float:
        """The value as it stands."""
        return self._known

    def tell(self, value: float) -> None:
        """Show a value without calling back."""
        self._known = value
        self._quiet = True
        try:
            self._expect(value)
            slider, shown = self.slider, self._short(value)
            # a pose that was loaded may lie outside the usual range
            with slider.hold_sync():
                slider.min, slider.max = min(slider.min, value), max(slider.max, value)
                if abs(slider.value - value) > 1e-9 * (slider.max - slider.min):
                    slider.value = value
            self.number.set_range(min(self.number.min, shown), max(self.number.max, shown))
            self.number.value = shown
        finally:
            self._quiet = False

    def set_range(self, low: float, high: float, step: float, rest: float) -> None:
        """Change range and rest."""
        self._quiet = True
        self._known = min(max(self._known, low), high)
        try:
            self.rest = rest
            slider = self.slider
            # one message: half of a change makes the browser report a value of its own
            with slider.hold_sync(), slider.hold_trait_notifications():
                slider.min, slider.max, slider.step = low, high, step
                slider.value = min(max(slider.value, low), high)
            self.number.set_range(low, high)
            self._expect(self.slider.value)
            self._name_rest()
        finally:
            self._quiet = False

    def rest_at(self, rest: float) -> None:
        """Go back to another value from now on."""
        if rest != self.rest:
            self.rest = rest
            self._name_rest()

    def _name_rest(self) -> None:
        self.back.description = "↺"
        self.back.tooltip = f"{self._label} back to {self._short(self.rest):g}"

    def _short(self, value: float) -> float:
        """The value to two digits more than the step has."""
        return round(value, max(0, 2 - math.floor(math.log10(self.slider.step))))

    def _slid(self, change: dict[str, float]) -> None:
        if self._quiet:
            return
        first, self._heard = not self._heard, True
        if self._is_echo(change["new"]):
            return
        if first and self._stands_for(change["new"], self._made):
            # the browser makes the slider, however late, and has been told another value since
            self.tell(self._known)
            return
        self.tell(change["new"])
        self._changed(change["new"])

    def _expect(self, value: float) -> None:
        """Remember a value that is sent to the browser, which answers where the slider puts it."""
        now = time.monotonic()
        self._sent = [(old, when) for old, when in self._sent if now - when < _ECHOES]
        self._sent.append((value, now))

    def _is_echo(self, value: float) -> bool:
        """Whether a report of the browser only answers a value that it was sent.

        The browser moves each value to the slider's nearest step and reports that, although the
        user has done nothing. During a long change it still answers values sent before.
        """
        if self._stands_for(value, self._known):
            return True
        now = time.monotonic()
        for i, (old, when) in enumerate(self._sent):
            moved = not self._stands_for(old, old)
            if moved and self._stands_for(value, old) and now - when < _ECHOES:
                del self._sent[: i + 1]  # each is answered once, and in order
                return True
        return False

    def _stands_for(self, value: float, sent: float) -> bool:
        """Whether a value is where the slider puts another."""
        return abs(value - self._on_step(sent)) < 1e-6 * self.slider.step

    def _on_step(self, value: float) -> float:
        steps = math.floor((value - self.slider.min) / self.slider.step + 0.5)
        return min(self.slider.min + steps * self.slider.step, self.slider.max)

    def _typed(self, change: dict[str, float]) -> None:
        if not self._quiet and change["new"] != self._short(self._known):
            self.tell(change["new"])
            self._changed(change["new"])

    def _to_rest(self) -> None:
        self.tell(self.rest)
        self._changed(self.rest)


def button(
    label: str, act: Callable[[], object], tip: str = "", width: str = "auto"
) -> widgets.Button:
    """A button."""
    made = widgets.Button(description=label, tooltip=tip, layout=widgets.Layout(width=width))
    made.on_click(lambda _: act())
    return made


def row(*parts: widgets.Widget) -> widgets.HBox:
    """Parts side by side, going on in a next line where there is no room."""
    made = widgets.HBox(list(parts), layout=widgets.Layout(flex_flow="row wrap"))
    made.add_class("rs-row")
    return made


def group(*parts: widgets.Widget) -> widgets.HBox:
    """Parts that belong together: they go to a next line together."""
    made = widgets.HBox(list(parts))
    made.add_class("rs-group")
    return made


def heading(text: str) -> widgets.HTML:
    """A small heading inside a section."""
    return widgets.HTML(heading_text(text))


def heading_text(text: str) -> str:
    """What a heading holds."""
    return f'<h4 class="rs-heading">{text}</h4>'


def field(label: str, *parts: widgets.Widget) -> widgets.HBox:
    """Parts behind a label, in line with the sliders."""
    for part in parts:
        if isinstance(part, NumberBox):
            part.name = label
    return row(widgets.Label(label, layout=widgets.Layout(width=LABEL_WIDTH)), *parts)


def wide(least: int = 60) -> widgets.Layout:
    """The layout of a part that takes the room that is left, and so many pixels at least."""
    return widgets.Layout(flex="1 1 80px", width="0", min_width=pixels(least))


def choice(options: Any) -> widgets.Dropdown:
    """A list to choose from, the first of it chosen."""
    # without an index, a first option that stands for None is shown as an empty line
    return widgets.Dropdown(options=options, index=0 if options else None, layout=wide())


def text_field(hint: str = "") -> widgets.Text:
    """A line to write in; the hint is shown while it is empty."""
    return widgets.Text(placeholder=hint, layout=wide())


def whole_number(value: int, low: int = 1, high: int = 17, width: str = pixels(64)) -> NumberBox:
    """A box for a whole number."""
    return NumberBox(value, low, high, whole=True, width=width)


def three_numbers() -> list[NumberBox]:
    """Boxes for a place or a shift: x, y and z."""
    boxes = [NumberBox(0.0, width="100%") for _ in "xyz"]
    for box in boxes:
        box.layout = widgets.Layout(flex="1 1 44px", width="0", min_width="40px")
    return boxes


def slider_of_stations() -> widgets.IntSlider:
    """A slider over stations, which answers while it is dragged."""
    return _IntSlider(value=1, min=1, max=17, layout=wide())


def set_span(part: widgets.IntSlider, low: int, high: int, value: int) -> None:
    """Give a slider its ends and its value in one message."""
    with part.hold_sync(), part.hold_trait_notifications():
        part.min, part.max, part.value = low, high, value


def tick(label: str, on: bool = False, tip: str = "") -> widgets.Checkbox:
    """A box to tick, as wide as its label."""
    made = widgets.Checkbox(value=on, description=label, indent=False, tooltip=tip)
    made.layout.width = "auto"
    return made


def press_one(options: Any, tips: Sequence[str] = ()) -> widgets.ToggleButtons:
    """Buttons of which one is pressed."""
    return widgets.ToggleButtons(
        options=options, tooltips=list(tips), style={"button_width": "auto"}
    )


def method_buttons() -> widgets.ToggleButtons:
    """The two ways of blending."""
    return press_one([("linear", "linear"), ("dual quaternion", "dual_quaternion")])


def set_options(part: Any, options: Any, value: object) -> None:
    """Offer options and choose one, in one message.

    New words put the choice on the first for a moment, which the browser must not report.
    """
    with part.hold_sync():
        if list(part.options) != list(options):
            part.options = options
        part.value = value


def facts(words: str, role: str = "", tip: str = "") -> str:
    """Markup of small print; it keeps its line when there are no words."""
    kind = f' role="{role}"' if role else ""
    kind += f' title="{html.escape(tip)}"' if tip else ""
    return f'<div class="rs-facts"{kind}>{html.escape(words) or "&nbsp;"}</div>'


def show_html(part: widgets.HTML, text: str) -> None:
    """Put markup in place, without a message to the browser if it is there already."""
    if part.value != text:
        part.value = text


def download(path: Path, data: bytes, media: str, words: str) -> str:
    """Markup of a link that hands a file over."""
    source = f"data:{media};base64,{base64.b64encode(data).decode()}"
    return f'<a href="{source}" download="{html.escape(path.name)}">{html.escape(words)}</a>'


class JobFields:
    """How far background work is: a bar, words and a button that stops it."""

    def __init__(self, stop: Callable[[], object], tip: str) -> None:
        self.stop = button("Stop", stop, tip)
        self.stop.disabled = True
        self.bar = widgets.FloatProgress(value=0.0, min=0.0, max=1.0)
        self.bar.add_class("rs-bar")
        self.bar.layout.visibility = "hidden"
        self.words = widgets.HTML(facts("", "status"))

    def show(self, words: str, share: float, going: bool) -> None:
        """Show how far it is."""
        self.bar.value = share
        show_html(self.words, facts(words, "status"))
        self.show_going(going)

    def show_going(self, going: bool) -> None:
        """Show whether it goes on."""
        self.stop.disabled = not going
        self.bar.layout.visibility = "visible" if going else "hidden"
