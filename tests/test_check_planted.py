"""Findings against faults that were planted, and skins that nearly have them.

Each case's own geometry says what is there: a section scaled by 0.8 pinches, one scaled by 0.88 is
within the limit of 0.85. No case may give a false finding, and none may be missed.
"""

import time
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from demos import demo_mesh
from planted import found_in, planted_cases, rig_of
from tubes import arc, straight, tube

import ribbonsim as rs
from ribbonsim import CreatureMesh, Layout, Limits, Pose, Ribbon, bind
from ribbonsim.bendcheck.amounts import less_than_usual, usual_amount, usual_amounts
from ribbonsim.bendcheck.coarse import coarse_rig
from ribbonsim.bendcheck.exact import motions_to
from ribbonsim.bendcheck.floor import floor_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.handoff.clips import choose_poses
from ribbonsim.layout.targets import TEST_POSES
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.pages.preview import preview
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.show.shots import read_poses

CASES = planted_cases()


@pytest.fixture(scope="module")
def pipes():
    made = {}
    for one in CASES:
        if one.radius not in made:
            rig = rig_of(one.radius)
            made[one.radius] = rig, Gauge(rig)
    return made


@pytest.mark.parametrize("planted", CASES, ids=[one.name for one in CASES])
def test_a_planted_fault_is_found_and_nothing_else(pipes, planted):
    missed, false = planted.judge(found_in(planted, *pipes[planted.radius]))
    assert not missed
    assert not false


# -- faults of a layout, through the whole check ---------------------------------------------------


def long_pipe(controls=9, stations=25, radius=0.4, rings=101):
    mesh = tube(straight(12.0, rings), radius, 16, round_ends=4)
    return bind(mesh, Layout.from_ribbon(Ribbon.along(straight(12.0), 0.4, 24), stations, controls))


def kinds_in(rig, poses, **options):
    report = rs.check(rig, poses, remedies=False, **options)
    return {finding.kind for finding in report.findings}, report


@pytest.mark.parametrize(("degrees", "meets"), [(300.0, False), (420.0, True)])
def test_a_pose_of_controls_that_closes_the_ring_is_a_contact(degrees, meets):
    """An even bend of less than a whole turn leaves its ends apart."""
    rig = long_pipe()
    found, _ = kinds_in(rig, {"ring": rig.pose_for("c_bend", degrees)})
    assert ("contact" in found) == meets
    assert found <= {"contact"}


@pytest.mark.parametrize(("controls", "misses"), [(2, True), (9, False)])
def test_a_layout_with_too_few_controls_misses_the_shape(controls, misses):
    """Two controls have one bend between them, and an s has two that differ in sign."""
    found, _ = kinds_in(long_pipe(controls), {"s_bend": 90.0}, contacts=False)
    assert ("shape" in found) == misses
    assert found <= {"shape", "kink"}


def pipe_driven(drive, controls, reach):
    """The same pipe with one reach for all controls."""
    rig = long_pipe(controls)
    own = rig.layout.body
    for name in own.control_names:
        own = own.with_control(name, reach=reach)
    return bind(rig.mesh, rig.layout.with_ribbon("body", own).with_drive(drive))


@pytest.mark.parametrize(
    ("drive", "controls", "reach", "kinks"),
    [
        ("skinned", 5, 1.2, True),
        ("skinned", 5, 1.5, True),
        ("skinned", 5, 2.0, False),
        ("skinned", 9, 2.0, False),
        ("shares", 5, 1.0, False),
        ("shares", 9, 2.0, False),
    ],
)
def test_an_even_bend_in_knees_is_a_kink(drive, controls, reach, kinks):
    """An arc has one curvature; a surface skinned to joints that reach no farther bends in knees.

    Five joints on an arc of 90 degrees with Wendland's C2 kernel at twice the spacing bend by
    0.62 to 1.39 of it, and with a narrower one by more.
    """
    rig = pipe_driven(drive, controls, reach)
    found, report = kinds_in(rig, {"c_bend": 90.0}, contacts=False)
    assert ("kink" in found) == kinks, report.measures["c_bend"].kink
    assert found <= {"kink"}


@pytest.mark.parametrize(("drive", "kinks"), [("shares", False), ("skinned", True)])
def test_a_slider_that_bends_its_own_piece_is_no_kink(drive, kinks):
    """60 degrees over a piece of 3 units: 20 degrees a unit, where the slider tells that much.

    Skinned, the body first bends back beside its bend, and so must bend farther in its middle.
    """
    rig = pipe_driven(drive, 5, 2.0)
    found, report = kinds_in(rig, {"mine": Pose({"control4": {"sway": 60}})}, contacts=False)
    assert ("kink" in found) == kinks
    sharpest = rig.pose_ribbon(report.cases["mine"].pose).curvature(np.linspace(0, 1, 401)).max()
    assert report.measures["mine"].kink == pytest.approx(sharpest / np.radians(20.0), rel=0.01)


@pytest.mark.parametrize(("share", "bleeds"), [(0.02, True), (0.008, False)])
def test_weight_from_far_along_is_a_bleed(share, bleeds):
    rig = long_pipe()
    weights = rig.mesh_weights.copy()
    tip = np.flatnonzero(rig.places > 11.0)[:30]
    weights[tip] *= 1.0 - share
    weights[tip, 0] += share
    found, report = kinds_in(replace(rig, mesh_weights=weights), {}, contacts=False)
    assert found == ({"bleed"} if bleeds else set())
    assert report.weights["bleed"] == pytest.approx(share, abs=1e-9)


@pytest.mark.parametrize(("share", "differs"), [(0.08, True), (0.03, False)])
def test_weights_that_differ_left_and_right_are_told(share, differs):
    line = arc(90.0, 12.0)
    rig = bind(tube(line, 0.5, 16), Layout.from_ribbon(Ribbon.along(line, 0.4, 24), 17, 5))
    weights = rig.mesh_weights.copy()
    one = int(np.argmax(rig.mesh.positions[:, 2] * (np.abs(rig.places - 6.0) < 0.3)))
    joint = int(np.argmax(weights[one]))
    weights[one, joint] -= share
    weights[one, joint + 1] += share
    found, _ = kinds_in(replace(rig, mesh_weights=weights), {}, contacts=False)
    assert found == ({"asymmetry"} if differs else set())


# -- what no layout can, and what ends a cause -----------------------------------------------------


def thick_pipe():
    """A body 2.5 times as long as it is thick."""
    mesh = tube(straight(5.0, 41), 1.0, 24, round_ends=6)
    return bind(mesh, Layout.from_ribbon(Ribbon.along(straight(5.0), 0.5, 16), 17, 5))


def test_usual_amounts_leave_the_inner_side_of_a_thick_body_half_its_length():
    """Pappus: bent by the angle a over the length L, the inner side keeps 1 - a r / L."""
    report = rs.check(thick_pipe(), ["c_bend"], remedies=False)
    amount = report.cases["c_bend"].wish.amount
    # the polygon's half width stands for the radius, and amounts are round
    most = np.degrees(0.45 * 5.0 / 1.0)
    assert amount == min(90.0, 5.0 * (most // 5.0))
    assert report.bends_right
    slender = rs.check(long_pipe(), ["curl"], remedies=False, contacts=False)
    assert slender.cases["curl"].wish.amount == 270.0


@pytest.mark.parametrize(("degrees", "folds"), [(200.0, False), (330.0, True)])
def test_what_an_exact_ribbon_folds_is_said_and_is_no_finding(degrees, folds):
    """A tube of radius r bent to the radius R folds where r > R; here R = L / angle."""
    radius_over_big = np.radians(degrees) * 1.0 / 5.0
    assert (radius_over_big > 1.0) == folds
    report = rs.check(thick_pipe(), {"c_bend": degrees}, remedies=False, contacts=False)
    floor = report.cases["c_bend"].floor
    assert floor.folded.any() == folds
    if not folds:
        assert floor.stretch[:, 1].min() == pytest.approx(1.0 - radius_over_big, abs=0.02)
    assert not any(one.kind == "fold" for one in report.findings)
    assert folds == any("even an exact ribbon folds" in note for note in report.floors)


def test_exact_skin_of_an_even_bend_keeps_its_volume_by_libigl():
    """Pappus: a tube bent about a circle keeps the volume of the straight one."""
    import igl

    rig = long_pipe(rings=201)
    report = rs.check(rig, {"c_bend": 150.0}, remedies=False, contacts=False)
    posed = report.cases["c_bend"].floor.positions
    rest = igl.moments(rig.mesh.positions.copy(), rig.mesh.triangles)[0]
    assert igl.moments(posed, rig.mesh.triangles)[0] / rest == pytest.approx(1.0, abs=2e-4)


def test_a_cause_is_ended_by_a_change_that_breaks_no_other_limit():
    """Linear blending loses volume in a twist, and dual quaternions lose none (Kavan et al.)."""
    rig = long_pipe(controls=3, stations=9, radius=0.8)
    limits = Limits(volume=0.02)
    report = rs.check(rig, {"twist": 300.0, "c_bend": 40.0}, limits=limits, contacts=False)
    (cause,) = report.causes
    tried = cause.worst.tried
    assert tried is not None
    assert tried.clears
    again = rs.check(
        bind(rig.mesh, tried.layout),
        {"twist": 300.0, "c_bend": 40.0},
        tried.method,
        limits,
        contacts=False,
    )
    assert again.bends_right
    assert "within the limit" in cause.advice


def test_one_cause_in_several_poses_is_one():
    rig = long_pipe(controls=2)
    report = rs.check(rig, {"s_bend": 90.0, "corkscrew": 1.0}, contacts=False)
    assert len(report.findings) >= 2
    assert len(report.causes) == 1
    (cause,) = report.causes
    assert set(cause.poses) == {"s_bend", "corkscrew"}
    assert "Also in" in cause.statement or "also in" in cause.statement


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["doubled", "shell", "soup", "knot"])
def test_a_check_of_what_meets_itself_everywhere_ends(kind):
    """Processor seconds, since what is asked is that it ends; a hang takes minutes."""
    whole = tube(straight(12.0, 400), 0.5, 50)
    points, faces = whole.positions, whole.triangles
    count = len(points)
    if kind in ("doubled", "shell"):
        inner = points * ([1.0, 1.0, 1.0] if kind == "doubled" else [1.0, 0.98, 0.98])
        mesh = CreatureMesh.from_arrays(
            np.vstack([points, inner]), np.vstack([faces, faces + count]), kind
        )
    elif kind == "soup":
        loose = points[faces].reshape(-1, 3)
        mesh = CreatureMesh.from_arrays(loose, np.arange(len(loose)).reshape(-1, 3), kind)
    else:
        mesh = whole
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(straight(12.0), 0.4, 16), 17, 5))
    poses = {"curl": 420.0, "twist": 720.0, "knot": rig.pose_for("curl", 1500.0)}
    start = time.process_time()
    report = rs.check(rig, poses)
    assert time.process_time() - start < 30.0
    assert report.findings


@pytest.mark.parametrize(
    "name", ["grub", "tentacle", pytest.param("lampeel", marks=pytest.mark.slow)]
)
def test_the_default_layout_of_a_demo_mesh_passes(name):
    mesh = demo_mesh(name)
    report = rs.check(bind(mesh, build_layout(mesh)))
    assert report.bends_right, report.verdict


@pytest.mark.slow
@pytest.mark.parametrize("name", ["coil", "snuffer"])
def test_what_is_advised_makes_a_demo_mesh_pass(name):
    mesh = demo_mesh(name)
    (cause,) = rs.check(bind(mesh, build_layout(mesh))).causes
    tried = cause.worst.tried
    again = rs.check(bind(mesh, tried.layout), method=tried.method)
    assert again.bends_right, again.verdict


def test_a_closed_skin_is_closed_when_it_is_coarse():
    """Each edge of a closed surface has two triangles; volume by trimesh's own integral."""
    mesh = demo_mesh("coil")
    small = coarse_rig(bind(mesh, build_layout(mesh))).mesh
    assert len(small.triangles) < 0.4 * len(mesh.triangles)
    assert small.is_closed
    whole, few = (
        trimesh.Trimesh(one.positions, one.triangles, process=False) for one in (mesh, small)
    )
    assert few.volume == pytest.approx(whole.volume, rel=0.1)


def test_a_fin_is_folded_no_farther_than_the_skin():
    """Exact predicates: nothing meets at the amount that is asked, and fins do at the usual one."""
    mesh = demo_mesh("lampeel")
    rig = bind(mesh, build_layout(mesh, BuildOptions(appendages=True)))
    gauge = Gauge(rig)
    amount = usual_amount(gauge, "appendage_fold")
    assert 10.0 <= amount < 60.0
    met = [
        len(floor_of(gauge, motions_to(rig, rig.targets_for("appendage_fold", size))).contacts)
        for size in (amount, 60.0)
    ]
    assert met[0] == 0
    assert met[1] > 0
    # nor is its base squeezed, so that nothing is left to say of these poses
    report = rs.check(rig, ["appendage_fold", "appendage_spread"], remedies=False)
    assert report.bends_right, report.verdict
    assert report.floors == ()


@pytest.mark.slow
def test_a_thick_body_is_asked_for_less_wherever_no_amount_is_said(tmp_path):
    """Pappus, as above: half of the inner side's length is left."""
    rig = thick_pipe()
    amount = usual_amounts(rig, ["curl"])["curl"]
    assert 0.0 < amount < TEST_POSES["curl"].usual
    assert rs.check(rig, ["curl"], remedies=False).cases["curl"].wish.amount == amount
    assert choose_poses(rig, ["curl"])["curl"] == rig.pose_for("curl", amount)
    assert read_poses(rig, ["curl"])[0].amount == amount
    write_obj(rig.mesh, tmp_path / "thick.obj")
    rig.layout.save(tmp_path / "thick.toml")
    made = preview(
        tmp_path / "thick.obj",
        tmp_path / "out",
        layout_path=tmp_path / "thick.toml",
        poses={"curl": None, "stretch": None, "twist": 200.0},
    )
    assert [one.amount for one in made.poses] == [amount, 1.4, 200.0]
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert f"As far as a body so thick can go: curl {amount:g}\N{DEGREE SIGN}." in page
    assert less_than_usual({"stretch": 1.4, "curl": 270.0}) == ""
