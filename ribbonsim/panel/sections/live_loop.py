"""Loops sent to the browser's view, which then plays them without the kernel."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ribbonsim.inpage.pose_bytes import pack_loop, pack_seats
from ribbonsim.layout.motions import Motion
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.live_section import LiveSection
from ribbonsim.panel.sections.player import Player
from ribbonsim.panel.work.trouble import trouble_of
from ribbonsim.panel.work.worker import LOOPS
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Take

Key = tuple[tuple[Rig, Motion], ...]


class LiveLoop:
    """Links a player to the browser's view, and sends that the loop once, the latest asked for.

    Parameters
    ----------
    turned : callable
        Called when the browser begins or ceases to draw.
    """

    def __init__(
        self, desk: Desk, live: LiveSection, player: Player, turned: Callable[[], object]
    ) -> None:
        self._desk, self._live, self._player = desk, live, player
        self._key: Key | None = None
        self._sent = desk.handed(self._send)
        self._turned = turned
        live.view.player = player
        live.on_turn(self._turn)

    def offer(self, takes: Sequence[Take]) -> None:
        """Send the loop of each layout, unless the browser has it.

        While a motion is set the one that was sent before plays on until the next is there;
        of another motion or another rig nothing holds, and the clock waits.
        """
        key = tuple((take.rig, take.motion) for take in takes)
        if not self._live.shown or key == self._key:
            return
        if not _alike(self._key, key):
            self._drop()
        self._key = key
        LOOPS.ask((self, "loop"), lambda: self._make(key, takes))

    def _turn(self) -> None:
        self._key = None
        self._player.asks = not self._live.shown
        self._player.ready = not self._live.shown
        self._turned()

    def _drop(self) -> None:
        self._player.ready = False
        self._live.send({"kind": "noloop"}, [])

    def _make(self, key: Key, takes: Sequence[Take]) -> None:
        if self._key != key:
            return
        try:
            packed = [pack_loop(take) for take in takes]
            lies = [i for i, take in enumerate(takes) if take.motion.rests_on is not None]
            packed += [pack_seats(takes[i].rig) for i in lies]
        except Exception as error:  # nothing above this but the thread of all loops
            self._desk.complain(trouble_of(error, "the motion could not be played"))
            return
        self._sent(key, packed, lies)

    def _send(self, key: Key, packed: list[bytes], seats: list[int]) -> None:
        if self._live.shown and _alike(self._key, key):
            self._live.send({"kind": "loop", "seats": seats}, packed)
            self._player.ready = True


def _alike(one: Key | None, other: Key) -> bool:
    """Whether loops are of the same rigs and motions, however these are set."""
    if one is None or len(one) != len(other):
        return False
    return all(
        mine[0] is its[0] and mine[1].name == its[1].name
        for mine, its in zip(one, other, strict=True)
    )
