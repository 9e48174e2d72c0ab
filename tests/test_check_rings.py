"""Rings, tears and symmetry of the bend check: closed forms, and faults that nearly are none."""

from dataclasses import replace

import numpy as np
import pytest
from cases import first_of
from tubes import arc, helix, straight, tube

import ribbonsim as rs
from ribbonsim import CreatureMesh, Layout, Pose, Ribbon, bind
from ribbonsim.bendcheck.cases import Wish, measure_case
from ribbonsim.bendcheck.look import findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.rings import RingGauge
from ribbonsim.layout.limits import Limits

LENGTH, RADIUS, AROUND = 10.0, 0.6, 24


@pytest.fixture(scope="module")
def pipe():
    mesh = tube(straight(LENGTH, 81), RADIUS, AROUND, round_ends=4)
    layout = Layout.from_ribbon(Ribbon.along(straight(LENGTH), 0.4, 16), 17, 5)
    rig = bind(mesh, layout)
    return rig, Gauge(rig)


def kinds_of(pipe, positions, limits=None):
    rig, gauge = pipe
    case = measure_case(rig, gauge, Wish("rest", pose=Pose()), "linear", contacts=False)
    measures = gauge.measure(positions, rig.layout.ribbon, case.joints)
    found = findings_of(
        replace(case, positions=positions, measures=measures), limits or rig.layout.limits
    )
    return {finding.kind: finding for finding in found}


def test_ring_area_is_that_of_the_regular_polygon():
    # an n-gon in a circle of radius r encloses n/2 r^2 sin(2 pi / n)
    mesh = tube(straight(LENGTH, 41), RADIUS, AROUND)
    layout = Layout.from_ribbon(Ribbon.along(straight(LENGTH), 0.4, 16), 17, 5).body
    gauge = RingGauge(layout, mesh.positions, mesh.triangles, mesh.positions[:, 0])
    expected = 0.5 * AROUND * RADIUS**2 * np.sin(2 * np.pi / AROUND)
    # the triangles' diagonals are chords of the same plane sides
    np.testing.assert_allclose(gauge.rest_areas[1:-1], expected, rtol=1e-12)
    np.testing.assert_allclose(gauge.radii, np.sqrt(expected / np.pi), rtol=1e-6)


@pytest.mark.parametrize("factor", [0.7, 1.3])
def test_girth_is_the_rings_own_though_the_skin_leaves_the_ribbon(pipe, factor):
    """A section scaled by g about its own centre and moved aside has girth g, wherever it is."""
    rig, gauge = pipe
    moved = rig.mesh.positions * [1.0, factor, factor] + [0.0, 2.5 * RADIUS, 0.0]
    found = gauge.measure(moved, rig.layout.ribbon)
    np.testing.assert_allclose(found.girth, factor, rtol=1e-9)
    # 2.5 radii of the circle, counted in those of the polygon's area
    radius = np.sqrt(0.5 * AROUND * np.sin(2 * np.pi / AROUND) / np.pi)
    np.testing.assert_allclose(found.off[1:-1], 2.5 / radius, rtol=2e-3)


@pytest.mark.parametrize("shear", [0.3, 0.9])
def test_skin_that_leans_along_the_ribbon_is_neither_thin_nor_off_it(pipe, shear):
    """A shear along keeps each ring's shape seen along the ribbon: its area only grows, by
    the root of 1 + shear^2, and its centre stays."""
    rig, gauge = pipe
    leaning = rig.mesh.positions.copy()
    leaning[:, 0] += shear * leaning[:, 1]
    found = gauge.measure(leaning, rig.layout.ribbon)
    np.testing.assert_allclose(found.girth, (1.0 + shear**2) ** 0.25, rtol=1e-9)
    np.testing.assert_allclose(found.off, 0.0, atol=1e-9)


@pytest.mark.parametrize(("radii", "is_off"), [(0.3, False), (0.42, True)])
def test_a_bulge_to_one_side_is_off_the_ribbon_and_no_bulge(pipe, radii, is_off):
    rig, _ = pipe
    there = np.exp(-0.5 * ((rig.mesh.positions[:, 0] - 6.0) / 1.5) ** 2)
    moved = rig.mesh.positions + radii * RADIUS * there[:, None] * [0.0, 0.0, 1.0]
    found = kinds_of((pipe), moved)
    assert set(found) == ({"off"} if is_off else set())
    if is_off:
        assert found["off"].value == pytest.approx(radii, abs=0.02)
        assert found["off"].place.station == 1 + round(6.0 / LENGTH * 16)
        assert "radii off" in found["off"].sentence


@pytest.mark.parametrize(("factor", "pinches"), [(0.88, False), (0.8, True)])
def test_a_waist_is_a_pinch(pipe, factor, pinches):
    rig, _ = pipe
    there = np.abs(rig.mesh.positions[:, 0] - 5.0) < 0.55
    narrow = rig.mesh.positions.copy()
    narrow[there, 1:] *= factor
    assert set(kinds_of(pipe, narrow)) == ({"pinch"} if pinches else set())


# -- tears -------------------------------------------------------------------------------------


def split_tube():
    """A tube whose vertices at x = 5 stand twice, as a seam splits them."""
    whole = tube(straight(LENGTH, 81), RADIUS, AROUND)
    line = np.flatnonzero(np.isclose(whole.positions[:, 0], 5.0))
    copies = np.arange(len(line)) + len(whole.positions)
    beyond = whole.positions[whole.triangles].mean(axis=1)[:, 0] > 5.0
    faces = whole.triangles.copy()
    swap = np.arange(len(whole.positions))
    swap[line] = copies
    faces[beyond] = swap[faces[beyond]]
    positions = np.vstack([whole.positions, whole.positions[line]])
    return CreatureMesh.from_arrays(positions, faces, "split"), copies


def test_a_seam_that_opens_is_a_tear_as_wide_as_it_gapes():
    mesh, copies = split_tube()
    layout = Layout.from_ribbon(Ribbon.along(straight(LENGTH), 0.4, 16), 17, 5)
    whole = bind(tube(straight(LENGTH, 81), RADIUS, AROUND), layout)
    source = np.r_[np.arange(len(whole.mesh.positions)), np.zeros(len(copies), int)]
    line = np.flatnonzero(np.isclose(whole.mesh.positions[:, 0], 5.0))
    source[copies] = line
    rig = rs.Rig(
        mesh, layout, whole.places[source], whole.surface_weights, whole.mesh_weights[source]
    )
    gauge = Gauge(rig)
    assert set(gauge.seams.vertices) | set(line) == set(copies) | set(line)
    for gap, tears in ((0.0, False), (0.0009, False), (0.002, True)):
        opened = mesh.positions.copy()
        opened[copies[3], 2] += gap * LENGTH
        found = kinds_of((rig, gauge), opened)
        assert gauge.measure(opened, layout.ribbon).tear == pytest.approx(gap, abs=1e-12)
        assert set(found) == ({"tear"} if tears else set())
        if tears:
            assert set(found["tear"].vertices) == {copies[3], line[3]}
            assert found["tear"].place.station == 9


# -- left and right ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "in_plane"), first_of((arc(120, LENGTH), True), (helix(1.0, 3.0, 4.0), False))
)
def test_left_and_right_count_only_where_the_ribbon_lies_in_the_plane(line, in_plane):
    """An arc lies in a plane of symmetry of its tube; the ribbon of a helix lies in none."""
    mesh = tube(line, 0.5, 16)
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(line, 0.4, 16), 17, 5))
    report = rs.check(
        rig, ["stretch"], limits=Limits(asymmetry=0.0), contacts=False, remedies=False
    )
    told = {"asymmetry", "mirrored_poses"} & set(report.weights)
    assert bool(told) == in_plane
    assert in_plane or not any(one.kind == "asymmetry" for one in report.findings)
