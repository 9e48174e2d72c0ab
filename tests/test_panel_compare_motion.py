"""Motions in the compare panel: layouts move in step, by pictures or by themselves."""

import io

import numpy as np
import pytest
from PIL import Image
from tubes import small_worm

import ribbonsim as rs
from ribbonsim.inpage.pose_bytes import pack_loop, pack_seats
from ribbonsim.layout.motions import MOTIONS
from ribbonsim.panel.compare_panel import ComparePanel
from ribbonsim.panel.sections.live_section import LiveView
from ribbonsim.panel.sections.motion_rules import MotionRules
from ribbonsim.panel.sections.player import Player
from ribbonsim.panel.state.bench import Asked
from ribbonsim.panel.work.worker import CHECKS, LOOPS, PICTURES


def settle():
    assert all(worker.settle(300) for worker in (LOOPS, PICTURES, CHECKS))


def parts_of(part):
    yield part
    for child in getattr(part, "children", ()):
        yield from parts_of(child)


class Bench:
    """A compare panel with a player and a browser that the test plays."""

    def __init__(self):
        self.panel = ComparePanel(small_worm())
        parts = list(parts_of(self.panel))
        self.player = next(part for part in parts if isinstance(part, Player))
        self.rules = next(part for part in parts if isinstance(part, MotionRules))
        self.moving = next(part for part in parts if self.rules in getattr(part, "children", ()))
        self.view = next(part for part in parts if isinstance(part, LiveView))
        self.sent = []
        self.view.send = lambda told, buffers=None: self.sent.append((told, buffers))
        settle()

    def ask(self, name, kind):
        menu = self.panel._layouts._test
        menu.value = (name, kind)
        settle()

    def hear(self, kind, share):
        self.player._handle_custom_msg({"kind": kind, "share": share}, [])
        settle()

    @property
    def rigs(self):
        return [entry.model.rig for entry in self.panel.bench.entries]

    def picture(self):
        jpeg = self.panel._desk.picture.value
        return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"), dtype=float)


@pytest.fixture
def bench():
    made = Bench()
    yield made
    made.panel.close()
    settle()


def test_pictures_of_all_layouts_go_through_a_motion(bench):
    assert bench.moving.layout.display == "none"
    bench.ask("slither", -2)
    assert bench.moving.layout.display == ""
    assert bench.player.seconds == MOTIONS["slither"].seconds
    before = bench.picture()
    bench.hear("frame", 0.4)
    assert np.abs(bench.picture() - before).mean() > 1.0
    frame = round(0.4 * bench.player.count)
    assert [bench.panel.bench.pose_of(entry) for entry in bench.panel.bench.entries] == [
        take.frames()[frame].pose for take in bench.panel.bench.takes()
    ]
    # the numbers are those of compare at that moment
    expected = rs.compare(bench.rigs, {"m": bench.rigs[0].motion("slither").frames()[frame]})
    words = bench.panel._numbers.table.value
    assert f"slither at {2.4 * frame / bench.player.count:.2f} s" in words
    assert all(text in words for line in expected.table for text in line.texts)


@pytest.mark.slow
def test_a_pose_of_the_same_name_is_no_motion(bench):
    bench.ask("rear_up", -2)
    moving = bench.panel.bench.asked
    bench.ask("rear_up", -1)
    assert (moving.moment, bench.panel.bench.asked.moment) == (0.0, None)
    assert bench.moving.layout.display == "none"
    assert bench.panel._layouts._amount.layout.display == ""


def test_what_is_set_of_a_motion_holds_for_all_layouts(bench):
    bench.ask("strike", -2)
    bench.hear("seek", 0.5)
    slider = bench.rules.rows
    assert list(slider) == ["seconds", "amount", "lag", "swing", "weight", "slide"]
    slider["amount"].slider.value, slider["seconds"].slider.value = 0.5, 1.5
    settle()
    first = bench.rigs[0].motion("strike", seconds=1.5, amount=0.5)
    assert (bench.player.seconds, bench.player.count) == (1.5, first.count())
    wanted = first.frames()[round(0.5 * first.count())]
    state = bench.panel.bench
    for entry, rig in zip(state.entries, bench.rigs, strict=True):
        assert state.pose_of(entry) == wanted.on(rig).pose
    bench.rules.children[-1].children[0].click()
    settle()
    assert state.asked == Asked("strike", moment=0.0)
    assert slider["amount"].value == 1.0


@pytest.mark.slow
def test_a_browser_is_sent_the_loop_of_each_layout(bench):
    bench.view._handle_custom_msg({"kind": "ready", "renderer": "some card", "software": False}, [])
    bench.ask("crawl", -2)
    told, loops = next(pair for pair in reversed(bench.sent) if pair[0]["kind"] == "loop")
    first = bench.rigs[0].motion("crawl")
    assert told["seats"] == [0, 1]  # both lie on the ground
    seats = [pack_seats(rig) for rig in bench.rigs]
    assert loops == [pack_loop(first), pack_loop(first.on(bench.rigs[1])), *seats]
    assert bench.player.ready
    bench.sent.clear()
    bench.hear("play", 0.0)
    bench.panel._layouts._set_reach(0.6)  # a layout that changes is sent anew, and so is its loop
    settle()
    kinds = [told["kind"] for told, _ in bench.sent]
    assert kinds.index("layout") < kinds.index("loop")
    assert bench.player.moving
