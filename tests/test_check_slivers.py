"""Slivers, as surfaces that were cut out of a grid have them, are measured with their neighbours.

The surface is cut out by VTK's contour filter (flying edges, W. Schroeder, R. Maynard and
B. Geveci, "Flying edges", IEEE LDAV 2015), and held against the closed form of a bent tube.
"""

from functools import cache

import numpy as np
import pytest
import pyvista

from ribbonsim import CreatureMesh, Layout, Ribbon, bind
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.triangles import TriangleGauge

LENGTH, RADIUS, CELL = 10.0, 0.8, 0.13
# not along the grid, so that its cells are cut at all depths
AXIS = np.array([0.86, 0.31, 0.405])
AXIS /= np.linalg.norm(AXIS)


@cache
def cut_out():
    """A capsule as a grid's level surface, and its gauge."""
    low, high = -1.2 * np.ones(3), LENGTH * AXIS + 1.2
    size = np.ceil((high - low) / CELL).astype(int) + 1
    grid = pyvista.ImageData(dimensions=size, spacing=[CELL] * 3, origin=low)
    points = np.asarray(grid.points)
    near = np.clip(points @ AXIS, 0.0, LENGTH)
    away = np.linalg.norm(points - np.outer(near, AXIS), axis=1)
    surface = grid.contour([0.0], RADIUS - away)
    faces = surface.faces.reshape(-1, 4)[:, 1:].astype(np.int64)
    mesh = CreatureMesh.from_arrays(np.asarray(surface.points, dtype=float), faces, "cut out")
    ribbon = Ribbon.along([-RADIUS * AXIS, (LENGTH + RADIUS) * AXIS], 0.5, 16)
    return Gauge(bind(mesh, Layout.from_ribbon(ribbon, 33, 9)))


def areas_and_usual(mesh):
    corners = mesh.positions[mesh.triangles]
    areas = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    return areas, np.median(areas)


def test_the_surface_has_slivers():
    areas, usual = areas_and_usual(cut_out().rig.mesh)
    assert np.count_nonzero(areas < 0.01 * usual) > 20


@pytest.mark.parametrize("degrees", [60.0, 90.0])
def test_a_bent_surface_stretches_as_a_bent_tube_does(degrees):
    # on the outside 1 + r k, on the inside 1 - r k, with the curvature k of the even bend
    bend = RADIUS * np.radians(degrees) / (LENGTH + 2.0 * RADIUS)
    measured_is("c_bend", degrees, 1.0 + bend, 1.0 - bend)


def test_a_twisted_surface_stretches_as_a_twisted_tube_does():
    # simple shear g = r theta / l: principal stretches sqrt(1 + g^2/4) +- g/2, as in
    # R. W. Ogden, Non-Linear Elastic Deformations, 1984, 2.2 (from memory)
    shear = RADIUS * np.radians(180.0) / (LENGTH + 2.0 * RADIUS)
    high = np.sqrt(1.0 + 0.25 * shear**2) + 0.5 * shear
    measured_is("twist", 180.0, high, 1.0 / high)


def measured_is(name, amount, high, low):
    gauge = cut_out()
    rig = gauge.rig
    pose = rig.pose_for(name, amount)
    found = gauge.measure(rig.deform(pose), rig.posed(pose).ribbons["body"])
    # triangles that are hardly no slivers are off by as much; slivers alone would be by 1.1
    assert found.stretch[:, 0].max() == pytest.approx(high, abs=0.2)
    assert found.stretch[:, 1].min() == pytest.approx(low, abs=0.2)
    assert not found.folded.any()


def test_a_sliver_pushed_over_is_no_fold_and_a_patch_pushed_over_is():
    mesh = cut_out().rig.mesh
    positions, triangles = np.asarray(mesh.positions), mesh.triangles
    gauge = TriangleGauge(positions, triangles)
    areas, usual = areas_and_usual(mesh)
    sliver = int(np.argmin(areas))
    pushed = positions.copy()
    a, b = triangles[sliver, :2]
    pushed[[a, b]] = positions[[b, a]]  # the two ends of an edge too short to be seen change place
    edge = np.linalg.norm(positions[a] - positions[b])
    assert edge < 0.2 * np.sqrt(usual)
    assert not gauge.sweep(pushed).folded[sliver]
    # mirrored, the skin that is square to the mirror faces the other way, slivers too
    mirrored = gauge.sweep(positions - 2.0 * np.outer(positions @ AXIS, AXIS)).folded
    waist = np.abs(positions[triangles].mean(axis=1) @ AXIS - 0.5 * LENGTH) < 3.0
    assert mirrored[waist].all()
    off = np.array([AXIS[1], -AXIS[0], 0.0]) / np.hypot(*AXIS[:2])
    mirrored = gauge.sweep(positions - 2.0 * np.outer(positions @ off, off)).folded
    side = waist & (np.abs(positions[triangles].mean(axis=1) @ off) > 0.85 * RADIUS)
    assert np.count_nonzero(side & (areas < 0.01 * usual)) > 3
    assert not mirrored[side].any()


def test_nothing_changes_where_no_triangle_is_a_sliver():
    grid = pyvista.Sphere(theta_resolution=24, phi_resolution=24, start_phi=30, end_phi=150)
    faces = grid.faces.reshape(-1, 4)[:, 1:].astype(np.int64)
    points = np.asarray(grid.points, dtype=float)
    rng = np.random.default_rng(3)
    posed = points + 0.01 * rng.normal(size=points.shape)
    found = TriangleGauge(points, faces).sweep(posed)
    # each triangle by itself: singular values of the map from rest to posed edges
    for k in range(0, len(faces), 37):
        a, b, c = points[faces[k]]
        frame, _ = np.linalg.qr(np.stack([b - a, c - a], axis=1))
        rest = frame.T @ np.stack([b - a, c - a], axis=1)
        a, b, c = posed[faces[k]]
        values = np.linalg.svd(np.stack([b - a, c - a], axis=1) @ np.linalg.inv(rest))[1]
        np.testing.assert_allclose(found.stretch[k], values, rtol=1e-9)
