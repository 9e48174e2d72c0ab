"""Checks over time: the worst of a loop, when, and for how long."""

import json

import pytest
from command_line import run_here

import ribbonsim as rs
from ribbonsim.bendcheck.over_time import check_motions, measure_motions, motions_text
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.rig.own_motions import motions_asked, motions_of


@pytest.fixture(scope="module")
def rig():
    mesh = rs.load_mesh("meshes/tentacle.obj")
    return rs.bind(mesh, build_layout(mesh))


@pytest.fixture(scope="module")
def seen(rig):
    return measure_motions(rig, ["swim"], contacts=False)[0]


def test_the_worst_is_no_better_than_any_frame_that_was_looked_at(rig, seen):
    # every frame by itself, without the scan
    shapes = [rig.shape_error(f.targets["body"], f.pose) for f in seen.take.frames()]
    worst = seen.worst["shape"]
    assert worst.value >= max(shapes[::4]) - 1e-12
    assert worst.value == pytest.approx(shapes[worst.number], rel=1e-6)
    assert worst.time == pytest.approx(seen.take.seconds * worst.number / seen.count)
    assert seen.measured < seen.count


def test_the_share_is_of_the_frames_beyond_the_limit(rig):
    from dataclasses import replace

    tight = replace(rig.layout.limits, shape=1e-7)
    told = measure_motions(rig, ["swim"], limits=tight, contacts=False)[0]
    assert told.worst["shape"].share == 1.0
    assert not told.worst["shape"].holds
    assert "100 %" in motions_text({"": [told]})


def test_findings_show_the_moment(rig):
    from dataclasses import replace

    tight = replace(rig.layout.limits, shape=1e-7)
    found = check_motions(rig, ["swim"], limits=tight, contacts=False, remedies=False)
    assert not found.bends_right
    assert " s " in found.report.findings[0].statement
    assert found.to_dict()["motions"][0]["name"] == "swim"


def test_worst_moments_are_asked_of_other_layouts(rig):
    moments = rs.worst_moments(rig, ["swim"])
    other = rs.bind(rig.mesh, rig.layout.with_added(7))
    found = rs.compare([rig, other], moments)
    (name,) = list(moments)[:1]
    a, b = (report.cases[name].target for report in found.reports)
    assert (a.frames == b.frames).all()
    assert found.number("shape", name, 1) < found.number("shape", name, 0) + 1e-3


@pytest.mark.slow
def test_a_layout_is_suggested_for_motions(rig):
    found = rs.suggest(rig, rs.worst_moments(rig, ["swim"]), controls=(3, 4))
    assert found is not None


def test_motions_of_appendages_need_some(rig):
    assert "flutter" not in motions_of(rig)
    # the names that the README gives; flutter is of fins, arms and barbels
    every = ["swim", "crawl", "slither", "rear_up", "strike", "breathe"]
    assert motions_asked(rig, ["all"]) == every
    assert motions_asked(rig, ["strike"]) == ["strike"]


def test_the_command_looks_through_motions():
    done = run_here("check", "meshes/tentacle.obj", "--motions", "breathe", "--json")
    assert done.returncode in (0, 1), done.stderr
    told = json.loads(done.stdout)
    assert told["motions"][""][0]["name"] == "breathe"
    both = run_here("check", "meshes/tentacle.obj", "--motions", "breathe", "--poses", "c_bend")
    assert both.returncode == 2
    assert "exclude each other" in both.stderr
