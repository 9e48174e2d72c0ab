"""For review: the panel's section in JupyterLab, and the page on a telephone and on paper."""

import io
import shutil
from pathlib import Path

import av
import numpy as np
import pypdfium2
import pytest
from PIL import Image

import ribbonsim as rs
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.show.studio import Look

pytestmark = pytest.mark.browser

TELEPHONE = {"width": 390, "height": 844}


def shown(page):
    """The picture or film in the section, as the browser paints it."""
    data = page.panel.locator(".rs-screen").screenshot()
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), dtype=float)


def other_frame(page, act):
    """Do something after which another frame is to be seen; the frames before and after."""
    image = page.panel.locator(".rs-screen img")
    image.wait_for()
    before, source = shown(page), image.get_attribute("src")
    act()
    page.wait_until(lambda: image.get_attribute("src") != source, limit=240)
    page.page.wait_for_timeout(300)
    return before, shown(page)


def made(page, count):
    """Wait until so many files are handed over."""
    links = page.panel.locator(".rs-made a")
    page.wait_until(lambda: links.count() == count, limit=240)
    return links


@pytest.fixture(scope="module")
def third_notebook(open_notebook):
    return open_notebook("notebooks/04_turntable_for_review.ipynb")


@pytest.fixture
def review(third_notebook, lab):
    shutil.rmtree(lab.folder / "notebooks" / "review", ignore_errors=True)
    third_notebook.run_all()
    yield third_notebook
    assert third_notebook.tracebacks() == []


def test_frames_follow_the_fields_and_files_are_handed_over(review, lab, tmp_path):
    poses = review.panel.locator(".rs-review:has(.rs-screen) select[multiple]")
    before, after = other_frame(review, lambda: review.choose(poses, "s_bend"))
    assert np.abs(after - before).mean() > 1.0
    for backdrop in ("night", "paper", "fog"):
        backdrops = review.select("dusk")
        before, after = other_frame(review, lambda b=backdrop, s=backdrops: s.select_option(b))
        assert np.abs(after - before).mean() > 10.0
    moment = review.row("moment").locator(".noUi-handle")
    for _ in range(2):
        before, after = other_frame(review, lambda: moment.press("PageUp"))
        assert np.abs(after - before).mean() > 1.0

    review.type("seconds", 0.5)
    review.select("1080 × 1080").select_option("640 × 360")
    folder = lab.folder / "notebooks" / "review"
    for count in (1, 2):  # twice: the second needs leave to replace the first
        review.button("Turntable").click()
        made(review, count)
        with av.open(str(folder / "lampeel_turntable.mp4")) as container:
            assert sum(1 for _ in container.decode(video=0)) == 12
        if count == 1:
            review.button("Turntable").click()
            review.hears("tick 'replace'")
            section = review.panel.locator(".rs-review:has(.rs-screen)")
            section.get_by_label("replace", exact=True).check()
    playing = review.panel.locator(".rs-screen video")
    playing.wait_for()
    assert playing.evaluate("(film) => !film.paused && film.videoWidth == 640")

    review.button("Contact sheet").click()
    links = made(review, 3)
    with review.page.expect_download() as waiting:
        links.first.click()
    waiting.value.save_as(tmp_path / "sheet.pdf")
    assert waiting.value.suggested_filename == "lampeel_sheet.pdf"
    document = pypdfium2.PdfDocument(tmp_path / "sheet.pdf")
    assert len(document) == 1
    document.close()


def test_what_is_made_can_be_stopped_and_the_picture_stays_alive_meanwhile(review, lab):
    review.panel.locator(".rs-screen img").wait_for()
    review.panel.get_by_placeholder("folder/name").last.fill("review/long")
    review.type("seconds", 60)
    review.button("Turntable").click()
    review.panel.get_by_text("draw the turntable").wait_for(timeout=240_000)
    source = review.source()
    review.button("Side").click()
    review.wait_until(lambda: review.source() != source, limit=240)
    review.button("Stop").click()
    review.panel.get_by_text("Stopped: nothing was written.").wait_for(timeout=240_000)
    review.settle()
    review.picture()
    assert review.button("Turntable").is_enabled()
    left = {path.name for path in (lab.folder / "notebooks" / "review").glob(".*")}
    assert left == set()


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    mesh = rs.load_mesh(Path(__file__).resolve().parents[2] / "meshes" / "grub.obj")
    first = rs.bind(mesh, build_layout(mesh))
    other = rs.bind(mesh, first.layout.without_control(first.layout.controls[1].name))
    path = tmp_path_factory.mktemp("page") / "review.html"
    rs.review_page(
        [first, other], path, ["c_bend", "curl"],
        names=["five", "four controls with a long name that has to be broken somewhere"],
        size=(640, 360), frames=8, look=Look(quality="draft"), question="Which of them?",
        film=True,
    )  # fmt: skip
    return path


def wait_for(page, holds):
    """Ask until it holds: the page's policy forbids to wait inside the page."""
    for _ in range(600):
        if page.evaluate(holds):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"waited in vain for {holds}")


def open_page(chromium, path, size):
    page = chromium.new_page(viewport=size)
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    wait_for(page, "document.querySelector('video').readyState >= 2")
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    return page


@pytest.mark.parametrize("size", [TELEPHONE, {"width": 1280, "height": 900}])
def test_the_page_is_read_without_scrolling_sideways_and_its_turntable_plays(
    chromium, page_file, size
):
    page = open_page(chromium, page_file, size)
    assert page.evaluate("document.documentElement.scrollWidth") == size["width"]
    begin = page.evaluate("document.querySelector('video').currentTime")
    page.locator("video").scroll_into_view_if_needed()  # out of sight a browser lets films rest
    wait_for(page, f"document.querySelector('video').currentTime != {begin}")
    small = page.evaluate(
        """[...document.querySelectorAll('p, li, dd, figcaption, label, legend, td')].filter(
            (part) => part.innerText && parseFloat(getComputedStyle(part).fontSize) < 12.5
        ).length"""
    )
    assert small == 0
    page.close()


def test_a_decision_is_written_and_printed(chromium, page_file, tmp_path):
    page = open_page(chromium, page_file, TELEPHONE)
    page.get_by_label("Go ahead with the changes below").check()
    page.get_by_label("five").check()
    page.locator(".lines").fill("Softer at the neck.\nThen again.")
    page.get_by_label("Decided by").fill("The director")
    page.pdf(path=tmp_path / "page.pdf", prefer_css_page_size=True)
    page.close()
    document = pypdfium2.PdfDocument(tmp_path / "page.pdf")
    sizes = {tuple(round(side) for side in sheet.get_size()) for sheet in document}
    text = "".join(sheet.get_textpage().get_text_range() for sheet in document)
    first = np.asarray(document[0].render(scale=0.5).to_pil().convert("L"), dtype=float)
    pages = len(document)
    document.close()
    assert sizes == {(595, 842)}  # A4 in points, ISO 216
    assert pages <= 6
    for words in ("Softer at the neck.", "Then again.", "The director", "Which of them?"):
        assert words in text
    # a frame of the turntable is printed in the film's place
    assert first[first.shape[0] // 5 : first.shape[0] // 2].std() > 15.0
