"""A guide drawn by hand in the panel: clicks, edge loops, drags, steps back."""

import numpy as np
import pytest
from tubes import tube

import ribbonsim as rs
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.draw_section import DrawSection
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state.guide_draft import GuideDraft, middle_under, points_along
from ribbonsim.panel.work.bent import piece_lines
from ribbonsim.panel.work.picking import Sight, at_depth_of, hit_skin
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.view.camera import fit_camera, named_view

TURN = np.linspace(0.0, 0.75 * np.pi, 121)
ARC = 10.0 * np.column_stack([np.sin(TURN), 1.0 - np.cos(TURN), np.zeros(121)])
RADIUS, AROUND = 1.0, 16
SIZE = (450, 300)


@pytest.fixture(scope="module")
def rig():
    mesh = tube(ARC, RADIUS)
    return rs.bind(mesh, build_layout(mesh))


@pytest.fixture
def desk(rig):
    made = Desk(SIZE)
    made.open(rig)
    yield made
    made.viewer.close()
    PICTURES.settle()


@pytest.fixture
def drawing(desk):
    view = ViewSection(desk)
    section = DrawSection(desk, view)
    desk.refresh()
    desk.act(lambda: desk.viewer.frame_all("front"))
    section._mode.value = True
    return desk, view, section


def pixel_of(desk, point):
    mesh = desk.model.rig.mesh
    seen = desk.viewer.camera.project((point - mesh.centre) / mesh.diagonal, desk.viewer.size)
    return float(seen[0, 0]), float(seen[0, 1])


def event(kind, pixel, **more):
    return {
        "type": kind,
        "relativeX": pixel[0],
        "relativeY": pixel[1],
        "boundingRectWidth": SIZE[0],
        "boundingRectHeight": SIZE[1],
        "buttons": 1,
        **more,
    }


def click(view, pixel, **more):
    view.mouse.hear(event("mousedown", pixel, **more))
    view.mouse.hear(event("mouseup", pixel, **more))


def off_arc(point):
    """Distance from the circle that the tube was swept along, and from its plane."""
    x, y, z = point
    return np.hypot(np.hypot(x, y - 10.0) - 10.0, z)


# -- the middle of the body ----------------------------------------------------------------------


def test_the_middle_under_the_skin_of_a_tube_is_on_its_curve(rig):
    """The largest ball that touches a tube from inside has its centre on the tube's curve."""
    for k in (30, 60, 90):
        ring = np.arange(k * AROUND, (k + 1) * AROUND)
        for vertex in ring[::5]:
            middle = middle_under(rig.mesh, rig.mesh.positions[vertex])
            assert np.linalg.norm(middle - ARC[k]) < 0.25 * RADIUS


def test_what_is_under_a_pixel_is_the_front_of_the_skin(rig):
    """A ray through a ring's centre first meets the tube one radius before it."""
    mesh = rig.mesh
    points = (mesh.positions - mesh.centre) / mesh.diagonal
    camera = fit_camera(points, named_view("front"), SIZE[0] / SIZE[1])
    for k in (20, 60, 100):
        (seen,) = camera.project((ARC[k] - mesh.centre) / mesh.diagonal, SIZE)
        sight = Sight(camera, SIZE, (seen[0], seen[1]))
        hit = hit_skin(mesh, sight)
        eye = camera.position * mesh.diagonal + mesh.centre
        ray = (ARC[k] - eye) / np.linalg.norm(ARC[k] - eye)
        assert np.linalg.norm(np.cross(hit.point - eye, ray)) < 1e-9 * mesh.diagonal
        assert np.linalg.norm(hit.point - ARC[k]) == pytest.approx(RADIUS, rel=0.1)
        assert (hit.point - ARC[k]) @ ray < 0
        assert set(hit.edge) <= set(range(len(mesh.positions)))
        back = at_depth_of(mesh, sight, ARC[k])
        np.testing.assert_allclose(back, ARC[k], atol=1e-9)
    assert hit_skin(mesh, Sight(camera, SIZE, (2.0, 2.0))) is None


# -- the draft -----------------------------------------------------------------------------------


def test_a_curve_through_points_of_a_circle_stays_on_it(rig):
    draft = GuideDraft(rig.mesh)
    draft.take(ARC[::20])
    curve = draft.curve()
    assert max(off_arc(point) for point in curve) < 0.01 * 10.0
    for point in draft.points:
        assert np.linalg.norm(curve - point, axis=1).min() < 0.2


def test_each_step_is_undone_by_itself(rig):
    draft = GuideDraft(rig.mesh)
    draft.add(ARC[0])
    draft.add(ARC[60])
    draft.add(ARC[60])  # the second press of a double-click
    assert len(draft.points) == 2
    draft.chosen = 0
    draft.add(ARC[30])
    np.testing.assert_array_equal(np.array(draft.points), ARC[[0, 30, 60]])
    draft.begin_move()
    for shift in (0.1, 0.2, 0.3):
        draft.move(ARC[30] + [0.0, 0.0, shift])
    draft.remove()
    assert len(draft.points) == 2
    lengths = []
    while draft.can_undo:
        draft.undo()
        lengths.append([tuple(point) for point in draft.points])
    assert [len(step) for step in lengths] == [3, 3, 2, 1, 0]
    assert lengths[0][1][2] == pytest.approx(0.3)
    assert lengths[1][1][2] == 0.0
    with pytest.raises(rs.RibbonsimError, match="two points"):
        draft.curve()


# -- in the picture ------------------------------------------------------------------------------


def test_a_guide_drawn_by_clicks_becomes_the_ribbon(drawing):
    desk, view, section = drawing
    model = desk.model
    model.set_value("control4", "bend", 60.0)  # it is drawn in the creature at rest all the same
    desk.act(desk.viewer.frame_all)
    assert desk.viewer.shows_all()
    for k in (4, 30, 60, 90, 116):
        click(view, pixel_of(desk, ARC[k]))
    assert len(section._draft.points) == 5
    assert max(off_arc(point) for point in section._draft.points) < 0.25 * RADIUS
    assert len(section._list.options) == 5
    before = model.layout
    section._use.click()
    assert section._draft is None
    assert desk.viewer.draft is None
    assert model.layout is not before
    ribbon = model.layout.ribbon
    points = ribbon.midline(np.linspace(0.0, 1.0, 65))
    assert max(off_arc(point) for point in points) < 0.25 * RADIUS
    assert np.linalg.norm(points[0] - ARC[4]) < 0.5
    assert np.linalg.norm(points[-1] - ARC[116]) < 0.5
    assert ribbon.spans == before.ribbon.spans
    model.undo()
    assert model.layout is before


def test_an_edge_loop_adds_its_centre(drawing):
    desk, view, section = drawing
    ring = 60
    first, second = (ring * AROUND + k for k in (0, 1))
    mesh = desk.model.rig.mesh
    # an edge of a ring that faces the camera, which looks along -z
    front = max(range(AROUND), key=lambda k: mesh.positions[ring * AROUND + k, 2])
    first, second = ring * AROUND + front, ring * AROUND + (front + 1) % AROUND
    middle = 0.5 * (mesh.positions[first] + mesh.positions[second])
    click(view, pixel_of(desk, middle), altKey=True)
    (point,) = section._draft.points
    # the mean of a regular ring is its centre
    np.testing.assert_allclose(point, ARC[ring], atol=1e-6)


def test_points_are_dragged_and_the_picture_orbits_beside_them(drawing):
    desk, view, section = drawing
    section._begin()
    draft = section._draft
    np.testing.assert_allclose(draft.points, points_along(desk.model.own.ribbon))
    orbit = desk.viewer.orbit
    start = pixel_of(desk, draft.points[-1])
    view.mouse.hear(event("mousedown", start))
    for step in (4, 8, 12):
        view.mouse.hear(event("mousemove", (start[0] + step, start[1])))
    view.mouse.hear(event("mouseup", (start[0] + 12, start[1])))
    assert desk.viewer.orbit is orbit
    assert draft.chosen == len(draft.points) - 1
    end = pixel_of(desk, draft.points[-1])
    assert end == pytest.approx((start[0] + 12, start[1]), abs=1e-6)
    section._undo.click()
    assert pixel_of(desk, draft.points[-1]) == pytest.approx(start)
    view.mouse.hear(event("mousedown", (5, 5)))
    view.mouse.hear(event("mousemove", (45, 5)))
    view.mouse.hear(event("mouseup", (45, 5)))
    assert desk.viewer.orbit is not orbit
    assert len(draft.points) == 7


def test_exact_numbers_move_the_chosen_point(drawing):
    desk, _, section = drawing
    section._begin()
    section._list.value = 2
    x, y, _ = section._draft.points[2]
    section._place[2].value = 0.25
    np.testing.assert_array_equal(section._draft.points[2], (x, y, 0.25))
    assert "e-" not in str(section._list.options)
    section._undo.click()
    np.testing.assert_allclose(section._draft.points[2], points_along(desk.model.own.ribbon)[2])


def test_a_click_beside_the_creature_is_said_and_leaving_keeps_the_ribbon(drawing):
    desk, view, section = drawing
    layout = desk.model.layout
    click(view, (3.0, 3.0))
    assert "no skin" in desk.message.value
    section._mode.value = False
    assert section._draft is None
    assert desk.model.layout is layout
    assert "rs-picking" not in desk.picture._dom_classes
    # clicks choose controls again
    desk.act(lambda: desk.viewer.frame_all("front"))
    place = desk.model.own.control_places[1]
    click(view, pixel_of(desk, desk.model.layout.ribbon.midline(place)))
    assert desk.model.selected == desk.model.layout.control_names[1]


def test_another_creature_ends_the_drawing(drawing):
    desk, _, section = drawing
    desk.open(tube(ARC[:80], 0.7))
    assert section._draft is None
    assert desk.viewer.draft is None
    assert section._mode.value is False


# -- the piece that a control bends --------------------------------------------------------------


class Paper:
    """What lines are asked of a stage: places as they are, seen from far in front."""

    def __init__(self, camera):
        self.camera = camera

    @staticmethod
    def project(points):
        return np.asarray(points)[:, :2]


def test_the_piece_is_drawn_along_the_ribbon_and_round_the_body(desk):
    model = desk.model
    names = model.layout.control_names
    root = model.own.chain_root
    model.select(next(name for name in names[1:-1] if name != root))
    subject = desk.viewer.subject_of(model)
    posed = model.rig.posed(Pose())
    positions = model.rig.deform(Pose()).astype(np.float32)
    along, *rings = piece_lines(
        Paper(desk.viewer.camera), subject, posed.ribbons["body"], positions
    )
    ends = np.array([along[0], along[-1]])
    own = model.own
    places = own.ribbon.midline(own.control_places)[:, :2]
    for end in ends:
        assert np.linalg.norm(places - end, axis=1).min() < 1e-6
    # a ring at a place of the tube is a circle of its radius about the curve there
    points = np.array(rings).reshape(-1, 2)
    away = np.linalg.norm(points[:, None] - ends[None], axis=2).min(axis=1)
    assert len(points) > 8
    assert away.max() < 1.2 * RADIUS
    model.select(root)
    assert (
        piece_lines(
            Paper(desk.viewer.camera),
            desk.viewer.subject_of(model),
            posed.ribbons["body"],
            positions,
        )
        == []
    )
