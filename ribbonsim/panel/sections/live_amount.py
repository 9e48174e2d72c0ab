"""A test pose sent to the browser at even steps: its amount is then shown without the kernel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets
import numpy as np

from ribbonsim.errors import RibbonsimError
from ribbonsim.inpage.pose_bytes import pack_steps
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import AMOUNTS
from ribbonsim.panel.sections.live_section import LiveSection
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.rig import Rig

# of an amount, from one pose that is sent to the next
_STEP = {"degrees": 15.0, "turns": 0.125, "factor": 0.1}
_REST = 0.4  # seconds without a change before poses are fitted

Key = tuple[tuple[Rig, ...], str, float]


class LiveAmount:
    """Links the slider of a test pose's amount to the browser's view.

    Parameters
    ----------
    slider : FloatSlider
    chosen : widget
        Its value is the test pose's name.
    whole : callable
        Whether the pose goes to the whole creature; on a ribbon alone the kernel shows it.
    """

    def __init__(
        self,
        desk: Desk,
        live: LiveSection,
        slider: widgets.FloatSlider,
        chosen: widgets.Dropdown,
        whole: Callable[[], bool],
    ) -> None:
        self._desk, self._live, self._chosen, self._whole = desk, live, chosen, whole
        self._sent: Key | None = None
        self._link = widgets.jslink((slider, "value"), (live.view, "amount"))
        slider.observe(self._moved, "value")
        chosen.observe(lambda _: self._offer(), "value")
        desk.on_change(self._offer)
        live.on_turn(self._start)

    def _moved(self, change: dict[str, Any]) -> None:
        self._live.sender.amount = float(change["new"])

    def _start(self) -> None:
        self._sent = None
        self._offer()

    def _offer(self) -> None:
        """Send the steps of what is chosen, once it stays chosen."""
        model = self._desk.model
        if not self._live.shown or not model.is_open or self._chosen.value is None:
            return
        beside = () if model.beside is None else (model.beside.other,)
        key = ((model.rig, *beside), str(self._chosen.value), model.pose.keep_volume)
        if not self._whole():
            self._drop()
        elif self._sent is None or self._sent != key:
            self._drop()
            self._sent = key
            PICTURES.ask_later((self, "steps"), self._make, _REST)

    def _drop(self) -> None:
        self._sent = None
        self._live.send({"kind": "nosteps"}, [])

    def _make(self) -> None:
        if self._sent is None:
            return
        rigs, name, keep_volume = self._sent
        unit = ALL_TEST_POSES[name].unit
        low, high = AMOUNTS[unit][:2]
        count = round((high - low) / _STEP[unit]) + 1

        def packed_of(rig: Rig) -> bytes:
            def pose_at(amount: float) -> Pose:
                return Pose(rig.pose_for(name, amount).controls, keep_volume)

            return pack_steps(rig, pose_at, np.linspace(low, high, count).tolist())

        try:
            packed = [packed_of(rig) for rig in rigs]
        except RibbonsimError:  # an amount of the range cannot be taken: the kernel shows it
            return
        self._live.send({"kind": "steps", "name": name}, packed)
