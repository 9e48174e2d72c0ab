"""Rigid parts: they turn and move with a station and keep their size and shape."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from tubes import arc, straight, tube

import ribbonsim as rs
from ribbonsim.bendcheck.weights import bleed, roughness
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.rig.joined import tied_vertices
from ribbonsim.rig.understood import all_sentences, main_sentences

POSE = rs.Pose({"control2": {"stretch": 1.6, "bend": 40}, "control1": {"sway": 25, "girth": 0.6}})


@pytest.fixture(scope="module")
def creature():
    """A bent tube with a plate that only touches it."""
    body = tube(arc(), 0.7)
    plate = tube(0.05 * straight() + body.positions[200], 0.1, around=8)
    polygons = [row.tolist() for row in body.polygons]
    polygons += [(row + len(body.positions)).tolist() for row in plate.polygons]
    return CreatureMesh.from_arrays(np.vstack([body.positions, plate.positions]), polygons)


@pytest.fixture(scope="module")
def layout():
    return rs.Layout.from_ribbon(rs.Ribbon.along(arc(), 0.8, 12), 9, 3)


@pytest.mark.parametrize("method", ["linear", "dual_quaternion"])
def test_tied_part_is_moved_rigidly_by_kabsch(creature, layout, method):
    """W. Kabsch 1976, as scipy's align_vectors: the best rotation leaves nothing."""
    tie = rs.Tie(6, component=2)
    rig = rs.bind(creature, layout.with_tie(tie))
    part = tied_vertices(creature, tie)
    rest, posed = creature.positions[part], rig.deform(POSE, method)[part]
    rotation, left = Rotation.align_vectors(posed - posed.mean(axis=0), rest - rest.mean(axis=0))
    assert left < 1e-6
    # and it is the station's own motion
    motion = rig.joint_pose(POSE).rigid[5]
    np.testing.assert_allclose(rotation.as_matrix(), motion[:3, :3], atol=1e-6)
    np.testing.assert_allclose(posed, rest @ motion[:3, :3].T + motion[:3, 3], atol=1e-9)


def test_station_there_stretches_and_swells_all_the_same(creature, layout):
    rig = rs.bind(creature, layout.with_tie(rs.Tie(6, component=2)))
    joints = rig.joint_pose(POSE)
    assert rig.joint_names[-1] == "joint6.tied"
    assert rig.joint_parents[-1] == 5
    assert joints.stretch[5] > 1.2
    assert joints.stretch[-1] == joints.girth[-1] == 1.0
    np.testing.assert_allclose(rig.mesh_weights.sum(axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(rig.control_influence.sum(axis=1), 1.0, atol=1e-12)


def test_the_rest_of_the_creature_is_as_without_the_tie(creature, layout):
    free, tied = (
        rs.bind(creature, layout),
        rs.bind(creature, layout.with_tie(rs.Tie(6, component=2))),
    )
    body = creature.components == 0
    np.testing.assert_allclose(tied.deform(POSE)[body], free.deform(POSE)[body], atol=1e-12)
    assert bleed(tied).max() == bleed(free).max()
    assert roughness(tied) == pytest.approx(roughness(free), rel=1e-6)


def test_tie_moves_with_its_station_when_stations_are_placed_anew(layout):
    moved = layout.with_tie(rs.Tie(5, component=2)).with_stations(17)
    assert moved.ties[0].station == 9
    assert layout.with_tie(rs.Tie(2, component=2)).reversed().ties[0].station == 8


@pytest.mark.parametrize(
    ("tie", "words"),
    [
        (rs.Tie(6, component=7), "has no component 7: give 1 to 2"),
        (rs.Tie(6, group="plate"), "has no group 'plate'"),
    ],
)
def test_part_that_is_not_there_is_told(creature, layout, tie, words):
    with pytest.raises(rs.RibbonsimError, match=words):
        rs.bind(creature, layout.with_tie(tie))


def test_tie_at_a_station_that_is_not_there_is_told(layout):
    with pytest.raises(rs.RibbonsimError, match="station of component 2"):
        layout.with_tie(rs.Tie(40, component=2))
    with pytest.raises(rs.RibbonsimError, match="give a group or a component"):
        rs.Tie(3)
    with pytest.raises(rs.RibbonsimError, match="tied twice"):
        replace(layout, ties=(rs.Tie(3, component=2), rs.Tie(4, component=2)))


@pytest.fixture(scope="module")
def goggled():
    """A tube with two eyes at one end, one of them a group, and a stone that lies far away."""
    body, eye = tube(straight(10.0, 41), 0.7, round_ends=3), tube(straight(0.2, 5), 0.1, 6)
    parts = [(body, (0, 0, 0), 0), (eye, (8.9, 0.3, 0.65), 1), (eye, (8.9, 0.3, -0.65), 0)]
    parts.append((eye, (4.0, 9.0, 0.0), 0))
    points, polygons, groups = [], [], []
    for mesh, shift, group in parts:
        at = sum(map(len, points))
        points.append(mesh.positions + shift)
        polygons += [(row + at).tolist() for row in mesh.polygons]
        groups += [group] * len(mesh.polygons)
    return CreatureMesh.from_arrays(
        np.vstack(points),
        polygons,
        "goggled",
        group_names=("rest", "eye_l"),
        polygon_groups=groups,
    )


def test_small_pieces_are_tied_to_the_station_beside_them(goggled):
    options = BuildOptions(ties=True, swap=False)
    layout = build_layout(goggled, options)
    assert [tie.part for tie in layout.ties] == ["group 'eye_l'", "component 3"]
    at = layout.ribbon.midline(np.asarray(layout.stations))[:, 0]
    for tie in layout.ties:
        # stations are 10 / 16 apart and the eyes' middles stand at x = 9
        assert abs(at[tie.station - 1] - 9.0) <= 0.5 * 10 / 16 + 0.02
    said = main_sentences(goggled, options)
    assert said[0] == (
        "Of 4 pieces one piece makes up the body, 2 small ones are tied to the nearest stations, "
        "1 that lies apart is carried along rigidly (such as piece 4: tie it to a station, or "
        "leave it out)."
    )
    whole = all_sentences(goggled, layout, options)
    station = layout.ties[0].station
    assert f"Tied: group 'eye_l' to station {station}, piece 3 to station {station}." in whole


def test_ties_are_proposed_where_they_are_not_asked_for(goggled):
    layout = build_layout(goggled)
    assert not layout.ties
    said = all_sentences(goggled, layout, BuildOptions())
    assert "2 small ones ride rigidly on it" in said[1]
    assert any(line.startswith("--ties would tie group 'eye_l' to station") for line in said)
