"""A row of small pictures under the picture: the creature in every test pose and kept pose."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import ipywidgets as widgets
import traitlets

from ribbonsim.bendcheck.amounts import shown_pose, usual_amounts
from ribbonsim.bendcheck.cases import Wish
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES, test_poses_of
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.page_widget import PageWidget
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state import kept
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.session import digest_of
from ribbonsim.panel.work.pose_pictures import PosePicture, PosePictures
from ribbonsim.rig.rig import Method, Rig

_TEST, _KEPT = "test:", "kept:"


class PoseStrip(PageWidget):
    """Small pictures in a row, shown and clicked in the browser.

    It tells by messages ``seen``, when it comes into sight or goes out of it, ``take`` with the
    key of a pose, and ``fresh`` from a page that was opened anew.
    """

    _page_file = "pose_strip.js"
    name = traitlets.Unicode().tag(sync=True)  # by which the page finds the pictures again
    items: traitlets.List[dict[str, object]] = traitlets.List().tag(sync=True)
    chosen = traitlets.Unicode("").tag(sync=True)


class StripSection:
    """The row of poses: what stands in it, and what a click does.

    Attributes
    ----------
    switch : ToggleButton
        Shows the row or hides it.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self.view = PoseStrip(name=uuid.uuid4().hex)
        self.view.add_class("rs-strip-view")
        self.view.on_msg(self._hear)
        self.switch = widgets.ToggleButton(
            value=True,
            description="Pose pictures",
            tooltip="the creature in every test pose and kept pose, under the picture",
            layout=widgets.Layout(width="auto"),
        )
        self.switch.add_class("rs-strip-switch")
        self.switch.observe(self._turn, "value")
        self._pictures = PosePictures(
            desk.handed(self._take_picture), desk.complain, lambda: desk.viewer.asked_at
        )
        self._seen = False
        self._rig: Rig | None = None
        self._digest = 0
        self._now: tuple[int, Method] = (0, "linear")
        self._known: dict[str, PosePicture] = {}
        self._asked: tuple[object, dict[str, Wish]] | None = None
        desk.on_change(self.refresh)
        self._place()

    def close(self) -> None:
        """Stop what goes on, and let go of the creature."""
        self._pictures.stop()
        self._rig, self._known, self._asked = None, {}, None

    # -- what stands in it -------------------------------------------------------------------

    def refresh(self) -> None:
        """Show which poses there are and which is taken; have what is old made again."""
        model = self._desk.model
        if not model.is_open:
            return
        if self._rig is None or self._rig.mesh is not model.rig.mesh:
            self._known = {}
        if model.rig is not self._rig:
            # poses that are kept make another rig, and change nothing of the others
            self._rig, self._digest = model.rig, digest_of(replace(model.layout, poses={}))
        self._now = (self._digest, model.method)
        self._quiet = True
        try:
            self.switch.value = model.pose_strip
        finally:
            self._quiet = False
        self._place()
        self._show()
        self._order()

    def _show(self) -> None:
        model = self._desk.model
        wishes = _wishes(model)
        self._known = {key: known for key, known in self._known.items() if key in wishes}
        self.view.items = [self._item(key, wish) for key, wish in wishes.items()]
        self.view.chosen = _taken(model)

    def _item(self, key: str, wish: Wish) -> dict[str, object]:
        known = self._known.get(key)
        old = known is not None and not self._is_fresh(key, wish)
        return {"key": key, "name": wish.bare, "old": old, **_words(wish, known, old)}

    def _is_fresh(self, key: str, wish: Wish) -> bool:
        known = self._known.get(key)
        return known is not None and known.tag == self._now and known.wish.pose == wish.pose

    def _order(self) -> None:
        """Ask for the pictures that are missing or old, while anybody sees them."""
        model = self._desk.model
        left = {k: wish for k, wish in _wishes(model).items() if not self._is_fresh(k, wish)}
        if not (self._seen and model.pose_strip and left):
            if self._asked is not None:
                self._asked = None
                self._pictures.stop()
        elif not self._is_asked(left):
            self._asked = self._now, left
            self._pictures.ask(model.rig, model.method, list(left.values()), self._now)

    def _is_asked(self, left: Mapping[str, Wish]) -> bool:
        if self._asked is None or self._asked[0] != self._now:
            return False
        asked = self._asked[1]
        return all(key in asked and asked[key].pose == wish.pose for key, wish in left.items())

    def _take_picture(self, made: PosePicture) -> None:
        key = _key(made.wish)
        if not self._desk.model.is_open or key not in _wishes(self._desk.model):
            return
        self._known[key] = made
        self._send_picture(key)
        self._show()
        self._order()

    def _send_picture(self, key: str) -> None:
        self.view.send({"kind": "picture", "key": key}, [self._known[key].jpeg])

    def _turn(self, change: dict[str, bool]) -> None:
        if not self._quiet:
            self._desk.act(lambda: setattr(self._desk.model, "pose_strip", change["new"]))

    def _place(self) -> None:
        """Give the row its room, or take it away."""
        self.view.layout.display = "" if self.switch.value else "none"

    # -- what the browser says ---------------------------------------------------------------

    def _hear(self, _: Any, told: dict[str, Any], __: list[bytes]) -> None:
        with self._desk.holding():
            kind = told.get("kind")
            if kind == "fresh":
                for key in self._known:
                    self._send_picture(key)
            elif kind == "seen":
                self._seen = bool(told["on"])
                if self._desk.model.is_open:
                    self._order()
            elif kind == "take":
                self._take(str(told["key"]))

    def _take(self, key: str) -> None:
        """Take a pose, on the whole creature."""
        desk, model = self._desk, self._desk.model
        if not model.is_open or key not in _wishes(model):
            return
        name = key.removeprefix(_TEST).removeprefix(_KEPT)
        if key.startswith(_KEPT):
            desk.pose(lambda: kept.recall_pose(model, name))
        else:
            desk.pose(lambda: model.show_test_pose(name, usual_amounts(model.rig, [name])[name]))


def _wishes(model: PanelModel) -> dict[str, Wish]:
    """The poses that stand in the row, by key."""
    tests = [Wish(name) for name in test_poses_of(model.layout)]
    own = [Wish(name, pose=pose) for name, pose in model.layout.poses.items()]
    return {_key(wish): wish for wish in [*own, *tests]}


def _key(wish: Wish) -> str:
    return f"{_TEST if wish.pose is None else _KEPT}{wish.name}"


def _taken(model: PanelModel) -> str:
    """Key of the pose that the creature is in; empty if it is in none of them."""
    if model.shown is not None:
        return "" if model.shown.ribbon is not None else f"{_TEST}{model.shown.name}"
    same = (name for name, pose in model.layout.poses.items() if pose == model.pose)
    name = next(same, None)
    return "" if name is None else f"{_KEPT}{name}"


def _words(wish: Wish, known: PosePicture | None, old: bool) -> dict[str, str]:
    """What is told of a pose: its state, the mark on its picture, and a sentence."""
    if wish.pose is not None:
        lead = f"kept pose {wish.name}"
    else:
        lead = f"{wish.bare}: {ALL_TEST_POSES[wish.name].describes}"
    if known is None:
        return {"state": "waits", "mark": "", "tip": f"{lead}. Not looked at yet."}
    if known.wish.amount is not None:
        lead = f"{shown_pose(wish.name, known.wish.amount)}, {ALL_TEST_POSES[wish.name].describes}"
    last = " Of the layout before the last change." if old else ""
    if known.trouble:
        return {"state": "cannot", "mark": "!", "tip": f"{lead}: {known.trouble}.{last}"}
    if known.findings:
        count = len(known.findings)
        broken = "breaks a limit" if count == 1 else f"breaks {count} limits"
        tip = f"{lead}; {broken}. {known.findings[0].statement}{last}"
        return {"state": "breaks", "mark": f"! {count}", "tip": tip}
    looked = "" if known.contacts else " Contacts were not looked for."
    return {"state": "holds", "mark": "", "tip": f"{lead}; keeps all limits.{looked}{last}"}
