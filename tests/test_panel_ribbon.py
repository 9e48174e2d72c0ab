"""Drive, who stands still, sections and ends, as the panel offers them."""

import numpy as np
import pytest
from tubes import tube

import ribbonsim as rs
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.drive_section import DriveSection
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.ribbon_words import bent_piece, piece_words, root_words, still_words
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.first_layout import build_layout

STRAIGHT = np.column_stack([np.linspace(0.0, 10.0, 201), np.zeros(201), np.zeros(201)])


@pytest.fixture(scope="module")
def rig():
    mesh = tube(STRAIGHT, 0.5)
    return rs.bind(mesh, build_layout(mesh).with_root(1))


@pytest.fixture
def model(rig):
    made = PanelModel()
    made.open(rig)
    return made


@pytest.fixture
def desk(rig):
    made = Desk((90, 60))
    made.open(rig)
    yield made
    made.viewer.close()
    PICTURES.settle()


# -- drive ---------------------------------------------------------------------------------------


def test_each_drive_is_chosen_with_a_sentence_and_undone(desk):
    section = DriveSection(desk)
    desk.refresh()
    assert section._drive.value == desk.model.layout.drive == "shares"
    shares = section._words.value
    desk.act(lambda: desk.model.set_value("control3", "bend", 40.0))
    before = desk.model.deform()
    section._drive.value = "skinned"
    assert desk.model.layout.drive == "skinned"
    assert section._words.value != shares
    assert desk.model.pose["control3"].bend == 40.0
    assert np.abs(desk.model.deform() - before).max() > 0.1
    desk.act(desk.model.undo)
    assert section._drive.value == "shares"
    np.testing.assert_array_equal(desk.model.deform(), before)


def test_a_skinned_surface_follows_the_table_of_weights(model):
    """Linear skinning by hand: weights times the controls' motions (the textbook formula)."""
    edits.set_drive(model, "skinned")
    model.set_value("control3", "sway", 30.0)
    rig = model.rig
    posed = rig.posed(model.pose)
    motions = posed.controls.frames @ np.linalg.inv(rig.control_rest)
    points = np.concatenate(
        [
            rig.layout.ribbon.control_points,
            np.ones((*rig.layout.ribbon.control_points.shape[:2], 1)),
        ],
        axis=2,
    )
    by_hand = np.einsum("nk,kij,nuj->nui", rig.surface_weights, motions, points)[..., :3]
    np.testing.assert_allclose(posed.ribbons["body"].control_points, by_hand, atol=1e-12)


# -- who stands still, and what bends ------------------------------------------------------------


def test_who_stands_still_is_chosen_and_said(desk):
    section = DriveSection(desk)
    desk.refresh()
    root = desk.model.own.chain_root
    assert section._still.value == root
    assert root in section._still_words.value
    section._still.value = "control4"
    assert desk.model.own.chain_root == "control4"
    assert "control4 stands still" in section._still_words.value
    section._still.value = ""
    assert all(control.carried_by is None for control in desk.model.own.controls)
    assert "stands alone" in section._still_words.value


def test_what_stands_still_does_not_move_when_others_bend(model):
    edits.set_carry(model, "control4")
    rest = model.rig.posed(rs.Pose()).controls.frames
    for name in ("control1", "control2", "control5"):
        model.set_value(name, "bend", 35.0)
    posed = model.rig.posed(model.pose).controls.frames
    np.testing.assert_allclose(posed[3], rest[3], atol=1e-12)
    assert "control4 stands still" in still_words(model.own)


def test_the_piece_of_a_control_is_where_its_bend_curves_the_body(model):
    """A bend adds its angle over its piece: beyond the piece's reach nothing turns."""
    edits.set_carry(model, "control2")
    own = model.own
    places = own.control_places
    assert bent_piece(own, "control2") is None
    assert bent_piece(own, "control1") == (places[0], places[1])
    assert bent_piece(own, "control4") == (places[2], places[3])
    for name in ("control1", "control3", "control5"):
        piece = bent_piece(own, name)
        ribbon = model.rig.pose_ribbon(rs.Pose({name: {"bend": 30.0}}))
        t = np.linspace(0.0, 1.0, 801)
        tangents = ribbon.frames(t)[:, :3, 0]
        turned = np.degrees(np.arccos(np.clip(np.sum(tangents[1:] * tangents[:-1], axis=1), -1, 1)))
        middle = 0.5 * (t[1:] + t[:-1])
        centre = float(turned @ middle / turned.sum())
        assert piece[0] < centre < piece[1], name
    model.select("control4")
    assert "stations 9 and 13" in piece_words(model)
    model.select("control2")
    assert "as a whole" in piece_words(model)


def test_a_control_that_stands_alone_bends_both_ways(model):
    edits.set_carry(model, None)
    own = model.own
    assert bent_piece(own, "control3") == (own.control_places[1], own.control_places[3])
    assert bent_piece(own, "control1") == (own.control_places[0], own.control_places[1])


# -- sections ------------------------------------------------------------------------------------


def test_two_sections_of_nine_make_seventeen_stations(model):
    """Nine and nine that share a joint are 17 with controls at 1, 5, 9, 13, 17.

    Common practice, no published source.
    """
    edits.set_stations(model, 12)
    edits.set_carry(model, "control3")
    model.set_value("control5", "bend", 25.0)
    before = model.rig.pose_ribbon(model.pose).midline([0.0, 0.5, 1.0])
    edits.set_sections(model, edits.read_sections("9, 9"))
    assert len(model.own.stations) == 17
    assert [control.station for control in model.own.controls] == [1, 5, 9, 13, 17]
    assert model.own.chain_root == "control3"
    after = model.rig.pose_ribbon(model.pose).midline([0.0, 0.5, 1.0])
    assert np.linalg.norm(after - before, axis=1).max() < 0.01 * model.own.ribbon.length
    model.undo()
    assert len(model.own.stations) == 12


@pytest.mark.parametrize("text", ["", "nine", "9,", "9; 9", "-3, 9", "1, 9"])
def test_sections_that_cannot_be_are_a_sentence(model, text):
    layout = model.layout
    with pytest.raises(rs.RibbonsimError):
        edits.set_sections(model, edits.read_sections(text))
    assert model.layout is layout


# -- root and tip --------------------------------------------------------------------------------


def test_the_root_is_explained_and_swapped():
    """A cone that tapers evenly has its root at the thick end."""
    radii = np.linspace(1.0, 0.15, 201)
    model = PanelModel()
    model.open(tube(STRAIGHT[::-1].copy(), radii[::-1].copy()))
    assert "thick end" in root_words(model)
    start = model.layout.ribbon.midline(0.0)
    edits.swap_ends(model)
    assert "swapped" in root_words(model)
    assert "thick end" in root_words(model)
    assert np.linalg.norm(model.layout.ribbon.midline(1.0) - start) < 1e-9
    edits.swap_ends(model)
    assert "swapped" not in root_words(model)


def test_a_layout_of_ones_own_is_not_explained(model):
    assert "as the layout has them" in root_words(model)
