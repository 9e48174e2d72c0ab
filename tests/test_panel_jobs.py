"""Background work of the panel: how far it is, stopping it, and what is said of a defect."""

import asyncio
import html
import logging
import re
import threading

import pytest
from demos import demo_mesh

import ribbonsim as rs
from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.work.dispatch import Dispatcher
from ribbonsim.panel.work.job import Job
from ribbonsim.panel.work.worker import PICTURES, Worker


class Heard:
    """What a job says, in order."""

    def __init__(self):
        self.words, self.shares, self.results, self.troubles = [], [], [], []

    def tell(self, words, share):
        self.words.append(words)
        self.shares.append(share)

    def take(self, result, seconds):
        assert seconds >= 0.0
        self.results.append(result)


@pytest.fixture
def heard():
    return Heard()


@pytest.fixture
def worker():
    return Worker("test")


@pytest.fixture
def job(worker, heard):
    failed = "this could not be counted"
    return Job(worker, heard.tell, heard.troubles.append, failed, "Stopped.", unit=" sheep")


def test_a_job_tells_how_far_it_is_and_hands_over_what_came_of_it(job, worker, heard):
    def count(progress):
        progress("count", 1, 4)
        progress("write", 1, 2)
        return "counted"

    job.start(count, heard.take, ("count", "write"))
    assert worker.settle(300)
    assert heard.results == ["counted"]
    assert not job.going
    assert any(words.startswith("count: 1 of 4 sheep … ") for words in heard.words)
    # two stages of the same length: a quarter of the first, then half of the second
    assert heard.shares == [0.0, 0.0, 0.125, 0.75, 0.0]
    assert heard.words[-1] == ""


def test_a_job_that_is_stopped_says_so_and_hands_nothing_over(job, worker, heard):
    begun, go_on = threading.Event(), threading.Event()

    def count(progress):
        begun.set()
        assert go_on.wait(300)
        progress("count", 1, 4)

    job.start(count, heard.take)
    assert begun.wait(300)
    assert job.going
    job.stop()
    go_on.set()
    assert worker.settle(300)
    assert heard.words[-1] == "Stopped."
    assert heard.results == []
    assert not job.going


def test_a_job_stopped_while_it_waits_never_begins(job, worker, heard):
    begun, go_on = threading.Event(), threading.Event()

    def gate():
        begun.set()
        assert go_on.wait(300)

    worker.ask("gate", gate)
    assert begun.wait(300)
    ran = []
    job.start(lambda progress: ran.append(progress), heard.take)
    job.stop()
    go_on.set()
    assert worker.settle(300)
    assert ran == []
    assert heard.words[-1] == "Stopped."


def test_new_work_takes_the_place_of_what_goes_on_and_keeps_the_words(job, worker, heard):
    begun, go_on = threading.Event(), threading.Event()

    def first(progress):
        begun.set()
        assert go_on.wait(300)
        progress("first", 1, 1)
        return "first"

    job.start(first, heard.take)
    assert begun.wait(300)
    job.start(lambda _: "second", heard.take)
    go_on.set()
    assert worker.settle(300)
    assert heard.results == ["second"]
    assert "Stopped." not in heard.words
    assert not job.going


def test_a_defect_of_a_job_is_logged_and_has_details(job, worker, heard, caplog):
    def broken(_):
        raise ZeroDivisionError("by nought")

    with caplog.at_level(logging.DEBUG, "ribbonsim"):
        job.start(broken, heard.take)
        assert worker.settle(300)
    (trouble,) = heard.troubles
    assert trouble.sentence == "this could not be counted (ZeroDivisionError: by nought)"
    assert "in broken" in trouble.details
    (record,) = caplog.records
    assert record.levelno == logging.ERROR
    assert record.exc_info[0] is ZeroDivisionError
    assert not job.going


def test_what_the_user_can_put_right_is_a_sentence_alone(job, worker, heard, caplog):
    def refused(_):
        raise RibbonsimError("there is no sheep: open a gate")

    job.start(refused, heard.take)
    assert worker.settle(300)
    (trouble,) = heard.troubles
    assert (trouble.sentence, trouble.details) == ("there is no sheep: open a gate", "")
    assert caplog.records == []


# -- the message line ---------------------------------------------------------------------------


def details_in(desk):
    found = re.search(r"<details>.*<pre>(.*)</pre></details>", desk.message.value, re.DOTALL)
    return None if found is None else html.unescape(found.group(1))


def test_details_of_a_defect_can_be_opened_in_the_message_line(caplog):
    desk = Desk((450, 300))

    def broken():
        raise ZeroDivisionError("by <b>nought</b>")

    assert not desk.act(broken)
    assert "nothing was changed." in desk.message.value
    assert "<b>nought" not in desk.message.value
    details = details_in(desk)
    assert details.startswith("ribbonsim ")
    assert "Traceback (most recent call last)" in details
    assert "in broken" in details
    assert details.rstrip().endswith("ZeroDivisionError: by <b>nought</b>")
    assert [record.levelname for record in caplog.records] == ["ERROR"]


def test_what_the_user_can_put_right_has_no_details(caplog):
    desk = Desk((450, 300))
    desk.open("nowhere.obj")
    assert "nowhere.obj" in desk.message.value
    assert details_in(desk) is None
    assert caplog.records == []


def test_a_picture_that_fails_is_logged_and_the_last_one_stays(monkeypatch, caplog):
    desk = Desk((450, 300))
    desk.open(demo_mesh("grub"))
    assert PICTURES.settle(300)
    before = desk.picture.value

    def broken(*_):
        raise ZeroDivisionError("by nought")

    monkeypatch.setattr(rs.Rig, "skin_joints", broken)
    desk.model.set_value(desk.model.selected, "bend", 12.0)
    desk.viewer.ask()
    assert PICTURES.settle(300)
    assert "the picture could not be drawn" in desk.message.value
    assert "in broken" in details_in(desk)
    assert [record.levelname for record in caplog.records] == ["ERROR"]
    assert desk.picture.value == before
    desk.viewer.close()
    assert PICTURES.settle(300)


def test_a_task_that_nobody_watches_is_logged(worker, caplog):
    def broken():
        raise ZeroDivisionError("by nought")

    worker.ask("panel", broken)
    assert worker.settle(300)
    (record,) = caplog.records
    assert record.levelno == logging.ERROR
    assert record.exc_info[0] is ZeroDivisionError


# -- back to the thread that answers widgets -----------------------------------------------------


def test_what_workers_hand_over_is_called_by_the_event_loop_in_order(worker):
    seen = []

    async def kernel():
        dispatcher = Dispatcher(threading.RLock(), pytest.fail)
        show = dispatcher.handed(lambda number: seen.append((number, threading.get_ident())))
        worker.ask("panel", lambda: [show(number) for number in range(20)])
        assert worker.settle(300)
        assert seen == []  # the loop has not had its turn
        await asyncio.sleep(0)
        show(20)  # from the loop's own thread it is called at once

    asyncio.run(kernel())
    assert seen == [(number, threading.get_ident()) for number in range(21)]


def test_what_fails_in_the_event_loop_is_told_and_the_next_is_called(worker, caplog):
    troubles, seen = [], []

    async def kernel():
        dispatcher = Dispatcher(threading.RLock(), troubles.append)
        broken, fine = dispatcher.handed(lambda: 1 // 0), dispatcher.handed(lambda: seen.append(1))
        worker.ask("panel", lambda: (broken(), fine()))
        assert worker.settle(300)
        await asyncio.sleep(0)

    asyncio.run(kernel())
    assert seen == [1]
    assert "ZeroDivisionError" in troubles[0].details
    assert [record.levelname for record in caplog.records] == ["ERROR"]


def test_without_an_event_loop_it_is_called_at_once(worker):
    seen = []
    show = Dispatcher(threading.RLock(), pytest.fail).handed(seen.append)
    worker.ask("panel", lambda: show(1))
    assert worker.settle(300)
    assert seen == [1]
