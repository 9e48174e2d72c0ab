"""The review section without a browser: what is ordered, shown, made, stopped and said.

Frames are held against ``ribbonsim.show.turntable.draw_frame``, whose own tests have outside
sources; films are read back by PyAV and sheets by PDFium.
"""

import io
import threading
from pathlib import Path

import av
import numpy as np
import pypdfium2
import pytest
from benches import SectionBench, kept_open
from PIL import Image
from tubes import small_worm

import ribbonsim as rs
from ribbonsim.panel.sections.review_section import ReviewSection
from ribbonsim.panel.state import kept
from ribbonsim.panel.state.playing import Playing
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.own_motions import motions_of
from ribbonsim.show.filming import FilmOptions, plan_film
from ribbonsim.show.studio import Look
from ribbonsim.show.turntable import draw_frame
from ribbonsim.view.look import BACKGROUND_TOP

MESHES = Path(__file__).resolve().parents[1] / "meshes"
NASTY = "<script>alert(1)</script>"


class Bench(SectionBench):
    """The review section, and a small worm called as the grub."""

    def __init__(self):
        super().__init__(lambda desk: ReviewSection(desk, Playing()), small_worm("grub"))
        self.rest()

    @property
    def frame(self):
        self.rest()
        picture = Image.open(io.BytesIO(self.section._frame.value))
        return np.asarray(picture.convert("RGB"), dtype=float)


made = kept_open(Bench)


@pytest.fixture
def bench(made, tmp_path):
    section = made.section
    section.show(False)
    made.desk.act(made.desk.model.reset_all)
    section._poses.value = (("now", ""),)
    section._motion.value, section._camera.value = "hold", ("clockwise", 1.0)
    section._sheet_ending.value = ".pdf"
    section._seconds.number.value = 0.5
    section._size.value = (640, 360)
    section._fps.value = 12
    section._finish.value = "fog"
    section._replace.value = section._beside.value = False
    section._project.value = section._note.value = ""
    section._path.value = str(tmp_path / "made" / "grub")
    made.folder = tmp_path / "made"
    section.show(True)
    made.rest()
    return made


def press(bench, number):
    bench.section._buttons[number].click()
    bench.rest()


# -- the frame to look at --------------------------------------------------------------------------


def test_the_frame_is_that_of_the_turntable(bench):
    section, rig = bench.section, bench.desk.model.rig
    section._poses.value = (("test", "c_bend"),)
    section._motion.value = "ease"
    section._moment.value = 0.5
    wanted = draw_frame(
        rig,
        4,
        ["c_bend"],
        FilmOptions("ease", frames=6, size=(720, 405), look=Look(quality="draft")),
    )
    # JPEG at this quality changes a smooth picture by less than one step in 256 on the mean
    assert np.abs(bench.frame - wanted).mean() < 1.5
    section._moment.value = 0.0
    assert np.abs(bench.frame - wanted).mean() > 1.5


@pytest.mark.slow
def test_fields_change_the_frame_and_fields_of_files_do_not(bench):
    section = bench.section
    before = bench.frame
    for field, value in (
        (section._finish, "night"),
        (section._ribbon, True),
        (section._begin, 180.0),
        (section._project, "The Lamplighter's Eel"),
    ):
        old = field.value
        field.value = value
        after = bench.frame
        assert np.abs(after - before).mean() > 0.02, field
        field.value = old
    assert np.array_equal(bench.frame, before)
    section._height.number.value = 40.0
    assert np.abs(bench.frame - before).mean() > 1.0
    section._height.number.value = 12.0
    bench.rest()
    drawn = []
    section._frame.observe(drawn.append, "value")
    section._paper.value = "16:9"
    section._replace.value = True
    bench.rest()
    assert drawn == []


def test_the_frame_follows_the_pose_and_only_while_in_front(bench):
    before = bench.frame
    bench.desk.act(lambda: bench.desk.model.show_test_pose("curl"))
    after = bench.frame
    assert np.abs(after - before).mean() > 1.0
    bench.section.show(False)
    bench.desk.act(bench.desk.model.reset_all)
    assert np.array_equal(bench.frame, after)


def test_a_motion_is_filmed_in_whole_loops_with_the_camera_still(bench):
    section, rig = bench.section, bench.desk.model.rig
    names = [value.removeprefix("motion ") for _, value in section._motion.options][2:]
    assert names == motions_of(rig)
    section._motion.value, section._camera.value = "motion slither", ("clockwise", 0.0)
    section._seconds.number.value = 5.0  # two loops of 2.4 s are nearest
    section._playing.choose("slither")
    section._playing.tell("amount", 0.5)
    order = section._order()
    loop = rig.motion("slither", amount=0.5)
    assert (order.frames, order.fps) == (2 * loop.count(12), 12)
    plan = plan_film(order.rigs, order.filmed, order.film_options)
    poses = [plan.pose(0, frame) for frame in range(order.frames)]
    assert poses == 2 * [one.pose for one in loop.frames(12)]
    assert len(set(plan.azimuths)) == 1
    bench.rest()
    section._seconds.number.value, section._sheet_ending.value = 0.5, ".png"
    section._replace.value = True
    for number, name in ((0, "grub_turntable.mp4"), (1, "grub_sheet.png")):
        press(bench, number)
        assert (bench.folder / name).is_file()
    with av.open(bench.folder / "grub_turntable.mp4") as film:
        assert film.streams.video[0].frames == loop.count(12)


def test_several_poses_follow_each_other(bench):
    section = bench.section
    section._poses.value = (("test", "c_bend"), ("test", "twist"))
    assert section._motion.value == "sequence"
    assert list(section._order().poses) == ["c_bend", "twist"]
    section._poses.value = (("test", "c_bend"),)
    assert section._motion.value == "hold"
    section._poses.value = ()
    assert section._poses.value == (("now", ""),)
    bench.rest()


@pytest.mark.slow
def test_kept_poses_and_put_aside_layouts_are_offered(bench):
    model, section = bench.desk.model, bench.section
    model.set_value(model.layout.control_names[1], "bend", 30.0)
    bench.desk.act(lambda: kept.keep_pose(model, "mine"))
    bench.desk.act(lambda: kept.keep_layout(model, "aside"))
    assert ("kept", "mine") in [value for _, value in section._poses.options]
    assert "aside" in section._beside.description
    section._poses.value = (("kept", "mine"),)
    section._beside.value = True
    order = section._order()
    assert order.names[1] == "aside"
    assert [rig.layout is layout for rig, layout in zip(
        order.rigs, (model.layout, model.shelf["aside"]), strict=True
    )] == [True, True]  # fmt: skip
    assert order.rigs[1] is section._order().rigs[1], "bound again though it is known"
    one = bench.frame
    section._beside.value = False
    assert np.abs(bench.frame - one).mean() > 1.0
    model.shelf.clear()
    bench.desk.act(lambda: kept.delete_pose(model, "mine"))
    assert section._beside.disabled
    assert section._poses.value == (("now", ""),)


# -- files -----------------------------------------------------------------------------------------


def test_a_turntable_is_made_shown_and_handed_over(bench):
    press(bench, 0)
    path = bench.folder / "grub_turntable.mp4"
    with av.open(str(path)) as container:
        assert sum(1 for _ in container.decode(video=0)) == 6
    assert bench.section._screen.children[0].value.tobytes() == path.read_bytes()
    assert f"Turntable made: {path}" in bench.said
    assert 'download="grub_turntable.mp4"' in bench.section._result.value
    bench.section._finish.value = "night"
    bench.rest()
    assert bench.section._screen.children == (bench.section._frame,)


@pytest.mark.slow
def test_a_sheet_and_a_page_are_made(bench):
    press(bench, 1)
    document = pypdfium2.PdfDocument(bench.folder / "grub_sheet.pdf")
    assert len(document) == 1
    document.close()
    bench.section._question.value = "Soft enough?"
    press(bench, 2)
    text = (bench.folder / "grub_review.html").read_text(encoding="utf-8")
    assert "Soft enough?" in text
    assert 'id="creature"' in text
    assert "data:video/mp4" not in text


@pytest.mark.slow
def test_a_folder_of_pictures_is_made(bench):
    bench.section._film_ending.value = ""
    press(bench, 0)
    bench.section._film_ending.value = ".mp4"
    assert len(list((bench.folder / "grub_turntable").glob("*.png"))) == 6
    assert "<a" not in bench.section._made[0]


@pytest.mark.slow
def test_a_file_that_is_there_is_kept_until_the_box_is_ticked(bench):
    press(bench, 1)
    path = bench.folder / "grub_sheet.pdf"
    path.write_bytes(b"mine")
    press(bench, 1)
    assert "exists and is kept" in bench.said
    assert "tick &#x27;replace&#x27;" in bench.said
    assert path.read_bytes() == b"mine"
    bench.section._replace.value = True
    press(bench, 1)
    assert path.read_bytes().startswith(b"%PDF")


def test_what_goes_wrong_is_said_and_the_buttons_come_back(bench, tmp_path):
    section = bench.section
    for path, says in (("  ", "there is no path"), (str(tmp_path / "file" / "x"), "file")):
        (tmp_path / "file").write_text("a file")
        section._path.value = path
        press(bench, 1)
        assert "rs-wrong" in bench.said
        assert says in bench.said
        assert not section._buttons[0].disabled
        assert section._job.stop.disabled


@pytest.mark.slow
def test_a_name_that_is_markup_is_shown_as_text(bench):
    bench.section._path.value = str(bench.folder / NASTY.replace("/", "_"))
    press(bench, 1)
    assert "<script>" not in bench.section._result.value
    assert "&lt;script&gt;" in bench.section._result.value
    assert "<script>" not in bench.said


def test_what_is_made_is_stopped_and_nothing_is_left(bench):
    section, begun = bench.section, threading.Event()
    section._seconds.number.value = 60.0
    section._job.words.observe(
        lambda change: begun.set() if "draw the turntable" in change["new"] else None, "value"
    )
    section._buttons[0].click()
    assert begun.wait(300)
    assert section._buttons[1].disabled
    assert not section._job.stop.disabled
    section._job.stop.click()
    bench.rest()
    assert "Stopped: nothing was written." in section._job.words.value
    assert list(bench.folder.iterdir()) == []
    assert not section._buttons[1].disabled


@pytest.mark.slow
def test_live_pictures_come_while_a_film_is_made(bench):
    section, begun = bench.section, threading.Event()
    section._seconds.number.value = 60.0
    section._job.words.observe(
        lambda change: begun.set() if "draw the turntable" in change["new"] else None, "value"
    )
    section._buttons[0].click()
    assert begun.wait(300)
    seen = threading.Event()
    bench.desk.picture.observe(lambda _: seen.set(), "value")
    bench.desk.act(lambda: bench.desk.viewer.frame_all("side"))
    assert seen.wait(300)
    assert section._filming.going, "the film was over before the picture came"
    section._job.stop.click()
    bench.rest()
    picture = np.asarray(Image.open(io.BytesIO(bench.desk.picture.value)).convert("RGB"), float)
    ground = [int(BACKGROUND_TOP[i : i + 2], 16) for i in (1, 3, 5)]
    assert (np.abs(picture - ground).max(axis=2) > 60).mean() > 0.02


def test_the_panel_turns_to_the_section_that_is_named():
    panel = rs.Panel(small_worm(), section="Review")
    assert panel._side.get_title(panel._side.selected_index) == "Review"
    assert PICTURES.settle(300)
    review = panel._sections[0].parts["Review"]
    assert review._frame.value
    panel.close()
    assert PICTURES.settle(300)


@pytest.mark.slow
def test_a_section_that_is_not_there_is_said():
    other = rs.Panel(small_worm(), section="Nowhere")
    assert "no section is called" in other._desk.message.value
    other.close()
    assert PICTURES.settle(300)
