"""Appendages that are proposed, against what their modellers say: groups of the file, bones.

The groups of the demo creatures are written by the scripts in ``meshes/``, which know nothing
of fields; the bodies of ``limbs.py`` are level sets about known bones.
"""

from functools import cache

import igl
import numpy as np
import pytest
import pyvista
from cases import first_of
from demos import demo_mesh
from limbs import Bone, branched, flat_fin, six_arms, skin_of
from pyvista import examples
from scipy.spatial.transform import Rotation
from tubes import straight, tube

from ribbonsim import (
    CreatureMesh,
    RibbonsimError,
    bind,
    find_appendages,
    find_guide,
    find_on_appendage,
    propose_appendage,
)
from ribbonsim.rig.first_layout import build_layout

ARMS = {f"arm_{place}_{side}" for place in ("front", "side", "back") for side in "lr"}


@cache
def demo(name):
    mesh = demo_mesh(name)
    return mesh, find_appendages(mesh, find_guide(mesh))


def group(mesh, name):
    """Vertices of a group of the file."""
    wanted = np.asarray(mesh.polygon_groups) == list(mesh.group_names).index(name)
    return np.unique(np.concatenate([mesh.polygons[i] for i in np.flatnonzero(wanted)]))


# -- the demo creatures -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "limbs"),
    first_of(("lampeel", {"barbel_l", "barbel_r", "fin_l", "fin_r"}), ("snuffer", ARMS)),
)
def test_limbs_are_the_groups_of_the_file(name, limbs):
    mesh, found = demo(name)
    assert {proposal.name for proposal in found} == limbs
    for proposal in found:
        modelled = group(mesh, proposal.name)
        assert proposal.confidence == 1.0
        # nothing of the body, and all of the limb but what its root rounds into the body
        assert len(np.setdiff1d(proposal.vertices, modelled)) == 0
        assert len(proposal.vertices) >= 0.75 * len(modelled)
        assert proposal.tip in modelled


@pytest.mark.parametrize(
    ("name", "limb", "place", "length", "slack"),
    # places from the snout or the mouth and lengths as written in lampeel.py and snuffer.py
    [
        ("lampeel", "barbel_l", 1 - 4.6 / 158, 14.5, 0.03),
        ("lampeel", "fin_r", 1 - 31.5 / 158, 18.5, 0.03),
        ("snuffer", "arm_side_l", 7.6 / 58, 42.0, 0.05),
        ("snuffer", "arm_back_r", 7.6 / 58, 42.0, 0.05),
    ],
)
def test_proposals_say_where_and_how_long_as_modelled(name, limb, place, length, slack):
    mesh, found = demo(name)
    proposal = next(one for one in found if one.name == limb)
    assert proposal.at == pytest.approx(place, abs=slack)
    assert 0.75 * length < proposal.length < 1.02 * length
    # the guide runs from the base to the tip, inside the skin (winding number of libigl)
    steps = np.linalg.norm(np.diff(proposal.guide, axis=0), axis=1)
    assert steps.sum() == pytest.approx(proposal.length, rel=1e-9)
    end = mesh.positions[proposal.tip]
    assert np.linalg.norm(proposal.guide[-1] - end) < 0.1 * proposal.length
    some = proposal.guide[::3]
    inside = igl.winding_number(mesh.positions, mesh.triangles.astype(np.int64), some)
    assert np.mean(inside > 0.5) > 0.95


def test_the_base_is_near_where_a_limb_leaves_the_body():
    for name in ("lampeel", "snuffer"):
        mesh, found = demo(name)
        body = group(mesh, "body")
        for proposal in found:
            root = mesh.positions[np.intersect1d(body, group(mesh, proposal.name))].mean(axis=0)
            assert np.linalg.norm(proposal.guide[0] - root) < proposal.girth


def test_left_and_right_are_proposed_alike():
    for name in ("lampeel", "snuffer"):
        _, found = demo(name)
        by_name = {proposal.name: proposal for proposal in found}
        for left in [label for label in by_name if label.endswith("_l")]:
            one, other = by_name[left], by_name[left[:-1] + "r"]
            assert one.length == pytest.approx(other.length, rel=1e-6)
            assert one.girth == pytest.approx(other.girth, rel=1e-6)
            assert len(one.vertices) == len(other.vertices)


def test_the_grub_has_two_feelers_and_neither_its_face_nor_its_eyes_and_feet_are_limbs():
    mesh, found = demo("grub")
    assert len(found) == 2
    # grub.py: feelers on the head's back, to both sides of it
    tips = mesh.positions[[proposal.tip for proposal in found]]
    assert (tips[:, 1] > 13.0).all()
    assert tips[0, 0] * tips[1, 0] < 0.0


@pytest.mark.parametrize("name", ["coil", "tentacle"])
def test_a_body_without_limbs_has_no_proposals(name):
    assert demo(name)[1] == []


def test_the_snuffers_body_ends_at_the_hub_of_its_arms():
    mesh, _ = demo("snuffer")
    guide = find_guide(mesh)
    # snuffer.py: the midline lies in x = 0, from the mouth underneath to the tip of the hood
    assert np.abs(guide[:, 0]).max() < 0.02 * mesh.diagonal
    high, low = guide[np.argmax(guide[:, 1])], guide[np.argmin(guide[:, 1])]
    assert high[1] > 0.9 * mesh.positions[:, 1].max()
    assert np.hypot(low[0], low[2]) < 5.0
    assert low[1] < 8.0


# -- bodies about known bones -------------------------------------------------------------


def test_six_arms_are_the_bones_they_were_made_about():
    mesh, owner = six_arms()
    found = find_appendages(mesh, find_guide(mesh))
    assert len(found) == 6
    seen = set()
    for proposal in found:
        (bone,) = set(owner[proposal.vertices])
        seen.add(bone)
        assert len(proposal.vertices) > 0.8 * np.count_nonzero(owner == bone)
        # the bone is 11 cm and a half-ball long, of which the body hides 1 cm and its round
        assert 8.5 < proposal.length < 11.5
    assert seen == set(owner) - {"body"}


def body_distance(mesh, owner, points):
    skin = mesh.triangles[(owner[mesh.triangles] == "body").all(axis=1)].astype(np.int64)
    return np.sqrt(igl.point_mesh_squared_distance(points, mesh.positions, skin)[0])


def test_a_fin_that_lies_along_the_body_is_told_from_it():
    mesh, owner = flat_fin()
    (fin,) = find_appendages(mesh, find_guide(mesh))
    assert set(owner[fin.vertices]) == {"fin"}
    assert len(fin.vertices) > 0.85 * np.count_nonzero(owner == "fin")
    # closer to the body than it is thick, all along: libigl's distance to the body's skin
    apart = body_distance(mesh, owner, mesh.positions[fin.vertices])
    beyond = mesh.positions[fin.vertices, 2] < 25.0
    assert apart[beyond & (np.abs(mesh.positions[fin.vertices, 1]) < 0.2)].min() < 0.5
    # base at z = 26.4, tip at 13 (limbs.py); the root of the body is at z = 40
    assert abs(fin.guide[0, 2] - 26.4) < 1.0
    assert abs(fin.guide[-1, 2] - 12.8) < 1.0


def test_an_arm_with_an_arm_of_its_own_is_one_proposal_with_the_longer_tip():
    mesh, owner = branched()
    (arm,) = find_appendages(mesh, find_guide(mesh))
    assert set(owner[arm.vertices]) == {"arm", "twig"}
    assert mesh.positions[arm.tip, 0] > 24.0
    assert len(np.intersect1d(arm.vertices, np.flatnonzero(owner == "twig"))) == np.count_nonzero(
        owner == "twig"
    )


@pytest.mark.parametrize("step", first_of(0.5, 0.35))
def test_an_arm_on_an_arm_is_proposed_on_the_arm(step):
    mesh, owner = branched(step)
    layout = build_layout(mesh)
    (arm,) = find_appendages(mesh, layout.ribbon)
    rig = bind(mesh, layout.with_appendage(arm.appendage("arm")))
    carrier = rig.layout.appendage("arm")
    (twig,) = find_on_appendage(mesh, carrier, rig.limbs["arm"])
    assert twig.rides_on == "arm"
    assert twig.confidence == 1.0
    assert set(owner[twig.vertices]) == {"twig"}
    # the twig's bone stands at x = 14 and ends at y = 11, half a unit of radius before its tip
    where = carrier.layout.ribbon.midline(carrier.layout.ribbon.place_at(twig.at * arm.length))
    assert abs(where[0] - 14.0) < 1.0
    np.testing.assert_allclose(mesh.positions[twig.tip], [14.0, 11.5, 20.0], atol=2.0 * step)
    assert 0.75 * 10.2 < twig.length < 1.02 * 10.2
    bound = bind(mesh, rig.layout.with_appendage(twig.appendage("twig")))
    assert set(owner[bound.limbs["twig"].vertices]) == {"twig"}
    assert bound.layout.appendage("twig").rides_on == "arm"


@pytest.mark.parametrize("name", first_of("lampeel", "snuffer", "grub"))
def test_nothing_is_proposed_on_limbs_that_carry_none(name):
    mesh, found = demo(name)
    layout = build_layout(mesh)
    for proposal in found:
        layout = layout.with_appendage(proposal.appendage())
    limbs = bind(mesh, layout).limbs
    assert len(limbs) == len(found)
    for one in layout.appendages:
        assert find_on_appendage(mesh, one, limbs[one.name], least=0.0) == []


@pytest.mark.parametrize("seed", first_of(1, 2))
def test_proposals_go_with_the_scene_and_its_units(seed):
    mesh, _ = six_arms(0.5)
    rng = np.random.default_rng(seed)
    turn, shift = Rotation.random(random_state=seed).as_matrix(), rng.normal(0, 50, 3)
    scale = float(10.0 ** rng.uniform(-2, 2))
    moved = mesh.with_positions(scale * (mesh.positions @ turn.T + shift))
    guide = find_guide(mesh)
    here = find_appendages(mesh, guide)
    there = find_appendages(moved, scale * (guide @ turn.T + shift))
    assert len(here) == len(there) == 6
    for one in here:
        other = next(two for two in there if one.tip in two.vertices)
        np.testing.assert_allclose(other.length, scale * one.length, rtol=1e-3)
        assert len(np.setxor1d(one.vertices, other.vertices)) <= 0.02 * len(one.vertices)


def test_a_pocket_is_no_limb():
    # flat places, as on a limb of the same size, but pushed in
    body = Bone((0, 0, 0), (0, 0, 40), 3.0)
    outwards = Bone((0, 0, 20), (7, 0, 20), 0.9, name="knob")
    inwards = Bone((4, 0, 20), (-1, 0, 20), 0.9)
    with_knob, _ = skin_of([body, outwards])
    with_pocket, _ = skin_of([body], carved=[inwards])
    guide = np.c_[np.zeros((60, 2)), np.linspace(-2.8, 42.8, 60)]
    assert len(find_appendages(with_knob, guide)) == 1
    assert find_appendages(with_pocket, guide, least=0.0) == []


# -- open meshes --------------------------------------------------------------------------


def opened(mesh, lost):
    """A mesh without the polygons that touch certain vertices; numbers of vertices stay."""
    gone = np.zeros(len(mesh.positions), dtype=bool)
    gone[lost] = True
    kept = [polygon for polygon in mesh.polygons if not gone[polygon].any()]
    return CreatureMesh.from_arrays(mesh.positions, [list(p) for p in kept], "open")


@pytest.mark.slow
def test_an_open_mesh_has_the_limbs_it_had_closed():
    mesh, found = demo("lampeel")
    # open at the tail, at an eye, and at the tip of one fin
    z, tip = mesh.positions[:, 2], mesh.positions[group(mesh, "fin_l")]
    far = np.flatnonzero(z < z.min() + 1.0)
    eye = np.argsort(np.linalg.norm(mesh.positions - [6.5, 70.0, 44.0], axis=1))[:60]
    cut = group(mesh, "fin_l")[tip[:, 0] > tip[:, 0].max() - 1.5]
    lost = np.concatenate([far, eye, cut])
    cut_open = opened(mesh, lost)
    assert not cut_open.is_closed
    again = find_appendages(cut_open, find_guide(cut_open))
    assert len(again) == 4
    for proposal in again:
        same = max(found, key=lambda one: len(np.intersect1d(one.vertices, proposal.vertices)))
        shared = np.intersect1d(same.vertices, proposal.vertices)
        assert len(shared) > 0.85 * len(np.setdiff1d(same.vertices, lost))
        assert set(proposal.vertices) <= set(group(mesh, same.name))


@pytest.mark.slow
def test_nothing_but_feelers_is_proposed_on_the_ant():
    # pyvista's ant: fifteen coarse pieces, of which the two of 66 vertices are its feelers
    data = pyvista.read(examples.antfile)
    faces = data.faces.reshape(-1, 4)[:, 1:]
    mesh = CreatureMesh.from_arrays(data.points.astype(float), faces.tolist(), "ant")
    assert len(np.unique(mesh.components)) == 15
    sizes = np.bincount(mesh.components)
    for proposal in find_appendages(mesh, find_guide(mesh)):
        (piece,) = np.unique(mesh.components[proposal.vertices])
        assert sizes[piece] == 66
        assert len(proposal.vertices) > 0.8 * 66


# -- by hand ------------------------------------------------------------------------------


def test_a_limb_is_proposed_by_any_of_its_vertices():
    mesh, found = demo("lampeel")
    guide = find_guide(mesh)
    barbel = next(one for one in found if one.name == "barbel_l")
    for vertex in (barbel.tip, int(barbel.vertices[len(barbel.vertices) // 2])):
        got = propose_appendage(mesh, guide, vertex)
        assert got.name == "barbel_l"
        np.testing.assert_array_equal(got.vertices, barbel.vertices)


@pytest.mark.parametrize(
    ("vertex", "words"),
    [(0, "not on an appendage: choose one that stands out"), (9999, "is not in tube: give 0 to")],
)
def test_a_vertex_that_is_on_no_limb_is_refused(vertex, words):
    mesh = tube(straight(), 1.0, round_ends=3)
    with pytest.raises(RibbonsimError, match=words):
        propose_appendage(mesh, straight(), vertex)


def test_an_accepted_proposal_is_an_appendage_at_its_place():
    _, found = demo("snuffer")
    for proposal in found:
        made = proposal.appendage("hand", stations=7, controls=4, blend=1.5)
        assert (made.name, made.blend, made.at) == ("hand", 1.5, proposal.at)
        assert len(made.layout.stations) == 7
        assert len(made.layout.controls) == 4
        assert made.layout.ribbon.length == pytest.approx(proposal.length, rel=0.02)
        start = np.asarray(made.layout.ribbon.midline(0.0))
        assert np.linalg.norm(start - proposal.guide[0]) < 0.1 * proposal.girth


def test_limbs_without_groups_are_named_by_shape_side_and_number():
    """Left is at the left hand of one who looks from root to tip: up cross ahead, by right hand."""
    mesh, _ = six_arms()
    guide = find_guide(mesh)
    ahead = guide[-1] - guide[0]
    found = find_appendages(mesh, guide)
    assert {one.name for one in found} == {f"limb{k}_{side}" for k in (1, 2, 3) for side in "lr"}
    for one in found:
        left = np.cross([0.0, 1.0, 0.0], ahead) @ (mesh.positions[one.tip] - guide[0])
        assert one.name.endswith("_l" if left > 0 else "_r")
    at = {one.name: one.at for one in found}
    assert at["limb1_l"] < at["limb2_l"] < at["limb3_l"]
    # with another axis up what is at the left is up: then neither is at a side
    assert not [one.name for one in find_appendages(mesh, guide, up="x") if "_" in one.name]
