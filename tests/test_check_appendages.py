"""The check on appendages: girth, midline, contacts, both sides, changes that are tried."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import ribbonsim as rs
from ribbonsim.bendcheck.cases import Wish, measure_case
from ribbonsim.bendcheck.look import findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.remedies import Site, next_changes, start
from ribbonsim.layout.limits import Limits
from ribbonsim.rig.carry_over import pose_of_ribbon
from ribbonsim.rig.drives import SharesDrive

LAMPEEL = Path(__file__).parents[1] / "meshes" / "lampeel.obj"


@pytest.fixture(scope="module")
def rig():
    mesh = rs.load_mesh(LAMPEEL)
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), 2.0, 16)
    layout = rs.Layout.from_ribbon(ribbon)
    for proposal in rs.find_appendages(mesh, ribbon):
        layout = layout.with_appendage(proposal.appendage(controls=3))
    layout, _ = rs.pair_appendages(layout, rs.find_plane(mesh))
    return rs.bind(mesh, layout)


@pytest.fixture(scope="module")
def gauge(rig):
    return Gauge(rig)


def beyond_base(rig, name):
    one = rig.layout.appendage(name)
    return one.layout.ribbon.arc_length(one.layout.stations) >= 1.5 * one.blend


def all_controls(rig, name, **values):
    one = rig.layout.appendage(name)
    return {one.control_name(control): values for control in one.layout.control_names}


@pytest.mark.parametrize(
    ("values", "expected"),
    [({"girth": 0.6}, 0.6), ({"stretch": 1.3}, 1.3**-0.5)],
    ids=["girth", "stretch keeps the volume"],
)
def test_girth_of_an_evenly_scaled_barbel_is_the_scale(rig, gauge, values, expected):
    """Closed form: a section scaled by g has g times the radius; an incompressible rod that is
    stretched by s is thinner by the root of s."""
    pose = rs.Pose(all_controls(rig, "barbel_l", **values))
    case = measure_case(rig, gauge, Wish("thin", pose=pose), "linear", contacts=False)
    part = next(part for part in case.parts if part.name == "barbel_l")
    there = beyond_base(rig, "barbel_l")
    np.testing.assert_allclose(part.girth[there], expected, rtol=0.04)
    np.testing.assert_allclose(part.asked_girth[there], expected, rtol=1e-6)
    other = next(part for part in case.parts if part.name == "barbel_r")
    np.testing.assert_allclose(other.girth[there], 1.0, rtol=1e-9)
    np.testing.assert_allclose(case.body.girth, 1.0, rtol=2e-3)


def test_skin_thinner_than_its_pose_asks_is_a_pinch_of_that_barbel(rig, gauge):
    """The skin is drawn in to 0.7 about the ribbon by hand: that is the answer."""
    case = measure_case(rig, gauge, Wish("rest", pose=rs.Pose({})), "linear", contacts=False)
    limb, ribbon = rig.limbs["barbel_r"], rig.layout.appendage("barbel_r").layout.ribbon
    axis = ribbon.midline(ribbon.place_at(limb.places))
    thin = rig.mesh.positions.copy()
    share = np.clip(limb.places / rig.layout.appendage("barbel_r").blend, 0.0, 1.0)[:, None]
    thin[limb.vertices] = axis + (thin[limb.vertices] - axis) * (1.0 - 0.3 * share)
    girth = gauge.rings_of("barbel_r", thin, ribbon).girth
    parts = tuple(
        replace(part, girth=girth) if part.name == "barbel_r" else part for part in case.appendages
    )
    found = findings_of(replace(case, appendages=parts), Limits())
    pinches = [one for one in found if one.kind == "pinch"]
    assert [one.place.ribbon for one in pinches] == ["barbel_r"]
    assert pinches[0].value == pytest.approx(0.7, abs=0.03)
    assert "barbel_r pinches at station" in pinches[0].statement
    assert not pinches[0].place.alike


def test_what_is_the_same_on_both_sides_is_told_once(rig, gauge):
    case = measure_case(rig, gauge, Wish("appendage_wave", 200.0), "linear", contacts=False)
    found = [one for one in findings_of(case, Limits()) if one.kind == "shape"]
    said = {frozenset((one.place.ribbon, one.place.alike)) for one in found}
    assert said == {frozenset(("fin_l", "fin_r")), frozenset(("barbel_l", "barbel_r"))}
    assert len(found) == 2
    for one in found:
        # the part's error is the one that the appendage alone has, as if the body were at rest
        part = rig.part(one.place.ribbon)
        own = next(p for p in case.parts if p.name == one.place.ribbon)
        assert one.value == pytest.approx(own.shape_error)
        assert own.layout.ribbon.length == part.layout.ribbon.length


def test_controls_drive_the_ribbons_once_for_a_pose(rig, gauge, monkeypatch):
    drives, drive = [], SharesDrive.driven
    monkeypatch.setattr(SharesDrive, "driven", lambda *all: drives.append(1) or drive(*all))
    pose = rs.Pose({"control3": {"bend": 40.0}, **all_controls(rig, "fin_l", sway=20.0)})
    case = measure_case(rig, gauge, Wish("both", pose=pose), "linear", contacts=False)
    assert len(drives) == 1
    # each ribbon is judged as if what carries it were at rest
    for part in case.parts:
        alone = rig.part(part.name).pose_ribbon(pose_of_ribbon(rig.layout, pose, part.name))
        np.testing.assert_allclose(
            part.ribbon.control_points, alone.control_points, atol=1e-9 * rig.mesh.diagonal
        )


def test_contact_of_a_fin_with_the_body_names_both(rig, gauge):
    pose = rig.pose_for("appendage_fold", 75.0)
    case = measure_case(rig, gauge, Wish("folded", pose=pose), "linear")
    (contact,) = [one for one in findings_of(case, Limits()) if one.kind == "contact"]
    assert contact.place.ribbon in ("fin_l", "fin_r")
    assert contact.place.against == "body"
    assert f"where {contact.place.ribbon} meets body" in contact.statement
    groups = np.asarray(rig.mesh.polygon_groups)[rig.mesh.triangle_polygons]
    names = np.asarray(rig.mesh.group_names)[groups]
    # by the groups of the file, which know nothing of ribbons, fins are in most of the pairs
    fins = np.isin(names[contact.faces], ("fin_l", "fin_r")).any(axis=1)
    assert fins.mean() > 0.9


def test_changes_for_an_appendage_change_both_sides_and_leave_the_body(rig, gauge):
    wish = Wish("appendage_curl", 200.0)
    case = measure_case(rig, gauge, wish, "linear", contacts=False)
    finding = max(findings_of(case, Limits()), key=lambda one: one.place.ribbon != "body")
    changes = next_changes(start(rig.layout, "linear"), "squeeze", Site.of(rig.layout, finding))
    assert len(changes) > 5
    pair = {finding.place.ribbon, rig.layout.appendage(finding.place.ribbon).partner}
    for change in changes:
        assert change.layout.controls == rig.layout.controls
        if change.steps == ("blending",):
            continue
        assert all(name in change.says for name in pair)
        for one, old in zip(change.layout.appendages, rig.layout.appendages, strict=True):
            assert (one == old) == (one.name not in pair)


def test_an_evenly_bent_barbel_kinks_nowhere(rig, gauge):
    """Curvature of an arc is even, so the peak over what is asked is near one."""
    case = measure_case(rig, gauge, Wish("appendage_curl", 60.0), "linear", contacts=False)
    for part in case.appendages:
        assert part.sharpness[0] < 1.6
