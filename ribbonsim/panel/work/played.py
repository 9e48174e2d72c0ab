"""Numbers of a motion that plays: of the moment that was heard of last. No widgets."""

from __future__ import annotations

import time
from collections.abc import Callable

from ribbonsim.layout.appendages import BODY
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.work.job import Fail
from ribbonsim.panel.work.trouble import trouble_of
from ribbonsim.panel.work.worker import LOOKS
from ribbonsim.rig.take import Instant

# it rests so many times as long as it took: the kernel has other things to answer
_RESTS = 4.0


class PlayedNumbers:
    """Measures moments on a thread of its own, the latest first.

    Parameters
    ----------
    tell : callable
        Takes the numbers, on the working thread.
    fail : callable
        Takes what went wrong.
    """

    def __init__(self, tell: Callable[[Readout], None], fail: Fail) -> None:
        self._tell, self._fail, self._next = tell, fail, 0.0

    def ask(self, model: PanelModel, instant: Instant) -> None:
        """Ask for the numbers of a moment, unless the last ones were told just now."""
        if time.monotonic() >= self._next:
            LOOKS.ask(self, lambda: self._measure(model, instant))

    def _measure(self, model: PanelModel, instant: Instant) -> None:
        begin = time.perf_counter()
        try:
            rig = instant.take.rig
            posed, skin = rig.posed(instant.pose), instant.skin(model.method)
            measures = model.measures_of(rig, skin, posed.ribbons[BODY], posed.joints)
        except Exception as error:  # nothing above this but the thread of all panels
            self._fail(trouble_of(error, "the motion could not be measured"))
            return
        seconds = time.perf_counter() - begin
        self._next = time.monotonic() + _RESTS * seconds
        shown = f"{instant.time:.2f} s of {instant.take.motion.shown}"
        self._tell(Readout.of(measures, seconds, shown))
