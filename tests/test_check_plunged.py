"""Pieces that are plunged into each other: their seam slides in a pose, and is no contact."""

from functools import cache

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation
from tubes import bound_along_x, straight, swept

from ribbonsim import CreatureMesh, Layout, Ribbon, bind
from ribbonsim.bendcheck.contacts import crossing_pairs
from ribbonsim.bendcheck.measures import Gauge

POSES = {"c_bend": 90.0, "s_bend": 70.0, "twist": 120.0, "corkscrew": 0.7, "rear_up": 60.0}


# -- two balls, whose seam is known ------------------------------------------------------------


def seam_angle(apart):
    """Where two unit spheres cut each other, seen from the middle of one, radians.

    The circle of intersection lies half way between the centres (E. W. Weisstein,
    "Sphere-Sphere Intersection", MathWorld; from memory).
    """
    return np.arccos(0.5 * apart)


@cache
def plunged_balls():
    ball = trimesh.creation.icosphere(subdivisions=4)
    turned = Rotation.from_euler("xyz", [0.3, 0.5, 0.7]).apply(ball.vertices)
    positions = np.vstack([ball.vertices, 0.999 * turned + np.array([1.8, 0.0, 0.0])])
    faces = np.vstack([ball.faces, ball.faces + len(ball.vertices)])
    mesh = CreatureMesh.from_arrays(positions, faces, "balls")
    ribbon = Ribbon.along([[-1, 0, 0], [2.8, 0, 0]], 0.5, 4)
    return Gauge(bound_along_x(mesh, Layout.from_ribbon(ribbon, 5, 2))), len(ball.vertices)


@pytest.mark.parametrize("apart", [1.85, 1.75, 1.7, 1.1, 0.6])
def test_the_seam_of_two_balls_slides_and_then_they_meet(apart):
    gauge, first = plunged_balls()
    positions, triangles = gauge.rig.mesh.positions.copy(), gauge.rig.mesh.triangles
    assert gauge.rest_contacts > 50
    positions[first:, 0] += apart - 1.8
    crossing = crossing_pairs(positions, triangles)
    assert len(crossing) > 50
    slid = abs(seam_angle(apart) - seam_angle(1.8))
    # both spheres have the seam, and it slides over both alike
    found = gauge.contacts(positions)
    if slid < 0.15:
        assert len(found) == 0
    else:
        assert slid > 0.45
        # hardly a triangle is crossed both before and after
        assert len(found) > 0.9 * len(crossing)
    assert gauge.meets(positions) == bool(len(found))


def test_a_third_ball_at_the_same_place_is_a_contact():
    # as near to the seam as can be, but of pieces that are apart at rest
    gauge, _ = plunged_balls()
    mesh = gauge.rig.mesh
    small = trimesh.creation.icosphere(subdivisions=3, radius=0.2)
    beside = small.vertices + np.array([0.9, 1.2, 0.0])
    positions = np.vstack([mesh.positions, beside])
    faces = np.vstack([mesh.triangles, small.faces + len(mesh.positions)])
    whole = CreatureMesh.from_arrays(positions, faces, "three balls")
    three = Gauge(bound_along_x(whole, gauge.rig.layout))
    assert three.rest_contacts == gauge.rest_contacts
    moved = positions.copy()
    moved[len(mesh.positions) :, 1] -= 0.75
    found = three.contacts(moved)
    own = len(mesh.triangles)
    assert len(found) > 10
    assert (found[:, 0] < own).all()
    assert (found[:, 1] >= own).all()


# -- a body with legs --------------------------------------------------------------------------


@cache
def legged():
    """A body and eight legs plunged into it, as pieces and united to one skin."""
    points, faces = swept(straight(10.0, 161), 0.6, 32, 6)
    body = trimesh.Trimesh(points, trimesh.geometry.triangulate_quads(faces), process=True)
    parts = [body]
    for x in (2.0, 4.0, 6.0, 8.0):
        for side in (-1.0, 1.0):
            line = np.array([[x, 0.0, 0.0], [x, 1.4 * side, -1.0]])
            points, faces = swept(np.linspace(*line, 24), 0.18, 16, 3)
            parts.append(
                trimesh.Trimesh(points, trimesh.geometry.triangulate_quads(faces), process=True)
            )
    for part in parts:
        if part.volume < 0:
            part.invert()
    pieces = trimesh.util.concatenate(parts)
    return pieces, trimesh.boolean.union(parts, engine="manifold")


def rig_of(surface, name):
    mesh = CreatureMesh.from_arrays(surface.vertices, surface.faces, name)
    ribbon = Ribbon.along([[-0.6, 0, 0], [10.6, 0, 0]], 0.4, 16)
    return bind(mesh, Layout.from_ribbon(ribbon, 17, 5))


@pytest.mark.parametrize("pose", POSES)
def test_legs_stuck_into_a_body_touch_it_no_more_than_legs_grown_from_it(pose):
    # the same creature as one skin, united by manifold3d (E. Lalish), which has no seams to slide
    pieces, united = legged()
    found = {}
    for name, surface in (("pieces", pieces), ("united", united)):
        rig = rig_of(surface, name)
        gauge = Gauge(rig)
        posed = rig.deform(rig.pose_for(pose, POSES[pose]))
        found[name] = len(gauge.contacts(posed))
        if name == "pieces":
            # it is not that nothing moved
            known = {tuple(pair) for pair in crossing_pairs(rig.mesh.positions, surface.faces)}
            now = {tuple(pair) for pair in crossing_pairs(posed, surface.faces)}
            assert now - known
    assert found == {"pieces": 0, "united": 0}


def test_a_leg_laid_into_the_body_is_a_contact():
    pieces, _ = legged()
    rig = rig_of(pieces, "pieces")
    gauge = Gauge(rig)
    positions = rig.mesh.positions.copy()
    of_leg = rig.mesh.components == rig.mesh.components[-1]
    root = positions[of_leg][np.argmin(np.linalg.norm(positions[of_leg][:, 1:], axis=1))]
    turn = Rotation.from_euler("x", 8.0, degrees=True)
    positions[of_leg] = root + turn.apply(positions[of_leg] - root)
    assert len(gauge.contacts(positions)) == 0  # swung a little about its root
    turn = Rotation.from_euler("z", 85.0, degrees=True)
    positions[of_leg] = root + turn.apply(rig.mesh.positions[of_leg] - root)
    found = gauge.contacts(positions)
    assert len(found) > 10
    # all of it farther from the root than the leg was thick
    where = positions[rig.mesh.triangles[found]].mean(axis=(1, 2))
    assert np.linalg.norm(where - root, axis=1).min() > 0.18
