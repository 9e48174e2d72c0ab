"""Opening on a thread of its own: told, stopped, replaced, waited for."""

import asyncio
import threading

import pytest

from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.work.dispatch import Dispatcher
from ribbonsim.panel.work.opening import Opening


class Heard:
    def __init__(self):
        self.told, self.failed, self.taken, self.threads = [], [], [], set()

    def opening(self):
        return Opening(Dispatcher(threading.RLock(), self.fail), self.tell, self.fail)

    def tell(self, words, going):
        self.threads.add(threading.get_ident())
        self.told.append((words, going))

    def fail(self, trouble):
        self.failed.append(trouble.sentence)

    def take(self, came):
        self.threads.add(threading.get_ident())
        self.taken.append(came)


@pytest.fixture
def heard():
    return Heard()


async def until(holds):
    for _ in range(3000):
        if holds():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("waited in vain")


def test_without_a_loop_it_is_opened_at_once(heard):
    opening = heard.opening()
    opening.start(lambda progress: progress("Reading", 0, 1) or "mesh", heard.take)
    assert heard.taken == ["mesh"]
    assert not opening.going


def test_the_loop_answers_meanwhile_and_is_told_how_long_it_takes(heard):
    go_on = threading.Event()

    async def main():
        opening = heard.opening()

        def work(progress):
            progress("Looking for the body", 0, 1)
            assert go_on.wait(60)
            return "mesh"

        opening.start(work, heard.take)
        await until(lambda: any("Looking for the body" in words for words, _ in heard.told))
        assert opening.going
        go_on.set()
        await until(lambda: heard.taken)
        assert not opening.going

    asyncio.run(main())
    assert heard.taken == ["mesh"]
    assert heard.told[0] == ("", True)
    assert heard.told[-1] == ("", False)
    assert heard.threads == {threading.get_ident()}, "widgets were set from another thread"


def test_what_is_stopped_ends_and_nothing_is_taken(heard):
    ended, begun = threading.Event(), threading.Event()

    def work(progress):
        progress("Looking for the body", 0, 1)
        begun.set()
        try:
            while True:  # a step that never asks whether it is wanted
                sum(range(1000))
        finally:
            ended.set()

    async def main():
        opening = heard.opening()
        opening.start(work, heard.take)
        await until(begun.is_set)
        opening.stop()
        assert not opening.going
        await until(ended.is_set)
        await asyncio.sleep(0.1)

    asyncio.run(main())
    assert heard.taken == []
    assert heard.failed == []


def test_the_latest_takes_the_place_and_errors_are_sentences(heard):
    async def main():
        opening = heard.opening()
        go_on = threading.Event()
        opening.start(lambda _: go_on.wait(60) and "first", heard.take)
        opening.start(lambda _: "second", heard.take)
        go_on.set()
        await until(lambda: heard.taken)

        def broken(progress):
            raise RibbonsimError("worm.obj has no faces")

        opening.start(broken, heard.take)
        await until(lambda: heard.failed)
        opening.start(lambda _: "third", heard.take)
        opening.wait()  # such as a cell that asks for the model
        assert heard.taken == ["second", "third"]
        await asyncio.sleep(0.6)

    asyncio.run(main())
    assert heard.taken == ["second", "third"]
    assert heard.failed == ["worm.obj has no faces"]
