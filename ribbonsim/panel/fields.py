"""Small parts of the panel: rows of a label, a slider, a number box and a way back to rest."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

LABEL_WIDTH = "104px"
NUMBER_WIDTH = "78px"


class QuantityRow(widgets.HBox):
    """A quantity with a slider and a number box that go together, and a button to its rest.

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
    ) -> None:
        self.rest = rest
        self._changed = changed
        self._quiet = False
        self._known = rest
        self.slider = widgets.FloatSlider(
            value=rest,
            min=low,
            max=high,
            step=step,
            readout=False,
            continuous_update=live,
            layout=widgets.Layout(flex="1 1 auto", width="auto", min_width="90px"),
        )
        self.number = widgets.BoundedFloatText(
            value=rest, min=low, max=high, step=step, layout=widgets.Layout(width=NUMBER_WIDTH)
        )
        self.back = widgets.Button(
            description="0" if rest == 0 else f"{rest:g}",
            tooltip=f"{label} back to {rest:g}",
            layout=widgets.Layout(width="34px"),
        )
        self.back.add_class("rs-back")
        title = widgets.Label(label, tooltip=tip, layout=widgets.Layout(width=LABEL_WIDTH))
        # joined in the browser, so that the box follows a drag without asking the kernel
        widgets.jslink((self.slider, "value"), (self.number, "value"))
        self.slider.observe(self._moved, "value")
        self.back.on_click(lambda _: self._to_rest())
        super().__init__([title, self.slider, self.number, self.back])
        self.add_class("rs-row")

    @property
    def value(self) -> float:
        """The value as it stands."""
        return float(self.slider.value)

    def tell(self, value: float) -> None:
        """Show a value without calling back.

        Parameters
        ----------
        value : float
        """
        self._quiet = True
        self._known = value
        try:
            # a pose that was loaded may lie outside the usual range
            for part in (self.slider, self.number):
                if value < part.min:
                    part.min = value
                if value > part.max:
                    part.max = value
                part.value = value
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
                with part.hold_trait_notifications():
                    part.min, part.max, part.step = low, high, step
                    part.value = min(max(part.value, low), high)
            self.back.description = f"{rest:g}"
        finally:
            self._quiet = False

    def _moved(self, change: dict[str, float]) -> None:
        # the browser puts a value that it was told on the slider's nearest step and reports
        # that: it is no wish of the user's
        echo = abs(change["new"] - self._known) <= 0.501 * self.slider.step
        if not self._quiet and not echo:
            self._known = change["new"]
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
