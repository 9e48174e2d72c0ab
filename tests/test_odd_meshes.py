"""Meshes that are hardly creatures: each is measured rightly, or one sentence says why not.

Hundreds more stand in ``fuzz/degenerate.py``. No source but sense, where none is named.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from tubes import straight, tube

import ribbonsim as rs
from ribbonsim.bendcheck.words import report_text
from ribbonsim.body.inside import inside_of
from ribbonsim.body.pieces import pieces_of
from ribbonsim.body.standing import standing_place
from ribbonsim.layout.pose import MOST_DEGREES
from ribbonsim.rig.first_layout import build_layout


def sheet(rows=7):
    at = np.arange(rows)
    points = [[i, j, 0.1 * np.sin(i)] for i in at for j in at]
    faces = [
        [i * rows + j, i * rows + j + 1, (i + 1) * rows + j + 1, (i + 1) * rows + j]
        for i in at[:-1]
        for j in at[:-1]
    ]
    return rs.CreatureMesh.from_arrays(points, faces, name="sheet")


def test_a_sheet_has_no_inside_and_half_a_ball_has_one():
    # faces of a closed skin, as vectors, add up to nothing, those of half a ball to half its area
    assert inside_of(sheet()).solid is None
    turn = np.linspace(0, np.pi / 2, 9)
    half = tube(np.stack([np.sin(turn), 0 * turn, 0 * turn], axis=1), np.cos(turn) + 1e-6, 24)
    bowl = rs.CreatureMesh.from_arrays(half.positions, half.polygons[: 24 * 8], name="bowl")
    assert inside_of(bowl).solid is not None


@pytest.mark.slow
def test_a_body_without_thickness_says_that_its_girth_is_not_measured():
    mesh = tube(straight(rings=9), 0.6, 6)
    flat = rs.CreatureMesh.from_arrays(mesh.positions * (1, 1, 1e-7), mesh.polygons, name="flat")
    rig = rs.bind(flat, build_layout(flat))
    text = report_text(rs.check(rig, ["c_bend"], contacts=False, remedies=False))
    assert "The girth of body is not measured: its rings of skin enclose next to nothing" in text
    whole = rs.check(rs.bind(mesh, build_layout(mesh)), ["c_bend"], contacts=False, remedies=False)
    assert whole.unmeasured == ()


def test_a_scale_that_cannot_be_meant_is_said():
    mesh = tube(straight(rings=5), 0.6, 6)
    with pytest.raises(rs.RibbonsimError, match=r"1\.\d+e-14 scene units large, too small"):
        rs.CreatureMesh.from_arrays(mesh.positions * 1e-15, mesh.polygons)


def test_ends_and_poses_beyond_all_numbers_are_refused():
    mesh = tube(straight(rings=9), 0.6, 6)
    with pytest.raises(rs.RibbonsimError, match="neither a vertex nor a point"):
        rs.find_guide(mesh, root=(1e308, 0, 0))
    with pytest.raises(rs.RibbonsimError, match="bend = 1e\\+308 cannot be used"):
        rs.Pose({"control1": {"bend": 1e308}})
    assert rs.Pose({"control1": {"twist": MOST_DEGREES}})["control1"].twist == MOST_DEGREES


@pytest.mark.parametrize("name", ["a=b", "curl,left", "two\nlines", " "])
def test_names_that_no_command_could_take_back_are_refused_when_read_too(name, tmp_path):
    ribbon = rs.Ribbon.along(straight(), 0.4, 4)
    layout = replace(rs.Layout.from_ribbon(ribbon, 5, 3), poses={"bow": rs.Pose()})
    layout.save(tmp_path / "kept.toml")
    text = (tmp_path / "kept.toml").read_text(encoding="utf-8")
    assert text.count('"bow"') == 1
    spoilt = text.replace('"bow"', repr(name).replace("'", '"'))
    (tmp_path / "spoilt.toml").write_text(spoilt, encoding="utf-8")
    with pytest.raises(rs.RibbonsimError, match=r"spoilt\.toml.*pose"):
        rs.Layout.load(tmp_path / "spoilt.toml")


def lying_eel(height):
    """A tube whose first third lies on the ground, the rest raised evenly from there."""
    along = np.linspace(0.0, 12.0, 61)
    curve = np.stack([along, 0.5 + 0.6 * np.maximum(along - 7.0, 0.0), 0 * along], axis=1)
    curve[:, 1] += height
    return tube(curve, 0.5), rs.Ribbon.along(curve, 0.4, 16)


def test_a_body_rests_on_its_lowest_skin_wherever_the_ground_is():
    # 7 of its 12 units lie: their middle is at 3.5, whatever the height of the ground
    for height in (0.0, 40.0, -3.0):
        assert standing_place(*lying_eel(height)) == pytest.approx(3.5, abs=0.4)
    # hanging from there it touches with its tip alone, and would tip over: half of its mass
    mesh, ribbon = lying_eel(40.0)
    assert standing_place(mesh, ribbon, "-y") == pytest.approx(0.5 * ribbon.length, rel=0.02)


@pytest.mark.slow
def test_of_equal_pieces_the_same_is_the_body_however_they_are_turned():
    ball = tube(straight(1.0, 9), 0.4, 12, round_ends=3)
    shift = np.array([[0, 0, 0], [1.7, 0, 0]])
    faces = [f.tolist() for f in ball.polygons]
    both = faces + [[v + len(ball.positions) for v in f] for f in faces]
    points = np.concatenate([ball.positions + s for s in shift])
    found = set()
    for seed in range(8):
        turned = Rotation.random(random_state=seed).apply(points)
        mesh = rs.CreatureMesh.from_arrays(turned, both)
        pieces = pieces_of(mesh)
        found.add((tuple(pieces.body), tuple(pieces.rides), tuple(pieces.apart)))
    assert len(found) == 1
