"""The drawing thread: the latest wish wins, and panels do not stand in each other's way."""

import threading

import pytest

from ribbonsim.panel.easel import Easel


@pytest.fixture
def easel():
    return Easel()


class Gate:
    """Keeps the drawing thread busy until it is opened."""

    def __init__(self, easel):
        self.entered, self.open = threading.Event(), threading.Event()
        easel.ask("gate", self._hold)
        assert self.entered.wait(10.0)

    def _hold(self):
        self.entered.set()
        self.open.wait(10.0)


def test_latest_wish_wins_and_there_is_never_a_queue(easel):
    gate, drawn = Gate(easel), []
    for number in range(100):
        easel.ask("panel", lambda number=number: drawn.append(number))
    gate.open.set()
    assert easel.settle()
    assert drawn == [99]


def test_each_panel_gets_its_turn(easel):
    gate, drawn = Gate(easel), []
    for name in ("first", "second", "first", "third"):
        easel.ask(name, lambda name=name: drawn.append(name))
    gate.open.set()
    assert easel.settle()
    assert sorted(drawn) == ["first", "second", "third"]


def test_a_busy_panel_does_not_starve_another(easel):
    drawn = []

    def again():
        drawn.append("busy")
        if len(drawn) < 50:
            easel.ask("busy", again)

    gate = Gate(easel)
    easel.ask("busy", again)
    easel.ask("quiet", lambda: drawn.append("quiet"))
    gate.open.set()
    assert easel.settle()
    assert drawn.index("quiet") <= 2


def test_later_wish_comes_when_nothing_else_is_asked(easel):
    drawn = []
    easel.ask_later("panel", lambda: drawn.append("fine"), 0.05)
    assert easel.settle()
    assert drawn == ["fine"]


def test_new_wish_takes_the_place_of_a_later_one(easel):
    drawn = []
    easel.ask_later("panel", lambda: drawn.append("fine"), 0.2)
    easel.ask("panel", lambda: drawn.append("plain"))
    assert easel.settle()
    assert drawn == ["plain"]


def test_later_wish_does_not_push_aside_one_that_waits(easel):
    gate, drawn = Gate(easel), []
    easel.ask("panel", lambda: drawn.append("plain"))
    easel.ask_later("panel", lambda: drawn.append("fine"), 0.0)
    assert easel.waits("panel")
    gate.open.set()
    assert easel.settle()
    assert drawn == ["plain"]
    assert not easel.waits("panel")


def test_one_panels_later_wish_survives_anothers_picture(easel):
    drawn = []
    easel.ask_later("first", lambda: drawn.append("fine"), 0.05)
    easel.ask("second", lambda: drawn.append("plain"))
    assert easel.settle()
    assert drawn == ["plain", "fine"]


def test_a_wish_that_fails_leaves_the_thread_alive(easel):
    drawn, threads = [], set()

    def fail():
        threads.add(threading.get_ident())
        raise RuntimeError("no")

    def draw():
        threads.add(threading.get_ident())
        drawn.append(1)

    easel.ask("panel", fail)
    assert easel.settle()
    easel.ask("panel", draw)
    assert easel.settle()
    assert drawn == [1]
    assert len(threads) == 1
    assert threading.get_ident() not in threads


def test_settling_gives_up_in_time(easel):
    gate = Gate(easel)
    assert not easel.settle(timeout=0.05)
    gate.open.set()
    assert easel.settle()


def test_a_long_wish_waits_for_the_others_and_gives_way_between_its_pictures():
    easel, order, begun, asked = Easel(), [], threading.Event(), threading.Event()

    def film():
        begun.set()
        asked.wait(10)
        for frame in range(3):
            order.append(f"frame {frame}")
            easel.give_way()

    easel.ask_long("film", film)
    assert begun.wait(10)
    easel.ask_long("other film", lambda: order.append("other film"))
    easel.ask("panel", lambda: order.append("picture"))
    asked.set()
    assert easel.settle(10)
    assert order == ["frame 0", "picture", "frame 1", "frame 2", "other film"]


def test_a_long_wish_is_not_kept_waiting_by_a_later_one():
    easel, order = Easel(), []
    easel.ask_later("panel", lambda: order.append("fine"), 0.3)
    easel.ask_long("film", lambda: order.append("film"))
    assert easel.settle(10)
    assert order == ["film", "fine"]


def test_a_picture_that_fails_does_not_take_the_film_with_it():
    easel, order, begun, asked = Easel(), [], threading.Event(), threading.Event()

    def film():
        begun.set()
        asked.wait(10)
        easel.give_way()
        order.append("frame")

    easel.ask_long("film", film)
    assert begun.wait(10)
    easel.ask("panel", lambda: 1 / 0)
    asked.set()
    assert easel.settle(10)
    assert order == ["frame"]


def test_a_pause_ends_as_soon_as_its_owner_asks(easel):
    undisturbed = []

    def draw(seconds):
        undisturbed.append(easel.pause("panel", seconds))

    easel.ask("panel", lambda: draw(0.01))
    assert easel.settle()
    easel.ask("panel", lambda: draw(30.0))
    while easel.waits("panel"):  # taken, and pausing
        pass
    easel.ask("other", lambda: None)
    easel.ask("panel", lambda: None)
    assert easel.settle(10.0)
    assert undisturbed == [True, False]
