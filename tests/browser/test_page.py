"""``ribbonsim notebook``: the panel comes up as a page, and its fields are typed into."""

import os
import re
import shutil
import socket
import subprocess
import sys
import time
from contextlib import closing

import pytest

from browser.conftest import ROOT, PanelPage

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Where the command is run, with two meshes."""
    made = tmp_path_factory.mktemp("own")
    for name in ("coil", "grub"):
        shutil.copy(ROOT / "meshes" / f"{name}.obj", made)
    return made


@pytest.fixture(scope="module")
def address(folder):
    """The address that the command tells."""
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    own = {name: str(folder / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR")}
    environment = {**os.environ, **own}
    del environment["RIBBONSIM_SESSIONS"]
    command = "import sys; from ribbonsim.cli.main import main; main(sys.argv[1:])"
    log = folder / "log"
    with log.open("w") as stream:
        server = subprocess.Popen(
            [
                *(sys.executable, "-c", command, "notebook", "coil.obj"),
                *("--no-browser", "--port", str(port)),
            ],
            env=environment,
            cwd=folder,
            stdout=stream,
            stderr=subprocess.STDOUT,
        )
        try:
            yield told_address(log, server)
        finally:
            server.terminate()
            server.wait(timeout=120)


def told_address(log, server):
    for _ in range(1500):
        found = re.search(r"http://127\.0\.0\.1:\d+/\S*token=\w+", log.read_text())
        if found:
            return found[0]
        if server.poll() is not None:
            break
        time.sleep(0.2)
    pytest.fail(f"no address was told:\n{log.read_text()[-2000:]}")


# takes down where the creature was seen while the page was still loaded, and has the panel wait
# for it: on a busy machine it may be there as soon
WATCH = """
    const ask = window.fetch.bind(window);
    let none = false;
    window.fetch = async (what, how) => {
        const where = String(what.url || what), sessions = where.includes('/api/sessions');
        for (let k = 0; sessions && k < 1500 && !none && !window.seenFirst.length; k++) {
            await new Promise((go) => setTimeout(go, 20));
        }
        const answer = await ask(what, how);
        if (where.endsWith('/ribbonsim/first')) none = answer.status !== 200;
        return answer;
    };
    window.seenFirst = [];
    setInterval(() => {
        const seen = document.querySelector('.rs-first img');
        if (!seen || !seen.naturalWidth) return;
        const box = seen.getBoundingClientRect(), words = seen.parentElement.innerText;
        window.seenFirst = [seen.alt, words, box.left, box.top, box.right, box.bottom];
    }, 20);
"""


class Page(PanelPage):
    """The page as it comes up: nothing in it is pressed before the panel is there."""

    def __init__(self, page, address):
        self.page, self.errors = page, []
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.come(address)

    def headline(self):
        return self.panel.locator(".rs-top summary").inner_text().strip()

    def come(self, address):
        self.page.goto(address)
        self.page.wait_for_function(
            """() => {
                const image = document.querySelector('.rs-panel img.rs-picture');
                return image && image.naturalWidth > 90;
            }""",
            timeout=240_000,
        )
        self.settle()


@pytest.fixture(scope="module")
def page(chromium, address):
    tab = chromium.new_page(viewport={"width": 1280, "height": 720})
    tab.set_default_timeout(120_000)
    tab.add_init_script(WATCH)
    yield Page(tab, address)
    tab.close()


def test_the_panel_is_there_without_a_press_and_fits_the_screen(page):
    assert page.headline().startswith("coil: 9,730 vertices")
    row = page.panel.locator(".rs-strip")
    row.locator(".rs-pose").nth(9).wait_for()
    shown = page.button("Controls")
    for part in (
        *(page.image, row, shown),
        *(page.handle("bend"), page.handle("girth"), page.number("amount")),
    ):
        box = part.bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= 720
        assert box["x"] + box["width"] <= 1280
    assert page.image.bounding_box()["height"] > 400
    assert page.panel.locator(".rs-side").bounding_box()["y"] < 200
    scrolled = page.page.evaluate("document.scrollingElement.scrollTop")
    assert scrolled == 0
    assert page.errors == []


def test_the_creature_is_seen_where_the_panel_will_show_it_while_the_page_loads(page):
    alt, words, left, top, right, bottom = page.page.evaluate("window.seenFirst")
    assert alt == "coil, at rest"
    assert words.startswith("coil")
    box = page.image.bounding_box()
    assert left <= box["x"] + 2
    assert abs(top - box["y"]) < 40
    assert right >= box["x"] + box["width"] - 2
    assert abs(bottom - box["y"] - box["height"]) < 60
    assert page.page.locator(".rs-first").count() == 0


def test_the_notebook_is_one_click_away(page):
    switch = page.page.locator(".rs-page-switch")
    for shown in (True, False):
        switch.click()
        page.page.wait_for_timeout(300)
        assert page.page.locator(".jp-NotebookPanel-toolbar").first.is_visible() is shown
        assert page.page.locator(".jp-MarkdownCell").first.is_visible() is shown
        assert page.panel.is_visible()


def test_fields_refuse_and_show_what_holds(page):
    page.tab("Layout")
    for label, text in (
        *(("spans", "2.5"), ("spans", "1e9"), ("stations", "-1")),
        *(("reach", "1e9"), ("width", "1000000"), ("width", "wide")),
    ):
        holds = page.number(label).input_value()
        for _ in range(2):  # the second time is as the first
            page.type(label, text)
            page.hears(f"it stays at {holds}")
            page.wait_until(
                lambda label=label, holds=holds: page.number(label).input_value() == holds
            )
    for label, text in (("spans", "12"), ("width", "3"), ("width", "1.5")):
        page.type(label, text)
        page.wait_until(lambda label=label, text=text: page.number(label).input_value() == text)
        page.wait_until(lambda: not any("stays" in words for words in page.says()))
        page.settle()  # what is typed while a change is being made is written over by it
    page.tab("Pose")


def test_ctrl_z_and_ctrl_shift_z_step_back_and_forward_and_say_what(page):
    page.changed(lambda: page.type("bend", 40))
    page.image.hover()
    page.page.evaluate("document.activeElement.blur()")
    for _ in range(2):
        page.page.keyboard.press("Control+z")
        page.hears("Undone: bend of")
        page.wait_until(lambda: page.value("bend") == 0.0)
        page.page.keyboard.press("Control+Shift+z")
        page.hears("Done again: bend of")
        page.wait_until(lambda: page.value("bend") == 40.0)


def test_a_path_opens_with_enter_and_a_wrong_one_says_where_it_looked(page, folder):
    path = page.panel.get_by_placeholder("path of a mesh file")
    path.fill("grubs.obj")
    path.press("Enter")
    page.hears("grubs.obj is not there: looked in")
    assert str(folder) in page.says()[0]
    assert "grub.obj" in page.says()[0]
    path.fill("'grub.obj'")
    path.press("Enter")
    page.wait_until(lambda: page.headline().startswith("grub: 9,858 vertices"))
    page.settle()


def test_the_page_comes_back_to_the_creature_that_was_worked_on_last(page, address, folder):
    page.changed(lambda: page.type("bend", 25))
    page.page.wait_for_timeout(1500)
    assert (folder / "notebooks" / "grub.session.json").is_file()
    assert (folder / "notebooks" / "coil.session.json").is_file()
    page.page.goto("about:blank")
    page.come(address)
    page.wait_until(lambda: page.headline().startswith("grub: 9,858 vertices"))
    page.hears("Taken up as you left it")
    page.wait_until(lambda: page.value("bend") == 25.0)
