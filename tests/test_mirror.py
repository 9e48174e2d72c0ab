"""Left and right of creatures with limbs: pairs, mirrored layouts and mirrored poses.

The oracle is the mesh itself: the demo creatures are exact mirror images about x = 0
(``meshes/README.md``), so a mirrored pose has to give the mirror image vertex by vertex.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from demos import demo_mesh
from hypothesis import given, settings
from hypothesis import strategies as st
from limbs import Bone, skin_of

from ribbonsim import (
    Appendage,
    ControlPose,
    Layout,
    Pose,
    Ribbon,
    RibbonsimError,
    bind,
    find_appendages,
    find_plane,
    mirror_layout,
    pair_appendages,
)
from ribbonsim.bendcheck.symmetry import pose_asymmetry, weight_asymmetry
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.rig.mirror import mirror_control, mirror_pose, opposite_joints

METHODS = ("linear", "dual_quaternion")


@cache
def lampeel():
    mesh = demo_mesh("lampeel")
    return mesh, find_plane(mesh)


@cache
def one_sided():
    """The lampeel with ribbons on the limbs of its left side alone."""
    mesh, _ = lampeel()
    layout = build_layout(mesh)
    for proposal in find_appendages(mesh, layout.ribbon):
        if proposal.name.endswith("_l"):
            layout = layout.with_appendage(proposal.appendage(stations=7, controls=4))
    return layout


@cache
def mirrored():
    mesh, plane = lampeel()
    layout, _ = mirror_layout(one_sided(), plane)
    return bind(mesh, layout)


def image(points):
    return np.asarray(points) * [-1.0, 1.0, 1.0]


# -- layouts --------------------------------------------------------------------------------


def test_limbs_of_one_side_are_given_to_the_other_by_place():
    _, plane = lampeel()
    layout, report = mirror_layout(one_sided(), plane)
    assert set(report.made) == {"fin_r", "barbel_r"}
    assert {frozenset(pair) for pair in report.pairs} == {
        frozenset({"fin_l", "fin_r"}),
        frozenset({"barbel_l", "barbel_r"}),
    }
    assert report.unmatched == report.middle == ()
    assert report.loose_vertices == 0
    t = np.linspace(0, 1, 21)
    for left in ("fin_l", "barbel_l"):
        one, other = layout.appendage(left), layout.appendage(left[:-1] + "r")
        assert (one.at, one.blend, one.rides_on) == (other.at, other.blend, other.rides_on)
        assert (one.partner, other.partner) == (other.name, one.name)
        mine, its = one.layout, other.layout
        np.testing.assert_allclose(its.ribbon.midline(t), image(mine.ribbon.midline(t)), atol=1e-9)
        # the left edge of one is the right edge of the other
        np.testing.assert_allclose(
            its.ribbon.evaluate(1.0, t), image(mine.ribbon.evaluate(0.0, t)), atol=1e-9
        )
        np.testing.assert_array_equal(mine.stations, its.stations)
        assert mine.controls == its.controls


def test_mirrored_limbs_have_the_opposite_vertices_and_weights():
    rig, (_, plane) = mirrored(), lampeel()
    for left in ("fin_l", "barbel_l"):
        one, other = rig.limbs[left], rig.limbs[left[:-1] + "r"]
        assert set(plane.pairs[one.vertices]) == set(other.vertices)
    assert weight_asymmetry(rig, plane).max() < 1e-5
    columns = opposite_joints(rig.layout)
    np.testing.assert_array_equal(columns[columns], np.arange(len(columns)))
    names = np.array(rig.joint_names)
    swapped = [
        name.replace("_l.", "_R.").replace("_r.", "_l.").replace("_R.", "_r.") for name in names
    ]
    assert names[columns].tolist() == swapped


def test_a_partner_that_is_there_takes_over_the_models_ribbon():
    mesh, plane = lampeel()
    layout = build_layout(mesh)
    for proposal in find_appendages(mesh, layout.ribbon):
        layout = layout.with_appendage(proposal.appendage())
    fin = layout.appendage("fin_l")
    finer = replace(fin, layout=fin.layout.with_stations(13), blend=3.0)
    done, report = mirror_layout(layout.with_appendage(finer), plane, ["fin_l"])
    assert report.made == ("fin_r",)
    assert len(done.appendages) == 4
    assert len(done.appendage("fin_r").layout.stations) == 13
    assert done.appendage("fin_r").blend == 3.0


def test_what_has_nothing_opposite_is_reported():
    _, plane = lampeel()
    layout, report = pair_appendages(one_sided(), plane)
    assert set(report.unmatched) == {"fin_l", "barbel_l"}
    assert report.pairs == ()
    assert [one.partner for one in layout.appendages] == [None, None]
    with pytest.raises(RibbonsimError, match="no appendage is called 'tail'"):
        mirror_layout(one_sided(), plane, ["tail"])
    # a plane given by hand, and a mesh that it does not match all over
    torn = replace(plane, pairs=np.where(np.arange(len(plane.pairs)) == 3, 4, plane.pairs))
    assert pair_appendages(one_sided(), torn)[1].loose_vertices > 0


@cache
def horned():
    """A body with a horn in the plane of symmetry and an arm with a twig to each side."""
    bones = [
        Bone((0, 0, 0), (0, 0, 40), 3.0, 2.2),
        Bone((0, 2, 30), (0, 13, 32), 0.9, 0.5, name="horn"),
    ]
    for side, x in (("l", 1.0), ("r", -1.0)):
        arm = Bone((2 * x, 0, 18), (22 * x, 0, 18), 1.3, 1.1, name=f"arm_{side}")
        twig = Bone((13 * x, 0.5, 18), (13 * x, 11, 18), 0.7, 0.5, name=f"twig_{side}")
        bones += [arm, twig]
    mesh, owner = skin_of(bones, 0.4)
    layout = build_layout(mesh)
    for proposal in find_appendages(mesh, layout.ribbon):
        names, counts = np.unique(owner[proposal.vertices], return_counts=True)
        name = names[np.argmax(counts)]
        if name != "arm_r":
            layout = layout.with_appendage(proposal.appendage(str(name)))
    ribbon = Ribbon.along([[13, 1.6, 18], [13, 5, 18], [13, 8, 18], [13, 11, 18]], 0.7, 4)
    arm = layout.appendage("arm_l").layout.ribbon
    at = float((13 - arm.midline(0.0)[0]) / arm.length)
    twig = Appendage("twig_l", Layout.from_ribbon(ribbon, 5, 2), at, rides_on="arm_l", blend=1.0)
    return mesh, layout.with_appendage(twig)


@pytest.mark.slow
def test_a_limb_in_the_plane_is_its_own_and_a_limb_on_a_limb_goes_along():
    mesh, layout = horned()
    plane = find_plane(mesh)
    done, report = mirror_layout(layout, plane)
    assert report.middle == ("horn",)
    assert set(report.made) == {"arm_r", "twig_r"}
    assert done.appendage("twig_r").rides_on == "arm_r"
    assert done.appendage("arm_r").rides_on == "body"
    rig = bind(mesh, done)
    assert rig.joint_names[rig.joint_parents[rig.joints_of["twig_r"].start]].startswith("arm_r.")
    pose = Pose({"arm_l.control1": {"bend": 30}, "twig_l.control1": {"bend": 40}})
    assert set(mirror_pose(done, plane, pose).controls) == {"arm_r.control1", "twig_r.control1"}


def test_new_names_say_the_side():
    _, plane = lampeel()
    for name, expected in (
        ("fin_l", "fin_r"),
        ("fin_R", "fin_L"),
        ("left fin", "right fin"),
        ("wing", "wing_across"),
    ):
        layout = one_sided().with_appendage_renamed("fin_l", name)
        done, _ = mirror_layout(layout, plane, [name])
        assert done.appendage(name).partner == expected


# -- poses ----------------------------------------------------------------------------------

values = st.floats(-50, 50)
controls = st.builds(
    ControlPose,
    bend=values,
    sway=values,
    twist=st.floats(-120, 120),
    shift=st.tuples(*[st.floats(-2, 2)] * 3),
    stretch=st.floats(0.8, 1.25),
    girth=st.floats(0.8, 1.25),
)
COUNT = 5 + 4 * 4


@settings(max_examples=8, deadline=None)
@given(st.lists(controls, min_size=COUNT, max_size=COUNT), st.sampled_from(METHODS))
def test_any_mirrored_pose_is_the_mirror_image_of_the_posed_mesh(chosen, method):
    rig, (mesh, plane) = mirrored(), lampeel()
    pose = Pose(dict(zip(rig.layout.all_control_names, chosen, strict=True)), keep_volume=0.4)
    other = mirror_pose(rig.layout, plane, pose)
    got = rig.deform(other, method)
    expected = image(rig.deform(pose, method)[plane.pairs])
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-6 * mesh.diagonal)
    assert pose_asymmetry(rig, plane, pose, method) < 1e-6
    back = mirror_pose(rig.layout, plane, other)
    assert set(back.controls) == set(pose.controls)
    assert all(back[name] == pose[name] for name in pose.controls)


@pytest.mark.parametrize("way", ["bend", "sway", "twist"])
def test_one_slider_moves_both_sides_alike_or_opposite(way):
    rig, (mesh, plane) = mirrored(), lampeel()
    value = ControlPose(**{way: 35.0})
    name, alike = mirror_control(rig.layout, plane, "fin_l.control2", value)
    _, against = mirror_control(rig.layout, plane, "fin_l.control2", value, opposite=True)
    assert name == "fin_r.control2"
    both = rig.deform(Pose({"fin_l.control2": value, name: alike}))
    np.testing.assert_allclose(both, image(both[plane.pairs]), rtol=0, atol=1e-7 * mesh.diagonal)
    assert getattr(against, way) == -getattr(alike, way)
    apart = rig.deform(Pose({"fin_l.control2": value, name: against}))
    assert np.linalg.norm(apart - image(apart[plane.pairs]), axis=1).max() > 1.0


def test_opposite_undoes_factors_and_shifts():
    rig, (_, plane) = mirrored(), lampeel()
    value = ControlPose(shift=(1.0, 2.0, 3.0), stretch=1.25, girth=0.8)
    _, alike = mirror_control(rig.layout, plane, "barbel_r.control1", value)
    _, against = mirror_control(rig.layout, plane, "barbel_r.control1", value, opposite=True)
    assert alike.stretch == 1.25
    assert against.stretch == 0.8
    assert against.girth == 1.25
    np.testing.assert_allclose(np.add(alike.shift, against.shift), 0.0)


def test_controls_that_stand_elsewhere_are_met_by_place():
    _, plane = lampeel()
    layout = mirrored().layout
    fin = layout.appendage("fin_r")
    moved = fin.layout.with_control("control2", station=2).with_added(4, "elbow")
    uneven = layout.with_appendage(replace(fin, layout=moved))
    name, _ = mirror_control(uneven, plane, "fin_l.control3", ControlPose(bend=10))
    stands = {c.name: c.station for c in layout.appendage("fin_l").layout.controls}
    there = {c.name: c.station for c in moved.controls}
    here = stands["control3"]
    nearest = min(there, key=lambda label: abs(there[label] - here))
    assert name == f"fin_r.{nearest}"
    with pytest.raises(RibbonsimError, match=r"no control is called 'fin_l\.control9'"):
        mirror_control(uneven, plane, "fin_l.control9", ControlPose())
