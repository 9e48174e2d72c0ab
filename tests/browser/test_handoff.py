"""The handoff section in JupyterLab and Chromium, pressed as a person presses it."""

import shutil

import numpy as np
import pytest
from pxr import Usd

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def notebook(open_notebook):
    return open_notebook("notebooks/05_handoff.ipynb")


@pytest.fixture
def page(notebook, lab):
    """A fresh panel: the cells are run again in the kernel that has run them before."""
    shutil.rmtree(lab.folder / "notebooks" / "handoff", ignore_errors=True)
    notebook.run_all()
    notebook.tab("Handoff")
    yield notebook
    assert notebook.tracebacks() == []


def pose(page, name):
    """Choose one pose."""
    poses = page.panel.locator("select[multiple]").filter(has_text="all kept poses").first
    options = poses.locator("option").all_inner_texts()
    (index,) = (i for i, option in enumerate(options) if option.startswith(name))
    poses.select_option(index=index)


def tick(page, label, on):
    page.panel.locator(".widget-checkbox:visible", has_text=label).locator("input").set_checked(on)


def test_files_are_written_kept_and_replaced(page, lab):
    pose(page, "c_bend")
    page.choose(page.select("not said"), "centimetres")
    page.button("Write the files").click()
    page.hears("17 files written into")
    folder = lab.folder / "notebooks" / "handoff" / "lampeel"
    names = {file.name for file in folder.iterdir()}
    assert {"lampeel.glb", "lampeel.usdc", "weights.csv", "ribbon.obj"} <= names
    assert {"lampeel_c_bend.obj", "build_sheet.html", "build_sheet.pdf"} <= names
    assert Usd.Stage.Open(str(folder / "lampeel.usdc")).GetDefaultPrim().GetName() == "lampeel"
    link = page.panel.get_by_role("link", name="build_sheet.pdf")
    with page.page.expect_download() as download:
        link.click()
    assert download.value.path().read_bytes() == (folder / "build_sheet.pdf").read_bytes()
    # a second time nothing is replaced unasked
    before = (folder / "lampeel.glb").stat().st_mtime_ns
    page.button("Write the files").click()
    page.hears("exists and is kept")
    assert (folder / "lampeel.glb").stat().st_mtime_ns == before
    tick(page, "replace", True)
    page.button("Write the files").click()
    page.hears("files written into")
    assert (folder / "lampeel.glb").stat().st_mtime_ns > before


def test_the_picture_stays_live_while_files_are_written(page):
    page.button("Write the files").click()
    page.wait_until(page.busy)
    before, source = page.picture(), page.source()
    page.button("Side").click()
    page.wait_until(lambda: page.source() != source)
    assert page.busy()  # the picture did not wait for the files
    page.settle()
    assert float(np.abs(page.picture() - before).mean()) > 1.0
    page.hears("files written into")


def test_stopping_leaves_nothing(page, lab):
    page.button("Write the files").click()
    page.wait_until(page.busy)
    stops = page.panel.get_by_role("button", name="Stop", exact=True)
    next(stop for stop in stops.all() if stop.is_visible()).click()
    page.panel.get_by_text("Stopped: nothing was written.").wait_for()
    assert not (lab.folder / "notebooks" / "handoff").exists()


def test_what_is_missing_is_said_in_a_sentence(page):
    for label in ("glTF", "USD", "tables", "OBJ", "build sheet"):
        tick(page, label, False)
    page.button("Write the files").click()
    page.hears("no format is chosen")
    tick(page, "glTF", True)
    page.choose(page.select("as they stand"), "inch")
    page.button("Write the files").click()
    page.hears("the scene's own is not known")
