"""Fields are typed into while a binding goes on, in JupyterLab and Chromium."""

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def slow(open_notebook):
    """A panel in which a binding takes seconds, as it does with a large mesh."""
    panel = open_notebook("slow.ipynb")
    panel.run_all()
    panel.tab("Layout")
    yield panel
    assert panel.errors == []
    assert panel.tracebacks() == []
    panel.page.close()


def bind(panel, stations):
    """Have it bound again, and wait until it says that it binds."""
    panel.type("stations", stations)
    panel.hears("Binding again")


def bound(panel):
    panel.wait_until(lambda: not any("Binding again" in text for text in panel.says()))
    panel.page.wait_for_timeout(500)  # what came with it has been shown


def test_what_is_begun_in_another_field_outlives_the_answer(slow):
    bind(slow, 13)
    # its range goes by the number of stations, so the answer is about this field too
    box = slow.number("new at station")
    box.press("Control+a")
    box.press_sequentially("1")
    bound(slow)
    assert box.input_value() == "1"
    box.press_sequentially("1")
    box.press("Enter")
    slow.wait_until(lambda: box.input_value() == "11")
    slow.button("Add a control").click()
    slow.panel.locator("option", has_text="station 11").first.wait_for(state="attached")


def test_what_is_begun_in_the_same_field_outlives_the_answer_and_is_done(slow):
    bind(slow, 15)
    box = slow.number("stations")
    box.press("Control+a")
    box.press_sequentially("1")
    bound(slow)
    assert box.input_value() == "1"
    box.press_sequentially("9")
    box.press("Enter")
    slow.hears("Binding again")
    bound(slow)
    assert box.input_value() == "19"


def test_what_is_handed_over_meanwhile_is_done_afterwards(slow):
    bind(slow, 13)
    slow.type("spans", 20)
    slow.type("stations", 21)
    slow.page.keyboard.press("Tab")
    slow.wait_until(lambda: (slow.value("spans"), slow.value("stations")) == (20.0, 21.0))
    bound(slow)
    slow.page.wait_for_timeout(8000)  # both are bound
    bound(slow)
    assert (slow.value("spans"), slow.value("stations")) == (20.0, 21.0)
    slow.button("Undo").click()
    bound(slow)
    slow.wait_until(lambda: slow.value("stations") == 13.0)
    assert slow.value("spans") == 20.0


def test_escape_and_leaving_show_what_holds(slow):
    box = slow.number("stations")
    holds = box.input_value()
    bind(slow, 17)
    box.press("Control+a")
    box.press_sequentially("9")
    bound(slow)
    box.press("Escape")
    slow.wait_until(lambda: box.input_value() == "17")
    assert holds != "17"
