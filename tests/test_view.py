import threading

import numpy as np
import pytest
import pyvista
from hypothesis import given, settings
from hypothesis import strategies as st
from tubes import arc, s_curve, tube
from vtkmodules.vtkRenderingCore import vtkCoordinate

from ribbonsim import RibbonsimError, bind
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.view import backend, look
from ribbonsim.view.camera import VIEWS, Insets, View, fit_camera, named_view, telling_view
from ribbonsim.view.label_places import covered_cells, place_labels
from ribbonsim.view.overlay import Layer, Mark, write_over
from ribbonsim.view.pictures import draw_influence, draw_pose, draw_rest, draw_ribbon
from ribbonsim.view.scene import Stage

SIZE = (480, 360)
VIEW = VIEWS["three_quarter"]


@pytest.fixture(scope="module")
def mesh():
    return tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")


@pytest.fixture(scope="module")
def rig(mesh):
    return bind(mesh, build_layout(mesh))


@pytest.fixture(autouse=True)
def no_window_left_open():
    before = len(pyvista.plotting.plotter._ALL_PLOTTERS)
    yield
    assert len(pyvista.plotting.plotter._ALL_PLOTTERS) == before


def empty_picture(stage):
    stage.hide_skin()
    picture = stage.image(labels=False)
    stage.show_clay()
    return picture.astype(int)


def subject_box(picture, empty):
    """Left, top, right, bottom of what is not background."""
    rows, columns = np.nonzero(np.abs(picture.astype(int) - empty).max(axis=2) > 6)
    return columns.min(), rows.min(), columns.max(), rows.max()


# -- camera ------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-180, 180),
    st.floats(-90, 90),
    st.floats(0.4, 2.5),
    st.floats(0.3, 1.0),
    st.integers(0, 2**31),
)
def test_fitted_points_touch_the_frame_and_none_is_outside(azimuth, elevation, aspect, fill, seed):
    points = np.random.default_rng(seed).normal(size=(30, 3)) * [1.0, 3.0, 0.4] + [5.0, -2.0, 1.0]
    camera = fit_camera(points, View(azimuth, elevation), aspect, fill)
    # in a picture of 2 x 2, pixels from its middle are shares of the half width and height
    seen = camera.project(points, (2, 2))
    assert (seen[:, 2] > 0).all()
    extent = np.abs(seen[:, :2] - 1.0).max(axis=0)
    assert extent.max() == pytest.approx(fill, abs=1e-9)


def test_insets_keep_room_free():
    points = np.random.default_rng(1).normal(size=(50, 3))
    camera = fit_camera(points, VIEW, 1.5, 1.0, Insets(left=0.2, bottom=0.3))
    seen = camera.project(points, (1, 1))
    assert seen[:, 0].min() >= 0.2 - 1e-9
    assert seen[:, 1].max() <= 0.7 + 1e-9


def test_a_single_point_can_be_framed():
    camera = fit_camera([[1.0, 2.0, 3.0]], VIEW, 1.0)
    assert camera.project([[1.0, 2.0, 3.0]], (2, 2))[0, :2] == pytest.approx([1.0, 1.0])


def test_named_views_look_where_they_say():
    # right-handed axes with Y up, as glTF 2.0 section 3.4 has them: +Z is the front
    assert VIEWS["front"].axes[2] == pytest.approx([0, 0, 1])
    assert VIEWS["side"].axes[2] == pytest.approx([1, 0, 0])
    assert VIEWS["top"].axes[2] == pytest.approx([0, 1, 0])
    for view in VIEWS.values():
        assert view.axes @ view.axes.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(view.axes) == pytest.approx(1.0)
    with pytest.raises(RibbonsimError, match="three_quarter"):
        named_view("below")


def test_telling_view_sees_a_body_from_beside_it():
    along_x = np.c_[np.linspace(0, 10, 50), np.zeros(50), np.zeros(50)]
    seen = along_x @ telling_view(along_x).axes.T
    assert np.ptp(seen[:, 0]) > 6.0


def test_projection_matches_vtk(mesh):
    with Stage(mesh, SIZE) as stage:
        stage.set_view(VIEW)
        stage.image(labels=False)
        places = stage.project(mesh.positions[::97])
        renderer = stage._window.plotter.renderer
        coordinate = vtkCoordinate()
        coordinate.SetCoordinateSystemToWorld()
        for point, place in zip(stage._to_stage(mesh.positions[::97]), places, strict=True):
            coordinate.SetValue(*point)
            x, y = coordinate.GetComputedDoubleDisplayValue(renderer)
            # VTK counts pixels from their middles and from the bottom
            assert place == pytest.approx([x + 0.5, SIZE[1] - y - 0.5], abs=0.6)


# -- pictures ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(VIEWS))
def test_subject_fills_the_picture_and_is_not_cut(mesh, name):
    with Stage(mesh, SIZE) as stage:
        stage.set_view(name)
        picture = stage.image()
        left, top, right, bottom = subject_box(picture, empty_picture(stage))
    assert picture.shape == (SIZE[1], SIZE[0], 3)
    assert picture.dtype == np.uint8
    assert picture.std() > 10
    assert min(left, top, SIZE[0] - 1 - right, SIZE[1] - 1 - bottom) > 5
    assert max((right - left) / SIZE[0], (bottom - top) / SIZE[1]) == pytest.approx(0.82, abs=0.02)


def test_posed_picture_differs_from_rest_and_rest_comes_back(mesh, rig):
    with Stage(mesh, SIZE) as stage:
        rest = draw_rest(stage, rig, VIEW)
        posed = draw_pose(stage, rig, rig.pose_for("c_bend"), VIEW)
        again = draw_rest(stage, rig, VIEW)
    assert np.abs(posed.astype(int) - rest).mean() > 3
    assert np.array_equal(rest, again)


def test_updated_stage_draws_what_a_new_one_draws(mesh, rig):
    pose = rig.pose_for("s_bend")
    positions, normals = rig.deform(pose), rig.deform_normals(pose)
    with Stage(mesh, SIZE) as stage:
        stage.image()
        stage.update(positions, normals)
        stage.set_view(VIEW)
        updated = stage.image()
    with Stage(mesh, SIZE) as stage:
        stage.update(positions, normals)
        stage.set_view(VIEW)
        fresh = stage.image()
    assert np.array_equal(updated, fresh)


def test_resized_stage_draws_what_a_new_one_draws(mesh):
    with Stage(mesh, (300, 300)) as stage:
        stage.image()
        stage.resize(SIZE)
        stage.set_view(VIEW)
        resized = stage.image()
    with Stage(mesh, SIZE) as stage:
        stage.set_view(VIEW)
        fresh = stage.image()
    assert resized.shape == fresh.shape
    assert np.abs(resized.astype(int) - fresh).max() <= 8


def test_smooth_edges_can_be_turned_off_and_on(mesh):
    with Stage(mesh, SIZE) as stage:
        smooth = stage.image()
        stage.smooth_edges(False)
        rough = stage.image()
        stage.smooth_edges(True)
        again = stage.image()
    assert not np.array_equal(smooth, rough)
    assert np.array_equal(smooth, again)


def test_another_thread_draws_the_same(mesh):
    # an OpenGL context belongs to one thread at a time (Khronos EGL 1.5, eglMakeCurrent)
    pictures = []
    with Stage(mesh, SIZE) as stage:
        pictures.append(stage.image())
        for _ in range(2):
            worker = threading.Thread(target=lambda: pictures.append(stage.image()))
            worker.start()
            worker.join()
        pictures.append(stage.image())
    assert len(pictures) == 4
    assert all(np.array_equal(pictures[0], picture) for picture in pictures[1:])


@pytest.mark.parametrize(("factor", "offset"), [(1e-6, 0.0), (1e6, 0.0), (1.0, 1e6)])
def test_units_and_origin_do_not_change_the_picture(mesh, factor, offset):
    moved = mesh.with_positions(factor * mesh.positions + offset)
    with Stage(mesh, SIZE) as stage:
        here = stage.image()
    with Stage(moved, SIZE) as stage:
        there = stage.image()
    assert np.abs(here.astype(int) - there).mean() < 0.2


def test_ribbon_is_seen_through_the_glass(mesh, rig):
    ribbon = rig.layout.ribbon
    with Stage(mesh, SIZE) as stage:
        with_ribbon = draw_ribbon(stage, rig, VIEWS["top"])
        stage.layer = Layer()
        stage.show_ribbon(None)
        without = stage.image()
        places = stage.project(ribbon.midline(np.linspace(0.05, 0.95, 40))).astype(int)
    change = np.abs(with_ribbon.astype(int) - without)[places[:, 1], places[:, 0]].max(axis=1)
    assert (change > 25).mean() > 0.9


def test_ribbon_faces_have_two_colours(rig):
    with Stage(rig.mesh, SIZE) as stage:
        stage.hide_skin()
        stage.show_ribbon(rig.layout.ribbon)
        sides = []
        for elevation in (90.0, -90.0):
            stage.set_view(View(0.0, elevation))
            x, y = stage.project(rig.layout.ribbon.midline([0.53]))[0].astype(int)
            sides.append(stage.image()[y, x].astype(int))
    # the normal side, which faces up, is the darker one
    assert sides[0].sum() + 60 < sides[1].sum()


def test_influence_is_hot_where_the_control_stands(mesh, rig):
    with Stage(mesh, SIZE) as stage:
        picture = draw_influence(stage, rig, "control3", VIEWS["top"])
        body = rig.layout.ribbon.midline(np.array([0.5, 0.02, 0.98]))
        (x, x1, x2), (y, y1, y2) = stage.project(body).astype(int).T
    middle, root, tip = (picture[b, a].astype(int) for a, b in ((x, y), (x1, y1), (x2, y2)))
    assert middle.sum() + 100 < min(root.sum(), tip.sum())
    assert np.array_equal(picture[:60, :60], draw_rest_background(mesh)[:60, :60])


def draw_rest_background(mesh):
    with Stage(mesh, SIZE) as stage:
        stage.hide_skin()
        return stage.image()


def test_ghost_does_not_tint_what_stands_before_it(mesh):
    with Stage(mesh, SIZE) as stage:
        plain = stage.image()
        box = subject_box(plain, empty_picture(stage))
        stage.show_ghost(mesh.positions + np.array([0.3, 0.2, 0.3]))
        ghosted = stage.image()
    inside = np.zeros(plain.shape[:2], dtype=bool)
    places = fit_camera(stage._to_stage(mesh.positions), VIEW, SIZE[0] / SIZE[1])
    x, y = places.project(stage._to_stage(rig_centres(mesh)), SIZE)[:, :2].astype(int).T
    inside[y, x] = True
    assert box[0] > 0
    assert np.array_equal(plain[inside], ghosted[inside])
    assert not np.array_equal(plain, ghosted)


def rig_centres(mesh):
    return s_curve(rings=61)[5:-5]


# -- colours -----------------------------------------------------------------------------------


def lightness(rgb):
    """CIE 1976 L* of sRGB colours: IEC 61966-2-1 and CIE 15, section 8.2.1 (from memory)."""
    value = np.asarray(rgb, dtype=float) / 255.0
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126, 0.7152, 0.0722]
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, (29 / 3) ** 3 * y)


def test_oklab_matches_css_color_4():
    # CSS Color Module Level 4 gives sRGB red as oklab(0.62796 0.22486 0.12585) (from memory)
    assert look.srgb_to_oklab([1.0, 0.0, 0.0]) == pytest.approx(
        [0.62796, 0.22486, 0.12585], abs=1e-4
    )
    assert look.srgb_to_oklab([1.0, 1.0, 1.0]) == pytest.approx([1.0, 0.0, 0.0], abs=1e-4)
    tones = np.random.default_rng(0).random((50, 3))
    assert look.oklab_to_srgb(look.srgb_to_oklab(tones)) == pytest.approx(tones, abs=1e-6)


def test_weights_scale_darkens_evenly():
    steps = np.diff(lightness(look.Scale("w").table[::15]))
    assert (steps < 0).all()
    assert steps.min() > 2.0 * steps.mean()
    assert steps.max() < 0.4 * steps.mean()


def test_diverging_scale_is_lightest_in_the_middle_and_even_at_both_ends():
    table = look.Scale("s", -1, 1, diverging=True).table
    light = lightness(table)
    assert abs(int(light.argmax()) - 127.5) < 4
    assert light[0] == pytest.approx(light[-1], abs=5)
    assert (np.diff(light[:120:10]) > 0).all()
    assert (np.diff(light[136::10]) < 0).all()


# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based model for
# simulation of color vision deficiency", IEEE TVCG 15(6), 2009: severity 1.0 (from memory)
DEFICIENCIES = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


@pytest.mark.parametrize("kind", list(DEFICIENCIES))
def test_palette_stays_apart_for_colour_blind_eyes(kind):
    tones = np.array([look.colour(code) for code in look.PALETTE.values()])
    linear = np.where(tones <= 0.04045, tones / 12.92, ((tones + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.array(DEFICIENCIES[kind]).T, 0.0, 1.0)
    srgb = np.where(
        seen <= 0.0031308, 12.92 * seen, 1.055 * np.maximum(seen, 1e-9) ** (1 / 2.4) - 0.055
    )
    lab = look.srgb_to_oklab(srgb)
    apart = np.linalg.norm(lab[:, None] - lab[None], axis=-1) + np.eye(len(lab))
    # 0.02 in OKLab is about one just noticeable difference (CSS Color 4, gamut mapping)
    assert apart.min() > 5 * 0.02


def test_values_beyond_the_scale_take_its_ends():
    scale = look.Scale("girth", 0.5, 1.5, diverging=True)
    colours = scale.colours([-9.0, 0.5, 1.0, 1.5, 9.0])
    assert np.array_equal(colours[0], colours[1])
    assert np.array_equal(colours[3], colours[4])
    assert scale.marks == (0.5, 1.0, 1.5)


# -- labels ------------------------------------------------------------------------------------

BOX = (1280, 900)
anchors = st.lists(
    st.tuples(st.floats(60, BOX[0] - 60), st.floats(60, BOX[1] - 60)), min_size=1, max_size=10
)


@settings(max_examples=40, deadline=None)
@given(anchors)
def test_labels_overlap_nothing_and_stay_inside(places):
    boxes = place_labels(places, [(150.0, 30.0)] * len(places), BOX, covered_cells(None, BOX))
    for i, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[1] >= 0
        assert a[2] <= BOX[0]
        assert a[3] <= BOX[1]
        for b in boxes[:i]:
            assert min(a[2], b[2]) <= max(a[0], b[0]) or min(a[3], b[3]) <= max(a[1], b[1])


def test_shares_are_mixed_from_hues_that_neighbours_do_not_share():
    # Okabe and Ito's colours for the colour-blind (2008), by their published values in 8 bits
    shares = np.vstack([np.eye(9), np.eye(9)[0] + np.eye(9)[1], np.zeros(9)])
    mixed = look.Mixture("").colours(shares).astype(int)
    assert mixed[:3].tolist() == [[230, 159, 0], [86, 180, 233], [0, 158, 115]]
    assert (np.abs(np.diff(mixed[:9], axis=0)).max(axis=1) > 50).all()
    assert np.abs(2 * mixed[9] - mixed[0] - mixed[1]).max() <= 1  # half of each
    assert mixed[10].tolist() == [0, 0, 0]


def test_labels_keep_off_the_subject():
    x, y = np.meshgrid(np.arange(300, 900, 4), np.arange(420, 480, 4))
    busy = covered_cells(np.c_[x.ravel(), y.ravel()], BOX)
    (box,) = place_labels([(600.0, 450.0)], [(120.0, 28.0)], BOX, busy)
    assert box[3] <= 424 or box[1] >= 476


def test_markers_and_scale_bar_are_written():
    grey = np.full((360, 480, 3), 200, dtype=np.uint8)
    layer = Layer(
        marks=[
            Mark((240.0, 180.0), "control", "neck", "station 3"),
            Mark((120.0, 90.0), "station", "2"),
        ],
        scale=look.Scale("weight of neck"),
    )
    written = write_over(grey, layer)
    assert (grey == 200).all()
    amber = np.round(255 * np.array(look.colour(look.CONTROL)))
    assert np.abs(written[180 - 5, 240].astype(int) - amber).max() <= 12
    assert (written[90, 120] > 230).all()
    bar = written[360 - 60 : 360 - 30, 20:400].reshape(-1, 3).astype(int)
    for end in (look.Scale("").table[20], look.Scale("").table[235]):
        assert np.abs(bar - end).max(axis=1).min() <= 6


def test_an_empty_layer_changes_nothing():
    grey = np.full((40, 40, 3), 9, dtype=np.uint8)
    assert write_over(grey, Layer()) is grey


# -- backend -----------------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["import os; os.abort()", "raise ImportError", "print('blank')"])
def test_missing_opengl_is_one_sentence(monkeypatch, code):
    backend.check_display.cache_clear()
    monkeypatch.setattr(backend, "_PROBE", code)
    try:
        with pytest.raises(RibbonsimError, match="libegl1 libgl1-mesa-dri"):
            backend.check_display()
        with pytest.raises(RibbonsimError, match="libegl1 libgl1-mesa-dri"):
            Stage(tube(arc(), 1.0), SIZE)
    finally:
        backend.check_display.cache_clear()
