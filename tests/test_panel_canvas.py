"""The picture is drawn as large as the page shows it, and all in it stands where it stood."""

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from tubes import small_worm

import ribbonsim as rs
from ribbonsim.panel.display import smaller
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.picture_size import PictureSize
from ribbonsim.panel.work.canvas import MOST, QUICK, Canvas, canvas_shown
from ribbonsim.panel.work.worker import PICTURES

# widths, heights and densities of common screens: common practice, no published source
SCREENS = [(854, 410, 1), (1708, 820, 2), (1425, 770, 1), (3100, 1734, 1), (6200, 3468, 2)]


@pytest.mark.parametrize(("wide", "high", "density"), SCREENS)
def test_a_picture_has_the_screens_pixels_up_to_the_limit(wide, high, density):
    canvas = canvas_shown([wide, high, density, 1.0])
    count = canvas.size[0] * canvas.size[1]
    assert count <= MOST
    if wide * high <= MOST:
        assert canvas.size == (wide, high)
    assert canvas.aspect == pytest.approx(wide / high, rel=2e-3)
    quick = canvas.quick
    assert quick.size[0] * quick.size[1] <= QUICK
    assert quick.aspect == pytest.approx(canvas.aspect, rel=4e-3)
    # dots and letters are as large on the page, however many pixels there are
    assert quick.units == pytest.approx(canvas.units, rel=4e-3)
    assert canvas.units == pytest.approx(
        (wide / density * 15 / 13, high / density * 15 / 13), rel=4e-3
    )


@pytest.mark.parametrize(
    "told", [[], [0, 0, 1, 1], [854, 410, 0, 1], [854, float("nan"), 1, 1], [854, 3, 1, 1]]
)
def test_where_nothing_is_shown_nothing_is_drawn_for_it(told):
    assert canvas_shown(told) is None


@given(
    st.integers(60, 4000), st.integers(60, 3000), st.floats(40.0, 4000.0), st.floats(40.0, 3000.0),
    st.floats(0.0, 1.0), st.floats(0.0, 1.0),
)  # fmt: skip
def test_a_place_in_the_box_is_the_pixel_that_is_seen_there(wide, high, box_wide, box_high, x, y):
    """As CSS Images 3 says of ``object-fit: contain``: scaled to fit, in the middle."""
    scale = min(box_wide / wide, box_high / high)
    at = (
        0.5 * (box_wide - scale * wide) + x * scale * wide,
        0.5 * (box_high - scale * high) + y * scale * high,
    )
    pixel = Canvas((wide, high)).pixel(at, (box_wide, box_high))
    assert pixel == pytest.approx((x * wide, y * high), rel=1e-6, abs=1e-6 * max(wide, high))


class Bench:
    """A desk whose page is played by the test."""

    def __init__(self):
        self.desk = Desk((300, 200))
        self.desk.open(small_worm())
        self.size = PictureSize(self.desk)

    def show(self, *told):
        self.size.shown = [float(number) for number in told]
        assert PICTURES.settle()
        return np.asarray(Image.open(io.BytesIO(self.desk.picture.value)), dtype=float)


@pytest.fixture(scope="module")
def bench():
    made = Bench()
    yield made
    made.desk.close()
    PICTURES.settle()


def seats(viewer):
    """Pixels of the body's controls, by the camera alone."""
    rig = viewer.model.rig
    points = rig.posed(viewer.model.pose).ribbons["body"].midline(rig.layout.control_places)
    return viewer.camera.project((points - rig.mesh.centre) / rig.mesh.diagonal, viewer.size)[:, :2]


def is_dot(picture, x, y):
    """Whether the amber of a dot is at a pixel."""
    column, row = round(x), round(y)
    part = picture[row - 2 : row + 3, column - 2 : column + 3].reshape(-1, 3)
    return np.abs(part - (240, 165, 42)).max(axis=1).min() < 45


@pytest.mark.parametrize("told", [(500, 240, 1, 1), (360, 240, 1, 1), (1200, 560, 2, 1)])
def test_picture_dots_and_clicks_agree_in_every_shape(bench, told):
    viewer = bench.desk.viewer
    picture = bench.show(*told)
    assert picture.shape[:2] == (told[1], told[0])
    assert viewer.shows_all()
    for name, (x, y) in zip(viewer.model.layout.control_names, seats(viewer), strict=True):
        if name != viewer.model.selected:  # which has an eye in its dot
            assert is_dot(picture, x, y), name
        assert viewer.control_at(x, y) == name
        reach = 11.0 * told[2]
        assert viewer.control_at(x, y + reach) == name


def test_who_saw_all_sees_all_and_who_looks_at_a_part_keeps_looking_at_it(bench):
    viewer = bench.desk.viewer
    bench.show(600, 240, 1, 1)
    bench.desk.act(viewer.frame_all)
    wide = viewer.orbit
    bench.show(260, 240, 1, 1)
    assert viewer.shows_all()
    assert viewer.orbit is not wide
    bench.show(600, 240, 1, 1)
    # framed as it would be for this shape at first, however often the shape has changed
    assert viewer.orbit.distance == pytest.approx(wide.distance)
    viewer.orbit = part = wide.nearer(5.0)
    bench.show(420, 240, 1, 1)
    assert viewer.orbit is part
    bench.desk.act(viewer.frame_all)


def test_while_it_moves_it_has_fewer_pixels_of_the_same_shape(bench):
    bench.show(500, 240, 1, 1)
    sizes, show = [], bench.desk.viewer._deliver
    bench.desk.viewer._deliver = lambda frame: sizes.append(
        (frame.fine, Image.open(io.BytesIO(frame.jpeg)).size)
    )
    try:
        bench.size.shown = [1500.0, 800.0, 1.0, 1.0]
        assert PICTURES.settle()
        bench.desk.act(lambda: bench.desk.model.set_value(bench.desk.model.selected, "bend", 20.0))
        assert PICTURES.settle()
    finally:
        bench.desk.viewer._deliver = show
    plain = [size for fine, size in sizes if not fine]
    assert [size for fine, size in sizes if fine][-1] == (1500, 800)
    assert plain
    assert all(QUICK * 0.98 < wide * high <= QUICK for wide, high in plain)


def test_only_a_fine_picture_follows_where_only_a_name_has_come(bench):
    viewer, frames = bench.desk.viewer, []
    before = bench.show(500, 240, 1, 1)
    other = next(n for n in viewer.model.layout.control_names if n != viewer.model.selected)
    show, viewer._deliver = viewer._deliver, frames.append
    try:
        viewer.pointed = other
        viewer.ask()
        assert PICTURES.settle()
        viewer.pointed = ""
        viewer.ask()
        assert PICTURES.settle()
    finally:
        viewer._deliver = show
    assert [frame.fine for frame in frames] == [True, True]
    named, without = (
        np.asarray(Image.open(io.BytesIO(frame.jpeg)), dtype=float) for frame in frames
    )
    assert np.abs(without - before).mean() < 0.2
    changed = np.argwhere(np.abs(named - before).max(axis=2) > 60)
    assert len(changed) > 100
    place = seats(viewer)[viewer.model.layout.control_names.index(other)]
    assert np.abs(changed.mean(axis=0)[::-1] - place).max() < 120.0  # a name beside its dot


def test_a_still_for_a_saved_notebook_is_small_and_of_the_same_shape():
    stream = io.BytesIO()
    ramp = np.linspace(0, 255, 2560 * 1200).reshape(1200, 2560).astype(np.uint8)
    Image.fromarray(np.dstack([ramp] * 3)).save(stream, "JPEG", quality=95)
    made = Image.open(io.BytesIO(smaller(stream.getvalue())))
    assert made.size == (1280, 600)
    assert np.asarray(made).mean() == pytest.approx(127.5, abs=2.0)
    assert smaller(b"") == b""


def test_compare_tiles_stand_in_the_new_shape():
    panel = rs.ComparePanel(small_worm())
    desk = panel._desk
    size = PictureSize(desk)
    for told, grids in (((1200, 300, 1, 1), {(2, 1)}), ((300, 700, 1, 1), {(1, 2)})):
        size.shown = [float(number) for number in told]
        assert PICTURES.settle()
        made = Image.open(io.BytesIO(desk.picture.value))
        assert made.size == told[:2]
        assert desk.viewer.grid in grids
    panel.close()
    assert PICTURES.settle()
