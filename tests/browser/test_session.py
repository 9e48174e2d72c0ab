"""What is kept as one works, in JupyterLab and Chromium."""

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def kept(open_notebook):
    page = open_notebook("kept.ipynb")
    page.run_all()
    return page


def test_work_outlives_a_run_of_the_cell_and_a_restart_of_the_kernel(kept):
    kept.changed(lambda: kept.type("bend", 30))
    kept.tab("Layout")
    kept.changed(lambda: kept.type("stations", 13))
    kept.tab("Keep")
    kept.panel.get_by_placeholder("name of the pose").fill("bow")
    kept.button("Keep this pose").click()
    kept.hears("Pose kept")
    kept.changed(kept.button("See all").click)  # it is opened so
    kept.page.wait_for_timeout(1500)
    posed = kept.picture()
    for again in (kept.run_all, kept.restart, kept.run_all):
        again()
        kept.hears("Taken up as you left it")
        assert kept.value("bend") == 30.0
        assert abs(kept.picture() - posed).mean() < 0.5
        kept.tab("Layout")
        assert kept.value("stations") == 13
        kept.tab("Keep")
        kept.select("bow").wait_for()
    assert kept.tracebacks() == []


def as_left(kept):
    """The work of the test before, also where a test is tried again after it failed midway."""
    kept.tab("Layout")
    if kept.value("stations") != 13:
        kept.changed(lambda: kept.type("stations", 13))
    kept.tab("Pose")
    if kept.value("bend") != 30.0:
        kept.changed(lambda: kept.type("bend", 30))


def test_starting_afresh_can_be_undone(kept):
    as_left(kept)
    before, fresh = kept.changed(kept.button("Start afresh").click)
    assert abs(fresh - before).mean() > 0.5
    kept.hears("Started afresh")
    assert kept.value("bend") == 0.0
    kept.tab("Keep")
    kept.select("before1").wait_for()
    kept.changed(kept.button("Undo").click)
    kept.tab("Pose")
    kept.wait_until(lambda: kept.value("bend") == 30.0)


def test_a_notebook_without_its_kernel_shows_a_still_and_facts(kept, lab, chromium):
    as_left(kept)
    kept.page.wait_for_timeout(1500)
    kept.run_all()
    kept.page.keyboard.press("Control+s")
    kept.page.wait_for_timeout(3000)
    text = (lab.folder / "kept.ipynb").read_text(encoding="utf-8")
    assert "rs-still" in text
    assert "Layout: 13 stations" in text
    assert text.count("data:image/jpeg;base64,/9j/") == 1
