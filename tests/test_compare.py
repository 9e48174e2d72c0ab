"""Layouts side by side: numbers recomputed from outside, words that follow from them, doors."""

import json
import subprocess
import sys

import igl
import numpy as np
import pytest
from command_line import run_here
from pages import Page
from PIL import Image
from tubes import s_curve, straight, tube

import ribbonsim as rs
from ribbonsim import Control, Layout, Pose, RibbonsimError, bind
from ribbonsim.bendcheck.compare import both_drives
from ribbonsim.bendcheck.differences import Row, comparison_text, differences_of
from ribbonsim.bendcheck.figures import size_figure
from ribbonsim.cli.main import main
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.pages.compare_page import compare_into_folder
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.view.scene import Stage

POSES = {"c_bend": None, "curl": 200.0, "twist": None}


def worm(scale=1.0):
    centres, radii = s_curve(rings=61), np.linspace(0.9, 0.35, 61)
    return tube(scale * centres, scale * radii, around=20, round_ends=5, name="worm")


def rigs_of(mesh, *choices):
    return [
        bind(mesh, build_layout(mesh, BuildOptions(stations=stations, controls=controls)))
        for stations, controls in choices
    ]


@pytest.fixture(scope="module")
def rigs():
    return rigs_of(worm(), (17, 5), (17, (1, 4, 7, 10, 13, 15, 17)), (9, 3))


@pytest.fixture(scope="module")
def found(rigs):
    return rs.compare(rigs, POSES, names=["five", "seven", "three"])


def row(found, key):
    return next(row for row in found.table if row.key == key)


# -- numbers from outside ------------------------------------------------------------------------


def test_volumes_and_their_ranks_agree_with_libigl(found, rigs):
    largest = []
    for rig in rigs:
        rest = igl.moments(rig.mesh.positions.copy(), rig.mesh.triangles)[0]
        changes = [
            igl.moments(rig.deform(rig.pose_for(name, size)), rig.mesh.triangles)[0] / rest - 1
            for name, size in POSES.items()
        ]
        largest.append(max(changes, key=abs))
    told = row(found, "volume")
    assert told.values == pytest.approx(largest, abs=1e-9)
    assert int(np.argmin(np.abs(largest))) in told.best
    assert int(np.argmax(np.abs(largest))) in told.worst


def test_stretches_agree_with_numpys_singular_values(found, rigs):
    for i, rig in enumerate(rigs):
        seen = {"stretch": [], "squeeze": []}
        for name, size in POSES.items():
            pose = rig.pose_for(name, size)
            stretch = singular_values(rig, rig.deform(pose))
            joints = rig.joint_pose(pose)
            layout = rig.layout
            at = layout.ribbon.arc_length(layout.stations)
            places = rig.places[rig.mesh.triangles].mean(axis=1)
            asked = np.array([np.interp(places, at, v) for v in (joints.stretch, joints.girth)])
            seen["stretch"].append((stretch[:, 0] / np.maximum(asked.max(axis=0), 1)).max())
            seen["squeeze"].append((stretch[:, 1] / np.minimum(asked.min(axis=0), 1)).min())
        assert row(found, "fold").values[i] == 0  # so no triangle is left out of the two
        assert row(found, "stretch").values[i] == pytest.approx(max(seen["stretch"]), rel=1e-6)
        assert row(found, "squeeze").values[i] == pytest.approx(min(seen["squeeze"]), rel=1e-6)


def singular_values(rig, posed):
    """(T, 2) by numpy, from the triangles' own planes."""
    rest, there = (
        np.stack([corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]], axis=-1)
        for corners in (rig.mesh.positions[rig.mesh.triangles], posed[rig.mesh.triangles])
    )
    flat = np.swapaxes(np.linalg.qr(rest)[0], 1, 2) @ rest
    return np.linalg.svd(there @ np.linalg.inv(flat), compute_uv=False)


def test_shape_errors_are_distances_from_the_target(found, rigs):
    errors = []
    for rig in rigs:
        ribbon = rig.layout.ribbon
        for name, size in POSES.items():
            target = rig.targets_for(name, size)["body"]
            midline = rig.pose_ribbon(rig.pose_for(name, size)).midline
            achieved = midline(ribbon.place_at(target.lengths))
            apart = np.linalg.norm(achieved - target.frames[:, :3, 3], axis=1)
            errors.append(np.sqrt(np.mean(apart**2)) / ribbon.length)
    largest = np.array(errors).reshape(len(rigs), -1).max(axis=1)
    told = row(found, "shape")
    assert told.values == pytest.approx(largest, rel=1e-9)
    # layouts whose figures read the same are equally good: a c_bend is exact under many
    shown = [size_figure("shape", value) for value in largest]
    best, worst = shown[largest.argmin()], shown[largest.argmax()]
    assert told.best == tuple(i for i, figure in enumerate(shown) if figure == best)
    assert told.worst == tuple(i for i, figure in enumerate(shown) if figure == worst)


def test_every_rank_follows_from_the_values(found):
    for told in found.table:
        known = {i: v for i, v in enumerate(told.values) if v is not None}
        good = {i: v if told.better == "high" else -abs(v) for i, v in known.items()}
        for i in told.best:
            assert size_figure(told.key, known[i]) == size_figure(
                told.key, known[max(good, key=good.get)]
            )
        for i in told.worst:
            assert size_figure(told.key, known[i]) == size_figure(
                told.key, known[min(good, key=good.get)]
            )
        assert not set(told.best) & set(told.worst)
        assert bool(told.best) == (len({t.lstrip("+\N{MINUS SIGN}") for t in told.texts}) > 1)


@pytest.mark.slow
def test_units_do_not_change_a_table(found):
    large = rs.compare(
        rigs_of(worm(250.0), (17, 5), (17, (1, 4, 7, 10, 13, 15, 17)), (9, 3)), POSES
    )
    assert [told.texts for told in large.table] == [told.texts for told in found.table]
    assert [told.best for told in large.table] == [told.best for told in found.table]


def test_same_shape_is_asked_of_each(found, rigs):
    for name in POSES:
        ends = [report.cases[name].target.frames[-1, :3, 3] for report in found.reports]
        assert np.ptp(ends, axis=0).max() < 1e-3 * rigs[0].layout.ribbon.length


def test_who_carries_goes_to_the_nearer_neighbour_and_not_to_an_end(rigs):
    layout = rigs[0].layout.with_root("control2")
    assert layout.without_control("control2").chain_root == "control3"
    assert layout.with_root("control4").without_control("control4").chain_root == "control3"
    near = layout.with_added(4, "near")
    assert near.without_control("control2").chain_root == "near"


def test_a_pose_of_controls_is_carried_over(rigs):
    pose = Pose({"control3": {"bend": 40}, "control4": {"sway": 20}})
    found = rs.compare(rigs[:2], {"mine": pose, "c_bend": 30.0})
    assert found.poses == ("mine", "c_bend")
    t = np.linspace(0, 1, 65)
    one, other = (report.cases["mine"].ribbon.midline(t) for report in found.reports)
    apart = np.linalg.norm(one - other, axis=1).max()
    moved = np.linalg.norm(one - rigs[0].layout.ribbon.midline(t), axis=1).max()
    assert apart < 0.1 * moved
    assert found.number("shape", "mine", 1) is None
    assert found.number("shape", "c_bend", 1) < 0.05


@pytest.mark.slow
def test_contacts_are_looked_for_only_if_asked(found):
    assert "contact" not in {told.key for told in found.table}
    pipe = tube(straight(20.0, 101), 0.5, around=16, round_ends=4, name="pipe")
    looked = rs.compare(rigs_of(pipe, (17, 7), (17, 9)), {"c_bend": 420.0}, contacts=True)
    assert min(row(looked, "contact").values) > 0  # more than a full circle runs into itself


def test_limits_are_broken_where_a_check_says_so(found):
    for told in found.table:
        if told.key in ("findings", "roughness"):
            continue
        for i, report in enumerate(found.reports):
            broken = any(finding.kind == told.key for finding in report.findings)
            assert told.holds(i) != broken
    made = Row.of("stretch", "stretch", "low", 1.75, [2.1, 1.6], ["", ""], broken=())
    assert made.holds(0)
    assert made.excuses(0)
    assert not made.excuses(1)
    text = comparison_text([made], ["one", "two"], [], [])
    assert "exact ribbon" in text
    assert "2.10! " in text


def test_the_place_where_two_layouts_part_most_is_named(found, rigs):
    pose = next(iter(POSES))
    cases = [report.cases[pose] for report in found.reports]
    for number, case in enumerate(cases[1:]):
        away = np.linalg.norm(case.positions - cases[0].positions, axis=1)
        told = found.apart[pose][number]
        assert told.most == pytest.approx(away.max() / rigs[0].layout.ribbon.length)
        assert told.vertex == int(np.argmax(away))
        # the station that is named is the nearest along the body to that vertex
        own = rigs[0].layout.body
        stands = own.ribbon.arc_length(own.stations)
        near = int(np.argmin(np.abs(stands - rigs[0].places[told.vertex]))) + 1
        assert told.place.station == near
    assert found.differences[-1].startswith("The skin of C")
    data = found.to_dict()["apart"][pose]
    assert [one["vertex"] for one in data] == [one.vertex + 1 for one in found.apart[pose]]


def test_everything_goes_into_json(found):
    data = json.loads(json.dumps(found.to_dict()))
    assert [layout["letter"] for layout in data["layouts"]] == ["A", "B", "C"]
    assert data["layouts"][1]["controls"]["control2"] == 4
    volume = next(told for told in data["table"] if told["measure"] == "volume")
    assert volume["values"]["B"] == pytest.approx(row(found, "volume").values[1])
    assert set(data["layouts"][0]["measures"]) == set(POSES)


# -- words -----------------------------------------------------------------------------------------


def made(key, better, limit, values, places=("", "")):
    return Row.of(key, f"the {key}", better, limit, values, places)


COUNT = made("findings", "low", None, [1.0, 0.0])


def test_a_difference_is_said_with_figures_place_and_cost():
    pinch = made("pinch", "high", 0.85, [0.81, 0.93], ("in curl at station 14 by neck", ""))
    words = differences_of([COUNT, pinch], ["A", "B"], [5, 7], [17, 17])
    assert words[:2] == [
        "B breaks no limit; A breaks one limit.",
        "B pinches least: 0.93 against 0.81 for A, in curl at station 14 by neck; it keeps the "
        "limit of 0.85, but it needs two controls more than A.",
    ]


def test_the_next_best_is_named_among_three():
    count = made("findings", "low", None, [1.0, 1.0, 1.0], ("", "", ""))
    kink = made("kink", "low", 1.6, [2.0, 1.1, 1.4], ("", "", ""))
    words = differences_of([count, kink], ["A", "B", "C"], [5, 6, 9], [17, 17, 33])
    assert words[0] == "A, B and C break one limit each."
    assert words[1] == (
        "B kinks least: 1.10 against 2.00 for A and 1.40 for C, the next best; "
        "and it needs three controls and 16 stations fewer than C."
    )


def test_layouts_that_share_the_best_are_named_together():
    count = made("findings", "low", None, [0.0, 0.0, 1.0], ("", "", ""))
    fold = made("fold", "low", 0.0, [0.0, 0.0, 21.0], ("", "", "in twist"))
    words = differences_of([count, fold], ["A", "B", "C"], [5, 5, 5], [17, 17, 17])
    assert "A and B turn over the fewest triangles: 0 against 21 for C, in twist." in words
    assert "C is nowhere better than A." in words


def test_equal_layouts_are_said_to_be_equal(rigs):
    found = rs.compare([rigs[0], rigs[0]], {"c_bend": 30.0}, names=["one", "two"])
    assert all(not told.best and not told.worst for told in found.table)
    assert found.differences == (
        "Both layouts keep all limits.",
        "No measure differs by more than a tenth of the way to its limit.",
    )


def test_a_change_counts_alike_in_both_directions():
    volume = made("volume", "low", 0.05, [0.021, -0.034])
    assert volume.texts == ("+2.1 %", "\N{MINUS SIGN}3.4 %")
    assert (volume.best, volume.worst) == ((0,), (1,))
    same = made("volume", "low", 0.05, [0.021, -0.021])
    assert (same.best, same.worst) == ((), ())


def test_sentences_agree_with_the_table(found):
    for told in found.table:
        if told.key == "findings" or len(told.best) != 1 or told.weight < 0.1:
            continue
        start = found.labels[told.best[0]]
        figures = f": {told.texts[told.best[0]]} against {told.texts[told.worst[0]]} for "
        said = [words for words in found.differences if figures in words]
        assert any(words.startswith(start) for words in said), (told.key, found.differences)


def test_text_marks_best_and_worst_without_colours():
    pinch = made("pinch", "high", 0.85, [0.81, 0.93])
    text = comparison_text([pinch], ["five", "seven"], ["Words."], [])
    assert "0.81!" in text
    assert "0.93*" in text
    assert text.splitlines()[:2] == ["A  five", "B  seven"]


def test_a_ribbon_that_runs_the_other_way_is_noted():
    mesh = worm()
    pair = [bind(mesh, build_layout(mesh, BuildOptions(swap=swap))) for swap in (False, True)]
    found = rs.compare(pair, {"c_bend": None}, names=["one", "two"])
    (note,) = found.notes
    assert "ribbon of B runs from the other end" in note


def test_that_another_control_stands_still_is_noted(rigs):
    mesh, layout = rigs[0].mesh, rigs[0].layout
    moved = [bind(mesh, layout.with_root(name)) for name in ("control1", "control5")]
    (note,) = rs.compare(moved, {"stretch": None}, names=["one", "two"]).notes
    assert note.startswith("control5 stands still in B and control1 in A")
    assert not rs.compare([rigs[0], rigs[0]], {"stretch": None}, names=["one", "two"]).notes


def test_each_layout_may_have_its_own_way_of_blending(rigs, tmp_path):
    poses = {"twist": 170.0}
    methods = ["dual_quaternion", "linear"]
    found = compare_into_folder(
        [rigs[0], rigs[0]], tmp_path, poses, ["round", "flat"], methods=methods, heat=False
    )
    assert found.methods == ("dual_quaternion", "linear")
    for report, method in zip(found.reports, methods, strict=True):
        alone = rs.check(rigs[0], poses, method, contacts=False, remedies=False)
        assert report.method == method
        assert report.measures == alone.measures
    # a twisted tube keeps its girth under dual quaternions (Kavan et al. 2008) and not linearly
    pinch = row(found, "pinch")
    assert pinch.values[0] > pinch.values[1]
    told = json.loads((tmp_path / "comparison.json").read_text(encoding="utf-8"))
    assert [layout["method"] for layout in told["layouts"]] == methods
    words = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "its own way of blending" in words
    assert "<p>dual quaternions</p>" in words
    assert "<p>linear blending</p>" in words


def test_one_layout_is_held_against_itself_under_the_other_drive(rigs, tmp_path):
    pair, names = both_drives(rigs[:1], ["five"])
    assert names == ["five shares", "five skinned"]
    assert [rig.layout.drive for rig in pair] == ["shares", "skinned"]
    found = compare_into_folder(pair, tmp_path, {"c_bend": None}, names, heat=False)
    # a tube that bends by even shares is an arc; a surface skinned to its controls is none
    shape = row(found, "shape")
    assert shape.values[0] < 1e-3 < shape.values[1]
    one, other = found.other_drives
    assert one.startswith("A (five shares): Skinned to the surface instead")
    assert other.startswith("B (five skinned): Driven by shares instead")
    told = json.loads((tmp_path / "comparison.json").read_text(encoding="utf-8"))
    assert told["other_drives"] == [one, other]
    assert [layout["drive"] for layout in told["layouts"]] == ["shares", "skinned"]
    assert one in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_a_pose_may_be_of_any_of_the_layouts(rigs):
    pose = rigs[1].pose_for("c_bend", 60.0)
    found = rs.compare(rigs[:2], {"bow": pose}, names=["five", "seven"], posed=1)
    alone = rs.check(rigs[1], {"bow": pose}, contacts=False, remedies=False)
    assert found.reports[1].measures == alone.measures
    assert found.reports[1].cases["bow"].pose is pose
    # carried over it bends the other layout's midline to the same place but for a few hundredths
    lines = [r.cases["bow"].ribbon.midline(np.linspace(0, 1, 33)) for r in found.reports]
    apart = np.linalg.norm(lines[0] - lines[1], axis=1).max()
    assert apart < 0.03 * rigs[0].layout.ribbon.length
    with pytest.raises(RibbonsimError, match="no layout 2 can own the poses"):
        rs.compare(rigs[:2], {"bow": pose}, posed=2)


def test_what_is_beyond_the_limit_does_not_read_like_it():
    squeeze = made("squeeze", "high", 0.45, [0.4496, 0.4504, 0.31])
    assert squeeze.texts == ("0.4496", "0.45", "0.31")
    assert [squeeze.holds(i) for i in range(3)] == [False, True, False]


# -- refusals ------------------------------------------------------------------------------------


def test_what_cannot_be_compared_is_refused(rigs):
    with pytest.raises(RibbonsimError, match="1 layout cannot be compared: give 2 to 6"):
        rs.compare(rigs[:1])
    with pytest.raises(RibbonsimError, match="7 layouts"):
        rs.compare([rigs[0]] * 7)
    other = rigs_of(worm(2.0), (17, 5))[0]
    with pytest.raises(RibbonsimError, match="layout 2 is bound to another mesh"):
        rs.compare([rigs[0], other])
    with pytest.raises(RibbonsimError, match="3 names are given for 2 layouts"):
        rs.compare(rigs[:2], names=["a", "b", "c"])
    with pytest.raises(RibbonsimError, match="two layouts are called 'a'"):
        rs.compare(rigs[:2], names=["a", "a"])
    with pytest.raises(RibbonsimError, match="no test pose is called 'wave'"):
        rs.compare(rigs[:2], ["wave"])
    with pytest.raises(RibbonsimError, match="at least one"):
        rs.compare(rigs[:2], {})


def test_layouts_of_one_name_get_letters(rigs):
    assert rs.compare(rigs[:2], {"c_bend": None}).names == ("A", "B")


@pytest.mark.slow
def test_check_is_a_function_whatever_was_imported_first():
    code = """
import ribbonsim.bendcheck.compare, ribbonsim as rs
try:
    rs.check()
except TypeError as error:
    assert "rig" in str(error), error
rs.compare
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_progress_tells_every_layout_and_can_stop(rigs):
    said = []
    rs.compare(rigs[:2], POSES, ["one", "two"], progress=lambda *step: said.append(step))
    assert said[0] == ("measure one", 0, 3)
    assert said[-1] == ("measure two", 3, 3)

    def stop(stage, done, total):
        if stage == "measure two":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rs.compare(rigs[:2], POSES, ["one", "two"], progress=stop)


# -- the folder ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(rigs, tmp_path_factory):
    seen = []
    real = Stage.image

    def image(stage, labels=True):
        seen.append((tuple(stage.camera.position), stage.camera.view))
        return real(stage, labels)

    out = tmp_path_factory.mktemp("made") / "deep" / "out"
    Stage.image = image
    try:
        found = compare_into_folder(rigs, out, POSES, ["five", "seven", "three"])
    finally:
        Stage.image = real
    return out, found, seen


def test_one_camera_serves_all_layouts_of_a_pose(folder):
    _, _, seen = folder
    # in clay and in colours, and all but the first over that
    assert len(seen) == len(POSES) * (3 + 3 + 2)
    cameras = [seen[k : k + 8] for k in range(0, len(seen), 8)]
    assert all(len(set(group)) == 1 for group in cameras)
    assert len({group[0] for group in cameras}) == len(POSES)


def test_every_picture_and_plot_is_there(folder):
    out, _, _ = folder
    names = {path.name for path in out.iterdir()}
    wanted = {f"{kind}_{pose}_{letter}.png" for kind in ("pose", "heat") for pose in POSES
              for letter in "ABC"}  # fmt: skip
    wanted |= {f"apart_{pose}_{letter}.png" for pose in POSES for letter in "BC"}
    plots = {f"{kind}_{pose}.svg" for kind in ("girth", "curvature", "stretch") for pose in POSES}
    assert names == wanted | plots | {"index.html", "comparison.json"}
    for name in wanted:
        with Image.open(out / name) as picture:
            assert np.asarray(picture).std() > 5


def test_no_body_is_cut_off(folder):
    out, _, _ = folder
    for path in out.glob("pose_*.png"):
        picture = np.asarray(Image.open(path), dtype=int)
        # clay is warm, the background is not
        warm = picture[..., 0] - picture[..., 2] > 20
        assert warm.sum() > 1000
        assert not warm[[0, -1]].any()
        assert not warm[:, [0, -1]].any()


def test_page_asks_for_nothing_and_shows_the_table(folder):
    out, found, _ = folder
    page = Page((out / "index.html").read_text(encoding="utf-8"))
    assert page.asks_for == []
    assert "script" not in page.tags
    assert "http" not in page.style
    assert page.tags.count("svg") == 3 * len(POSES)
    assert page.tags.count("img") == (3 + 3 + 2) * len(POSES)
    for told in found.table:
        assert told.title in page.text
        for text in told.texts:
            assert text in page.text
    for sentence in found.differences:
        assert sentence in page.text
    assert page.classes.count("best") == sum(len(told.best) for told in found.table)
    assert page.classes.count("worst") == sum(len(told.worst) for told in found.table)
    assert json.loads((out / "comparison.json").read_text(encoding="utf-8")) == json.loads(
        json.dumps(found.to_dict())
    )


@pytest.mark.slow
def test_names_from_files_stand_as_text(tmp_path):
    bad = "<script>alert(1)</script>"
    mesh = worm()
    plain = build_layout(mesh, BuildOptions(stations=9, controls=2))
    controls = (Control(bad, 1), Control('" onload="alert(2)', 9, carried_by=bad))
    odd = Layout(plain.ribbon, plain.stations, controls)
    pair = [bind(mesh, plain), bind(mesh, odd)]
    compare_into_folder(pair, tmp_path / "out", {"twist": None}, [bad, "</style><b>"])
    page = Page((tmp_path / "out" / "index.html").read_text(encoding="utf-8"))
    assert not {"script", "b"} & set(page.tags)
    assert bad in page.text
    assert "</style><b>" in page.text


@pytest.mark.slow
def test_nothing_is_overwritten_unless_asked(rigs, tmp_path):
    (tmp_path / "heat_twist_B.png").write_text("mine")
    with pytest.raises(RibbonsimError, match=r"heat_twist_B\.png exists and is kept"):
        compare_into_folder(rigs[:2], tmp_path, {"twist": None})
    assert [path.name for path in tmp_path.iterdir()] == ["heat_twist_B.png"]
    compare_into_folder(rigs[:2], tmp_path, {"twist": None}, heat=False)
    assert (tmp_path / "heat_twist_B.png").read_text() == "mine"
    compare_into_folder(rigs[:2], tmp_path, {"twist": None}, force=True)
    assert (tmp_path / "heat_twist_B.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("stage", ["measure A", "draw", "write"])
def test_stopped_by_the_user_nothing_is_left(rigs, tmp_path, stage):
    def stop(what, done, total):
        if what == stage:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        compare_into_folder(rigs[:2], tmp_path / "a" / "b", {"twist": None}, progress=stop)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_disk_that_fills_leaves_what_was_there(rigs, tmp_path, monkeypatch):
    import os
    from pathlib import Path

    compare_into_folder(rigs[:2], tmp_path / "out", {"twist": None}, heat=False)
    before = {path: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    real = Path.write_bytes

    def full(path, data):
        if path.name == "index.html":
            raise OSError(28, os.strerror(28))  # ENOSPC
        return real(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(RibbonsimError, match="free some space"):
        compare_into_folder(rigs[:2], tmp_path / "out", {"twist": None}, heat=False, force=True)
    assert {path: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before


# -- the command -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def files(rigs, tmp_path_factory):
    place = tmp_path_factory.mktemp("files")
    write_obj(worm(), place / "worm.obj")
    for rig, name in zip(rigs, ("five", "seven", "three"), strict=True):
        rig.layout.save(place / f"{name}.toml")
    return place


def run(*arguments):
    return run_here("compare", *arguments)


def test_command_prints_table_and_differences(files):
    done = run(files / "worm.obj", files / "five.toml", files / "three.toml", "--poses", "s_bend")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[:2] == ["A  five", "B  three"]
    assert "largest shape error" in done.stdout
    assert "A (five)" in done.stdout
    assert "for B (three), in s bend" in done.stdout


@pytest.mark.slow
def test_command_fills_a_folder_and_prints_json(files, tmp_path):
    out = tmp_path / "out"
    done = run(files / "worm.obj", files / "five.toml", files / "three.toml", "--poses", "c_bend",
               "--out", out, "--json", "--no-heat")  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["layouts"][1]["name"] == "three"
    assert (out / "index.html").exists()
    assert not list(out.glob("heat_*"))


def test_command_ends_with_two_and_one_sentence(files, tmp_path, capsys):
    mesh, five = files / "worm.obj", files / "five.toml"
    (tmp_path / "index.html").write_text("mine")
    for arguments, words in (
        ((mesh, five), "1 layout cannot be compared: give 2 to 6"),
        ((mesh, five, five), "given twice"),
        ((mesh, five, files / "none.toml"), "none.toml"),
        ((mesh, five, files / "three.toml", "--poses", "wave"), "wave"),
        ((mesh, five, files / "three.toml", "--out", tmp_path), "exists and is kept"),
    ):
        with pytest.raises(SystemExit) as end:
            main(["compare", *map(str, arguments)])
        said = capsys.readouterr()
        assert end.value.code == 2
        assert said.out == ""
        (sentence,) = [x for x in said.err.splitlines() if not x.endswith(" ...")]
        assert sentence.startswith("ribbonsim: ")
        assert words in sentence
