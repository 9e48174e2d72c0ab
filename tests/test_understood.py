"""What is said of a creature: pieces, which way is up, root and tip, sides, spans.

The creatures are grown along known curves (``creatures.py``); which way they stand is known.
"""

import numpy as np
import pytest
import trimesh
from cases import first_of
from creatures import quadruped, slug, stinger, swimmer
from demos import demo_mesh
from tubes import swept

import ribbonsim as rs
from ribbonsim.body.up_guess import likelier_up
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.rig.understood import all_sentences, main_sentences


def lying(mesh):
    """The same creature as a scene with z up has it, read as if y were up."""
    x, y, z = mesh.positions.T
    return rs.CreatureMesh.from_arrays(np.stack([x, -z, y], axis=1), mesh.polygons, mesh.name)


@pytest.mark.parametrize("make", first_of(quadruped, stinger))
def test_a_creature_on_legs_that_lies_on_its_side_is_noticed(make):
    mesh, _ = make()
    assert likelier_up(mesh, "y") is None
    assert likelier_up(lying(mesh), "y") == "z"
    assert likelier_up(lying(mesh), "z") is None


def test_legs_tell_what_is_up_where_a_winding_spine_has_no_halves():
    s = np.linspace(0.0, 1.0, 60)
    spine = np.stack([6 * s, 0.9 + 0.1 * np.sin(4 * s), 0.2 * np.sin(3 * s)], axis=1)
    girth = 0.35 * np.sin(np.pi * (0.94 * s + 0.04)) ** 0.45
    parts = [swept(spine, girth, 16)]
    q = np.linspace(0.0, 1.0, 10)
    for x in np.linspace(0.9, 5.2, 7):
        for side in (-1.0, 1.0):
            leg = np.stack([x + 0.05 * q, 0.9 - 0.9 * q**1.5, side * (0.15 + 0.65 * q)], axis=1)
            parts.append(swept(leg, 0.12 * (1.0 - 0.6 * q), 8))
    starts = np.cumsum([0] + [len(points) for points, _ in parts])
    faces = [
        [vertex + start for vertex in face]
        for start, (_, own) in zip(starts, parts, strict=False)
        for face in own
    ]
    points = np.concatenate([points for points, _ in parts])
    mesh = rs.CreatureMesh.from_arrays(points, faces, "manyfoot")
    assert likelier_up(mesh, "y") is None
    assert likelier_up(lying(mesh), "y") == "z"


def test_a_chain_of_balls_is_not_told_to_stand_on_its_last():
    balls = [trimesh.creation.icosphere(subdivisions=2) for _ in range(12)]
    for i, ball in enumerate(balls):
        broad = 0.55 - 0.02 * abs(i - 4)
        ball.apply_scale([0.5, 0.8 * broad, broad])
        ball.apply_translation([0.62 * i, 0.5 + 0.05 * np.sin(i), 0.25 * np.sin(0.5 * i)])
    chain = trimesh.util.concatenate(balls)
    mesh = rs.CreatureMesh.from_arrays(chain.vertices, chain.faces, "chain")
    assert likelier_up(mesh, "y") is None


@pytest.mark.parametrize("make", first_of(slug, swimmer))
def test_where_shape_does_not_say_what_is_up_nothing_is_said(make):
    mesh, _ = make()
    assert likelier_up(mesh, "y") is None
    assert likelier_up(lying(mesh), "y") is None


@pytest.mark.parametrize("name", ["lampeel", "grub", "coil", "tentacle", "snuffer"])
def test_demo_creatures_stand_as_they_are(name):
    assert likelier_up(demo_mesh(name), "y") is None


def test_the_sentences_tell_root_sides_spans_and_who_stands_still():
    mesh = demo_mesh("lampeel")
    options = BuildOptions()
    said = all_sentences(mesh, build_layout(mesh, options), options)
    assert said[0] == "Up is y."
    assert said[1] == (
        "The root is at the thin end, taken for the tail; --swap exchanges root and tip."
    )
    assert "Left and right are alike across x, which holds for 100 % of the skin." in said
    assert said[-1] == "control2 stands still and carries the others: it is where the body rests."


def test_swapped_and_chosen_ends_are_told_as_such():
    mesh, _ = swimmer()
    assert main_sentences(mesh, BuildOptions(swap=True)) == [
        "The root is at the end that was found to be the tip, as --swap asks."
    ]
    nose = int(np.argmax(mesh.positions[:, 2]))
    assert main_sentences(mesh, BuildOptions(root=nose)) == ["The root is as chosen."]
