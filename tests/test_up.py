"""Which way is up: one creature, turned into each of six ways up, is understood the same.

The turned creature is the same rows of numbers with axes exchanged, so everything that is found
must come back turned the same way; no outside source is needed.
"""

from functools import cache

import numpy as np
import pytest
from cases import first_of
from creatures import quadruped, swimmer

import ribbonsim as rs
from ribbonsim.body.guide import read_guide
from ribbonsim.curves.up import UP_AXES, up_direction, upright
from ribbonsim.handoff.units import Units
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.show.studio import Look, Studio
from ribbonsim.view.camera import View, named_view, telling_view

OTHERS = [up for up in UP_AXES if up != "y"]


@pytest.fixture(scope="module")
def creatures():
    return {"quadruped": quadruped()[0], "swimmer": swimmer()[0]}


@pytest.fixture(scope="module")
def as_it_stands(creatures):
    """A creature with y up: mesh, guide, skin that rears up, findings."""

    @cache
    def standing(name):
        mesh = creatures[name]
        rig = rs.bind(mesh, build_layout(mesh))
        skin = rig.deform(rig.pose_for("rear_up", 70))
        found = rs.check(rig, {"rear_up": 70}, remedies=False).findings
        return mesh, read_guide(mesh), skin, found

    return standing


def toppled(mesh, up):
    """The creature in a scene where that axis points up."""
    return mesh.with_positions(mesh.positions @ upright(up))


@pytest.mark.parametrize("up", UP_AXES)
def test_a_scene_is_stood_upright_by_a_rotation(up):
    turn = upright(up)
    assert np.array_equal(turn @ turn.T, np.eye(3))
    assert np.linalg.det(turn) == pytest.approx(1.0)
    assert np.array_equal(turn @ up_direction(up), [0.0, 1.0, 0.0])


def test_z_up_is_turned_as_between_gltf_and_usd():
    # glTF 2.0, section 3.4: +Y up, +Z forward; a scene with +Z up and the same right has -Y there
    assert np.array_equal(upright("z") @ [1.0, 2.0, 3.0], [1.0, 3.0, -2.0])


@pytest.mark.parametrize("up", first_of("z", *(up for up in OTHERS if up != "z")))
@pytest.mark.parametrize("name", first_of("swimmer", "quadruped"))
def test_guide_rear_up_and_findings_are_the_same_whichever_axis_is_up(as_it_stands, name, up):
    mesh, before, skin, findings = as_it_stands(name)
    turn, other = upright(up), toppled(mesh, up)
    after = read_guide(other, up=up)
    assert after.why_root == before.why_root
    size = mesh.diagonal
    # a plane that is settled by least squares holds to no more than this
    assert np.abs(after.points @ turn.T - before.points).max() <= 1e-9 * size
    rig = rs.bind(other, build_layout(other, options(up)))
    reared = rig.deform(rig.pose_for("rear_up", 70))
    assert np.abs(reared @ turn.T - skin).max() <= 1e-8 * size
    # seen from the root's piece the front rises to the side that faces up at rest
    rest = rig.layout.ribbon.frames([0.1, 0.6])[:, :3]
    bent = rig.pose_ribbon(rig.pose_for("rear_up", 70)).frames([0.1, 0.6])[:, :3]
    assert rest[0, :, 2] @ up_direction(up) > 0.8
    assert bent[1, :, 0] @ bent[0, :, 2] > rest[1, :, 0] @ rest[0, :, 2] + 0.5
    found = rs.check(rig, {"rear_up": 70}, remedies=False).findings
    assert [one.kind for one in found] == [one.kind for one in findings]
    assert np.allclose([one.value for one in found], [one.value for one in findings], rtol=1e-6)


def options(up):
    return BuildOptions(up=up)


def test_a_layout_file_says_what_is_up_and_an_older_one_means_y(tmp_path, creatures):
    layout = build_layout(toppled(creatures["swimmer"], "z"), options("z"))
    layout.save(tmp_path / "z.toml")
    text = (tmp_path / "z.toml").read_text()
    assert 'up = "z"' in text
    assert rs.Layout.load(tmp_path / "z.toml").up == "z"
    (tmp_path / "old.toml").write_text(text.replace('up = "z"\n', ""))
    assert rs.Layout.load(tmp_path / "old.toml").up == "y"
    (tmp_path / "bad.toml").write_text(text.replace('up = "z"', 'up = "w"'))
    with pytest.raises(rs.RibbonsimError, match="up = 'w' cannot be used"):
        rs.Layout.load(tmp_path / "bad.toml")


@pytest.mark.parametrize("up", first_of("z", *(up for up in OTHERS if up != "z")))
def test_another_way_up_rolls_the_ribbon_flat(creatures, up):
    other = toppled(creatures["quadruped"], up)
    straight = build_layout(other, options(up)).ribbon
    told = build_layout(other, BuildOptions(root=tuple(straight.midline(0.0)))).with_up(up)
    assert told.up == up
    normals = told.ribbon.frames(np.linspace(0.0, 1.0, 33))[:, :3, 2]
    wanted = straight.frames(np.linspace(0.0, 1.0, 33))[:, :3, 2]
    assert np.mean(normals @ up_direction(up)) == pytest.approx(
        np.mean(wanted @ up_direction(up)), abs=0.02
    )


def test_another_way_up_keeps_a_roll_and_drops_kept_poses(creatures):
    layout = build_layout(creatures["swimmer"])
    rolled = rs.Layout(body=layout.body, ribbon=layout.ribbon.rolled(25.0), poses={"a": rs.Pose()})
    there = rolled.with_up("x")
    assert there.poses == {}
    assert rolled.with_up("y") is rolled
    back = there.with_up("y").ribbon
    # each roll fits the edges anew with the spans that there are
    width = float(np.mean(rolled.ribbon.width(np.linspace(0.0, 1.0, 33))))
    assert np.abs(back.control_points - rolled.ribbon.control_points).max() < 1e-3 * width
    with pytest.raises(rs.RibbonsimError, match="up"):
        layout.with_up("w")


@pytest.mark.parametrize("up", first_of(*reversed(UP_AXES), count=2))
def test_views_stand_the_creature_upright(creatures, up):
    mesh = creatures["quadruped"]
    turn = upright(up)
    assert np.allclose(View(40.0, 20.0, up).axes, View(40.0, 20.0).axes @ turn)
    assert named_view("side", up).axes[1] @ up_direction(up) == pytest.approx(1.0)
    guide = build_layout(mesh).ribbon.midline(np.linspace(0.0, 1.0, 65))
    seen = telling_view(guide @ turn, up=up)
    assert (seen.azimuth, seen.elevation) == (
        telling_view(guide).azimuth,
        telling_view(guide).elevation,
    )


@pytest.mark.parametrize("turned", first_of("z", "-x"))
def test_the_studio_shows_the_same_picture_whichever_axis_is_up(creatures, turned):
    mesh = creatures["quadruped"]
    pictures = []
    for up in ("y", turned):
        other = toppled(mesh, up)
        ribbon = build_layout(other, options(up)).ribbon
        with Studio(other, (160, 120), Look(quality="draft"), up) as studio:
            studio.frame([other.positions])
            studio.pose(other.positions)
            pictures.append(studio.shoot(50.0, [ribbon]).picture.astype(int))
    assert np.ptp(pictures[0]) > 60
    assert np.abs(pictures[1] - pictures[0]).max() <= 2


@pytest.mark.parametrize("up", UP_AXES)
def test_what_leaves_stands_upright(up):
    # glTF 2.0, section 3.4: +Y up; UsdGeom, stage metadata: upAxis is Y or Z
    units = Units(up=up)
    assert units.up_axis == ("z" if up == "z" else "y")
    for written in ("y", "z"):
        turned = Units(up=up, written_up=written)
        assert np.array_equal(turned.directions(up_direction(up)), up_direction(written))
        assert np.linalg.det(turned.turn) == pytest.approx(1.0)
