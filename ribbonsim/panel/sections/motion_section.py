"""Motions: play, pause, a slider over the loop, and what may be set of them while they play."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from ribbonsim.bendcheck.over_time import measure_motions
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    button,
    choice,
    facts,
    field,
    heading,
    set_options,
    show_html,
)
from ribbonsim.panel.sections.live_loop import LiveLoop
from ribbonsim.panel.sections.live_section import LiveSection
from ribbonsim.panel.sections.motion_rules import MotionRules
from ribbonsim.panel.sections.player import Player
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state.playing import Playing, usual_of
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.work.played import PlayedNumbers
from ribbonsim.rig.own_motions import motion_of, motions_of


class MotionSection:
    """A motion is chosen, played and set; what draws the creature shows it.

    Where the browser draws, it is sent the loop and plays it by itself; the kernel hears where
    it stands once it rests. Elsewhere the kernel draws a picture of each frame.

    Parameters
    ----------
    live : LiveSection
        The browser's view.
    playing : Playing
        What is chosen and set here.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, live: LiveSection, playing: Playing) -> None:
        self._desk, self._live, self._playing = desk, live, playing
        # the creature moves once a motion is chosen or played: settings alone leave its pose
        self._begun = self._in_front = False
        self._posed: Pose | None = None  # the creature's, if it stands in a frame
        self._motion = choice([])
        self._motion.observe(self._choose, "value")
        self._words = widgets.HTML()
        self._player = Player(self._hear)
        self._loop = LiveLoop(desk, live, self._player, self.refresh)
        find = button("Find the worst", self._find)
        self._numbers = PlayedNumbers(desk.handed(self._tell_numbers), desk.complain)
        self._rules = MotionRules(self._set, self._as_usual, find)
        self.box = widgets.VBox(
            [
                heading("Motion"),
                field("motion", self._motion),
                self._words,
                self._player,
                self._rules,
            ]
        )
        desk.on_change(self.refresh)

    def show(self, front: bool) -> None:
        """Know whether the tab is in front: then the browser is sent what may be played."""
        self._in_front = front
        self.refresh()

    # -- to the model ------------------------------------------------------------------------

    def _choose(self, change: dict[str, Any]) -> None:
        if self._quiet or change["new"] is None:
            return
        self._playing.choose(str(change["new"]))
        self._player.go(0.0)
        self._desk.act(lambda: self._in_sight(self._show))

    def _set(self, rule: str, value: float) -> None:
        self._playing.tell(rule, value)
        self._changed()

    def _as_usual(self) -> None:
        self._playing.choose(self._playing.name)
        self._player.go(0.0)
        self._begun = True
        self._changed()

    def _changed(self) -> None:
        """Show what was set; a loop that plays in the browser is replaced by the new one."""
        plays = self._player.moving and self._live.shown
        if self._begun:
            self._desk.act(lambda: self._in_sight((lambda: None) if plays else self._show))

    def _hear(self, kind: str, share: float) -> None:
        """What was done with the player."""
        model = self._desk.model
        if not model.is_open or kind == "fresh":
            return
        if kind == "at":
            take = self._playing.take(model.rig)
            self._numbers.ask(model, take.frames()[round(share * take.count()) % take.count()])
            return
        if kind == "play":
            self._begun, self._posed = True, model.pose
            self._desk.act(lambda: self._in_sight(lambda: None))
            return
        frame = round(share * self._playing.take(model.rig).count())
        self._playing.frame = frame % self._playing.take(model.rig).count()
        self._desk.act(self._show)

    def _tell_numbers(self, numbers: Readout) -> None:
        """Show numbers of a moment, unless the creature rests meanwhile."""
        if self._player.moving:
            self._desk.show_numbers(numbers)

    def _show(self) -> None:
        """Put the creature into the frame; all frames of one motion are one step to undo."""
        self._begun = True
        model = self._desk.model
        model.set_moment(self._playing.instant(model.rig), f"motion {self._playing.name}")
        self._posed = model.pose

    def _in_sight(self, change: Callable[[], object]) -> None:
        """Change something; who saw the whole creature sees all of its motion."""
        whole = self._desk.viewer.shows_all()
        change()
        if whole:  # who looks at a part keeps looking at it
            self._desk.viewer.frame_loop(self._playing.take(self._desk.model.rig))

    def _find(self) -> None:
        """Look for the moments at which limits are broken most."""

        def look() -> None:
            model = self._desk.model
            take = self._playing.take(model.rig)
            (found,) = measure_motions(model.rig, [take], model.method, contacts=False)
            broken = [one for one in found.worst.values() if not one.holds]
            worst = broken or [found.worst["shape"]]
            self._playing.worst = {one.time: f"worst {one.kind}" for one in worst}

        self._desk.act(look, doing="looking through the motion")

    # -- from the model ----------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the motion as it is, and have the browser play it."""
        model = self._desk.model
        if not model.is_open:
            return
        rig, playing = model.rig, self._playing
        self._quiet = True
        try:
            names = [(name.replace("_", " "), name) for name in motions_of(rig)]
            if playing.name not in motions_of(rig):
                playing.choose(names[0][1])
            set_options(self._motion, names, playing.name)
            take = playing.take(rig)
            self._player.tell(take.seconds, take.count(), playing.marks(rig))
            self._rules.tell(usual_of(rig, playing.name), playing.told)
            show_html(self._words, facts(motion_of(rig, playing.name).describes))
        finally:
            self._quiet = False
        self._mind_pose()
        if self._in_front or self._player.moving:
            beside = model.beside
            self._loop.offer([take] if beside is None else [take, beside.take_of(take)])

    def _mind_pose(self) -> None:
        """Play no more once the creature was posed by other means."""
        model = self._desk.model
        ours = model.pose is self._posed
        if self._player.moving and not ours:
            self._player.stop()
        self._live.sender.moment = self._playing.share(model.rig) if ours else None
