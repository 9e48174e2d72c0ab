"""Motions that leave: the joints land where the preview does, and what is not joints is said."""

import numpy as np
import pytest
from gltf_reading import Scene

import ribbonsim as rs
from ribbonsim.handoff.sheet.motions import motions_section
from ribbonsim.handoff.sheet.parts import Writer
from ribbonsim.handoff.units import Units
from ribbonsim.rig.first_layout import build_layout


@pytest.fixture(scope="module")
def rig():
    mesh = rs.load_mesh("meshes/tentacle.obj")
    return rs.bind(mesh, build_layout(mesh))


def test_a_motion_is_a_closed_clip(rig):
    take = rig.motion("swim")
    clip = rs.motion_clip(take, 10)
    assert len(clip.poses) == 17
    assert clip.poses[0] is clip.poses[-1]
    assert clip.times[-1] == pytest.approx(1.6)
    assert clip.note == "The joints hold all of it."


def test_flattening_is_said_not_to_be_joints():
    mesh = rs.load_mesh("meshes/grub.obj")
    clip = rs.motion_clip(rs.bind(mesh, build_layout(mesh)).motion("crawl"), 5)
    assert "all but the flattening on the ground" in clip.note


def test_gltf_plays_the_motion_where_it_is(rig, tmp_path):
    # glTF 2.0: node transforms and linear skinning, by the tests' own reader
    take = rig.motion("swim")
    scene = Scene(rs.export_gltf(rig, tmp_path / "t.glb", {}, {"swim": rs.motion_clip(take, 5)})[0])
    (animation,) = scene.gltf.animations
    assert animation.extras["note"] == "The joints hold all of it."
    instant = take.frames(5)[3]
    posed = scene.skin_at("swim", instant.time)[: len(rig.mesh.positions)]
    assert np.abs(posed - rig.deform(instant.pose)).max() < 1e-4 * rig.mesh.diagonal


def test_the_sheet_tells_keys_lag_and_swing(rig):
    section = motions_section([rig.motion("strike")], Writer(Units(), 90.0))
    table = section.parts[1]
    assert table.rows[0][:4] == ("strike", "3", "0.14", "0.20")
    keys = {row[0] for row in section.parts[2].rows}
    assert {"0.92", "1.38"} & keys or len(keys) >= 2
