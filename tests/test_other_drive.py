"""What the other drive makes of a layout, held against both drives posed by hand."""

import numpy as np
import pytest
from tubes import tube

import ribbonsim as rs
from ribbonsim.bendcheck.cases import Wish
from ribbonsim.bendcheck.other_drive import under_other_drive
from ribbonsim.bendcheck.words import report_text
from ribbonsim.rig.first_layout import build_layout

STRAIGHT = np.column_stack([np.linspace(0.0, 10.0, 201), np.zeros(201), np.zeros(201)])


@pytest.fixture(scope="module")
def rig():
    mesh = tube(STRAIGHT, 0.5)
    return rs.bind(mesh, build_layout(mesh).with_root(1))


@pytest.fixture(scope="module")
def skinned(rig):
    return rs.bind(rig.mesh, rig.layout.with_drive("skinned"))


def test_a_test_pose_is_missed_as_the_other_rig_misses_it(rig, skinned):
    found = under_other_drive(rig, [Wish("c_bend"), Wish("twist")])
    target = rig.targets_for("c_bend")["body"]
    assert found.pose == "c_bend"
    assert found.drive == "skinned"
    assert found.error == pytest.approx(skinned.shape_error(target, skinned.pose_for("c_bend")))
    assert found.own_error == pytest.approx(rig.shape_error(target, rig.pose_for("c_bend")))
    # five even controls on an arc of 90 degrees: shares follow it exactly, a skinned surface,
    # as the kernel's weights alone say, does not
    assert found.own_error < 1e-3 < found.error
    assert found.sentence.startswith(
        "Skinned to the surface instead, the same layout misses c bend"
    )
    back = under_other_drive(skinned, [Wish("c_bend")])
    assert back.drive == "shares"
    assert back.error == pytest.approx(found.own_error)
    assert "by shares instead" in back.sentence


def test_values_of_ones_own_are_told_by_how_far_the_ribbons_part(rig, skinned):
    pose = rs.Pose({"control3": {"bend": 60.0}})
    found = under_other_drive(rig, [Wish("this", pose=pose)])
    t = np.linspace(0.0, 1.0, 2001)
    ours, theirs = (one.pose_ribbon(pose).midline(t) for one in (rig, skinned))
    by_hand = np.sqrt(np.mean(np.sum((ours - theirs) ** 2, axis=1))) / rig.layout.ribbon.length
    assert found.error == pytest.approx(by_hand, rel=0.02)
    assert found.own_error is None
    assert "off this pose" in found.sentence


def test_rest_has_nothing_to_tell(rig):
    assert under_other_drive(rig, [Wish("this", pose=rs.Pose({}))]) is None
    assert under_other_drive(rig, []) is None


def test_a_check_says_it_below_its_table(rig, skinned):
    report = rs.check(rig, {"c_bend": 90.0, "twist": 90.0}, contacts=False)
    target = rig.targets_for("c_bend", 90.0)["body"]
    missed = skinned.shape_error(target, skinned.pose_for("c_bend", 90.0))
    assert report.other_drive.error == pytest.approx(missed)
    sentence = report.other_drive.sentence
    assert f"{100.0 * missed:.1f} %" in sentence
    assert report_text(report).endswith(sentence)
    assert report.to_dict()["other_drive"] == sentence
    assert rs.check(rig, {}, contacts=False).to_dict()["other_drive"] == ""
