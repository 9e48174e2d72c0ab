"""The drawing thread: the latest task wins, and panels do not stand in each other's way."""

import threading

import pytest

from ribbonsim.panel.work.worker import Worker


@pytest.fixture
def worker():
    return Worker("test")


class Gate:
    """Keeps the drawing thread busy until it is opened."""

    def __init__(self, worker):
        self.entered, self.open = threading.Event(), threading.Event()
        worker.ask("gate", self._hold)
        assert self.entered.wait(300)

    def _hold(self):
        self.entered.set()
        self.open.wait(300)


def test_latest_task_wins_and_there_is_never_a_queue(worker):
    gate, drawn = Gate(worker), []
    for number in range(100):
        worker.ask("panel", lambda number=number: drawn.append(number))
    gate.open.set()
    assert worker.settle()
    assert drawn == [99]


def test_each_panel_gets_its_turn(worker):
    gate, drawn = Gate(worker), []
    for name in ("first", "second", "first", "third"):
        worker.ask(name, lambda name=name: drawn.append(name))
    gate.open.set()
    assert worker.settle()
    assert sorted(drawn) == ["first", "second", "third"]


def test_a_busy_panel_does_not_starve_another(worker):
    drawn = []

    def again():
        drawn.append("busy")
        if len(drawn) < 50:
            worker.ask("busy", again)

    gate = Gate(worker)
    worker.ask("busy", again)
    worker.ask("quiet", lambda: drawn.append("quiet"))
    gate.open.set()
    assert worker.settle()
    assert drawn.index("quiet") <= 2


def test_later_task_comes_when_nothing_else_is_asked(worker):
    drawn = []
    worker.ask_later("panel", lambda: drawn.append("fine"), 0.05)
    assert worker.settle()
    assert drawn == ["fine"]


def test_new_task_takes_the_place_of_a_later_one(worker):
    drawn = []
    worker.ask_later("panel", lambda: drawn.append("fine"), 0.2)
    worker.ask("panel", lambda: drawn.append("plain"))
    assert worker.settle()
    assert drawn == ["plain"]


def test_later_task_does_not_push_aside_one_that_waits(worker):
    gate, drawn = Gate(worker), []
    worker.ask("panel", lambda: drawn.append("plain"))
    worker.ask_later("panel", lambda: drawn.append("fine"), 0.0)
    assert worker.waits("panel")
    gate.open.set()
    assert worker.settle()
    assert drawn == ["plain"]
    assert not worker.waits("panel")


def test_one_panels_later_task_survives_anothers_picture(worker):
    drawn = []
    worker.ask_later("first", lambda: drawn.append("fine"), 0.05)
    worker.ask("second", lambda: drawn.append("plain"))
    assert worker.settle()
    assert drawn == ["plain", "fine"]


def test_a_task_that_fails_leaves_the_thread_alive(worker):
    drawn, threads = [], set()

    def fail():
        threads.add(threading.get_ident())
        raise RuntimeError("no")

    def draw():
        threads.add(threading.get_ident())
        drawn.append(1)

    worker.ask("panel", fail)
    assert worker.settle()
    worker.ask("panel", draw)
    assert worker.settle()
    assert drawn == [1]
    assert len(threads) == 1
    assert threading.get_ident() not in threads


def test_settling_gives_up_in_time(worker):
    gate = Gate(worker)
    assert not worker.settle(timeout=0.05)
    gate.open.set()
    assert worker.settle()


def test_a_long_task_waits_for_the_others_and_gives_way_between_its_pictures():
    worker, order, begun, asked = Worker("test"), [], threading.Event(), threading.Event()

    def film():
        begun.set()
        asked.wait(300)
        for frame in range(3):
            order.append(f"frame {frame}")
            worker.give_way()

    worker.ask_long("film", film)
    assert begun.wait(300)
    worker.ask_long("other film", lambda: order.append("other film"))
    worker.ask("panel", lambda: order.append("picture"))
    asked.set()
    assert worker.settle(300)
    assert order == ["frame 0", "picture", "frame 1", "frame 2", "other film"]


def test_a_long_task_is_not_kept_waiting_by_a_later_one():
    worker, order = Worker("test"), []
    worker.ask_later("panel", lambda: order.append("fine"), 0.3)
    worker.ask_long("film", lambda: order.append("film"))
    assert worker.settle(300)
    assert order == ["film", "fine"]


def test_a_picture_that_fails_does_not_take_the_film_with_it():
    worker, order, begun, asked = Worker("test"), [], threading.Event(), threading.Event()

    def film():
        begun.set()
        asked.wait(300)
        worker.give_way()
        order.append("frame")

    worker.ask_long("film", film)
    assert begun.wait(300)
    worker.ask("panel", lambda: 1 / 0)
    asked.set()
    assert worker.settle(300)
    assert order == ["frame"]


def test_a_pause_ends_as_soon_as_its_owner_asks(worker):
    undisturbed = []

    def draw(seconds):
        undisturbed.append(worker.pause("panel", seconds))

    worker.ask("panel", lambda: draw(0.01))
    assert worker.settle()
    worker.ask("panel", lambda: draw(30.0))
    while worker.waits("panel"):  # taken, and pausing
        pass
    worker.ask("other", lambda: None)
    worker.ask("panel", lambda: None)
    assert worker.settle(300)
    assert undisturbed == [True, False]
