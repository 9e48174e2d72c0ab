"""Motions in the compare panel: one clock for all layouts, so that they move in step."""

from __future__ import annotations

import ipywidgets as widgets

from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.live_loop import LiveLoop
from ribbonsim.panel.sections.live_section import LiveSection
from ribbonsim.panel.sections.motion_rules import MotionRules
from ribbonsim.panel.sections.player import Player
from ribbonsim.panel.state.bench import Bench
from ribbonsim.panel.state.playing import usual_of


class CompareMotion:
    """Plays the motion that is asked of all layouts; there is nothing of it for a pose."""

    def __init__(self, desk: Desk, live: LiveSection, bench: Bench) -> None:
        self._desk, self._live, self._bench = desk, live, bench
        self._name = ""
        self.player = Player(self._hear)
        self._rules = MotionRules(self._set, self._as_usual)
        self.box = widgets.VBox([self.player, self._rules])
        self._loop = LiveLoop(desk, live, self.player, self.refresh)
        desk.on_change(self.refresh)

    def _hear(self, kind: str, share: float) -> None:
        """What was done with the player."""
        bench = self._bench
        if bench.asked.moment is None or kind in ("fresh", "at"):
            return
        self._desk.act((lambda: None) if kind == "play" else (lambda: bench.ask_moment(share)))

    def _set(self, rule: str, value: float) -> None:
        self._desk.act(lambda: self._bench.tell_motion(rule, value))

    def _as_usual(self) -> None:
        self.player.go(0.0)
        self._desk.act(self._bench.motion_as_usual)

    def refresh(self) -> None:
        """Show the motion as it is, and have the browser play it."""
        bench, player = self._bench, self.player
        asked = bench.asked
        moves = bool(bench.entries) and asked.moment is not None
        self.box.layout.display = "" if moves else "none"
        self._live.sender.moment = asked.moment
        name = asked.name if moves else ""
        if name != self._name:  # another one begins at its beginning
            self._name = name
            if moves:
                player.go(0.0)
            elif player.moving:
                player.stop()
        if moves:
            takes = bench.takes()
            self._rules.tell(usual_of(takes[0].rig, asked.name), asked.told)
            player.tell(takes[0].seconds, takes[0].count(), bench.marks())
            self._loop.offer(takes)
