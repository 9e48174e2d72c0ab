"""Small parts of the panel: rows of a label, a slider, a number box and a way back to rest."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import ipywidgets as widgets
from ipyevents import Event

LABEL_WIDTH = "100px"
NUMBER_WIDTH = "76px"
END_WIDTH = "56px"
# seconds within which the browser has answered
_ECHOES = 4.0


class QuantityRow(widgets.HBox):
    """A quantity with a slider, a number box, and two ways back to rest.

    The button at the end and a double-click on label or slider put it to rest. The slider
    stands on whole steps; the number box takes any value in the range.

    Parameters
    ----------
    label : str
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
        self._quiet = False
        self._known = rest
        self._told: list[tuple[float, float]] = []
        self.slider = widgets.FloatSlider(
            value=rest,
            min=low,
            max=high,
            step=step,
            readout=False,
            continuous_update=live,
            layout=widgets.Layout(flex="1 1 auto", width="auto", min_width="80px"),
        )
        self.number = widgets.BoundedFloatText(
            value=rest, min=low, max=high, step=step, layout=widgets.Layout(width=NUMBER_WIDTH)
        )
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
        """Show a value without calling back.

        Parameters
        ----------
        value : float
        """
        self._known = value
        self._quiet = True
        try:
            self._expect(value)
            for part, shown in ((self.slider, value), (self.number, self._short(value))):
                # a pose that was loaded may lie outside the usual range
                with part.hold_sync():
                    part.min, part.max = min(part.min, shown), max(part.max, shown)
                    if abs(part.value - shown) > 1e-9 * (part.max - part.min):
                        part.value = shown
        finally:
            self._quiet = False

    def set_range(self, low: float, high: float, step: float, rest: float) -> None:
        """Change range and rest.

        Parameters
        ----------
        low, high, step, rest : float
        """
        self._quiet = True
        self._known = min(max(self._known, low), high)
        try:
            self.rest = rest
            for part in (self.slider, self.number):
                # one message: half of a change makes the browser report a value of its own
                with part.hold_sync(), part.hold_trait_notifications():
                    part.min, part.max, part.step = low, high, step
                    part.value = min(max(part.value, low), high)
            self._expect(self.slider.value)
            self._name_rest()
        finally:
            self._quiet = False

    def _name_rest(self) -> None:
        self.back.description = f"{self.rest:.2g}"
        self.back.tooltip = f"{self._label} back to {self._short(self.rest):g}"

    def _short(self, value: float) -> float:
        """The value to two digits more than the step has."""
        return round(value, max(0, 2 - math.floor(math.log10(self.slider.step))))

    def _slid(self, change: dict[str, float]) -> None:
        if self._quiet or self._is_echo(change["new"]):
            return
        self.tell(change["new"])
        self._changed(change["new"])

    def _expect(self, value: float) -> None:
        """Remember a value that the browser is told: by and by it says where that stands."""
        now = time.monotonic()
        self._told = [(old, when) for old, when in self._told if now - when < _ECHOES]
        self._told.append((value, now))

    def _is_echo(self, value: float) -> bool:
        """Whether the browser says of a value that was told where the slider puts it.

        It moves each value to the nearest step and reports that: no wish of the user's. While
        a change takes its time, it still reports what it was told before that.
        """
        if self._stands_for(value, self._known):
            return True
        now = time.monotonic()
        for i, (old, when) in enumerate(self._told):
            moved = not self._stands_for(old, old)
            if moved and self._stands_for(value, old) and now - when < _ECHOES:
                del self._told[: i + 1]  # each is answered once, and in order
                return True
        return False

    def _stands_for(self, value: float, told: float) -> bool:
        """Whether a value is where the slider puts another."""
        return abs(value - self._on_step(told)) < 1e-6 * self.slider.step

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
    """A button.

    Parameters
    ----------
    label : str
    act : callable
    tip : str
    width : str

    Returns
    -------
    Button
    """
    made = widgets.Button(description=label, tooltip=tip, layout=widgets.Layout(width=width))
    made.on_click(lambda _: act())
    return made


def row(*parts: widgets.Widget) -> widgets.HBox:
    """Parts side by side, going on in a next line where there is no room.

    Parameters
    ----------
    *parts : Widget

    Returns
    -------
    HBox
    """
    made = widgets.HBox(list(parts), layout=widgets.Layout(flex_flow="row wrap"))
    made.add_class("rs-row")
    return made


def group(*parts: widgets.Widget) -> widgets.HBox:
    """Parts that belong together: they go to a next line together.

    Parameters
    ----------
    *parts : Widget

    Returns
    -------
    HBox
    """
    made = widgets.HBox(list(parts))
    made.add_class("rs-group")
    return made


def short(name: str, longest: int = 26) -> str:
    """A name, cut where it would not fit.

    Parameters
    ----------
    name : str
    longest : int

    Returns
    -------
    str
    """
    return name if len(name) <= longest else f"{name[: longest - 1]}…"


def heading(text: str) -> widgets.HTML:
    """A small heading inside a section.

    Parameters
    ----------
    text : str

    Returns
    -------
    HTML
    """
    return widgets.HTML(f'<h4 class="rs-heading">{text}</h4>')
