"""The folder of a check: a page that stands alone, close-ups that show the place, exit codes."""

import json
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from cases import first_of
from command_line import run_here
from pages import Page
from PIL import Image
from tubes import arc, s_curve, straight, swept, tube

from ribbonsim import (
    Control,
    CreatureMesh,
    Layout,
    Limits,
    Pose,
    Ribbon,
    RibbonsimError,
    bind,
    load_mesh,
)
from ribbonsim.bendcheck.findings import Finding, Place
from ribbonsim.bendcheck.report import check
from ribbonsim.files.names import file_names
from ribbonsim.files.writing import Bundle
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.pages.check_page import check_into_folder
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.view.closeups import draw_finding, finding_heat
from ribbonsim.view.look import Scale
from ribbonsim.view.scene import Stage

STRICT = Limits(stretch=1.05, squeeze=0.95, pinch=0.999, bulge=1.001, kink=1.01, shape=1e-4)
POSES = {"curl": 300.0, "twist": 300.0, "c_bend": 20.0}


def rig_with(limits, mesh=None):
    mesh = mesh or tube(
        s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm"
    )
    plain = build_layout(mesh, BuildOptions(stations=13, controls=4))
    return bind(
        mesh,
        Layout(plain.ribbon, plain.stations, plain.controls, limits=limits, name=plain.name),
    )


@pytest.fixture(scope="module")
def rig():
    return rig_with(STRICT)


@pytest.fixture(scope="module")
def folder(rig, tmp_path_factory):
    out = tmp_path_factory.mktemp("made") / "deep" / "out"
    said = []
    report = check_into_folder(
        rig, out, POSES, mesh_path="worm.obj", progress=lambda *step: said.append(step)
    )
    return out, report, said


# -- close-ups -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def report(rig):
    return check(rig, POSES, remedies=False)


def test_strict_limits_find_something_of_many_kinds(report):
    assert {"pinch", "kink", "shape", "volume"} <= {f.kind for f in report.findings}


def test_close_up_holds_every_vertex_and_shows_most(rig, report):
    width, height = 400, 300
    with Stage(rig.mesh, (width, height)) as stage:
        for finding in report.findings:
            case = report.cases[finding.pose]
            picture = draw_finding(stage, case, finding).astype(int)
            seen = stage.project(case.positions[finding.vertices])
            assert (seen >= 0).all()
            assert (seen < [width, height]).all()
            # marks are dark and warm, the faint body is grey and pale
            x, y = seen.astype(int).T
            own = picture[y, x]
            marked = own[:, 0] - own[:, 1] > 40
            assert marked.sum() >= 0.2 * len(marked), finding.statement
            # seen from near: the place is not a speck in a picture of the whole body
            extent = np.ptp(seen, axis=0).max() / height
            whole = np.ptp(stage.project(case.positions), axis=0).max() / height
            assert extent > 0.25 or whole < 2.0, (finding.kind, extent)


@pytest.mark.slow
def test_what_the_body_hides_is_dotted_over_it():
    outer = swept(straight(20.0, 81), 1.0, around=24, round_ends=6)
    inner = swept(straight(1.0, 9) + np.array([9.5, 0.0, 0.0]), 0.1, around=8)
    count = len(outer[0])
    faces = outer[1] + [[v + count for v in face] for face in inner[1]]
    mesh = CreatureMesh.from_arrays(np.vstack([outer[0], inner[0]]), faces, "pipe in pipe")
    rig = rig_with(Limits(), mesh)
    case = check(rig, {"c_bend": 10.0}, remedies=False).cases["c_bend"]
    none = np.zeros((0, 2), dtype=np.int64)
    hidden = np.arange(count, len(mesh.positions))
    finding = Finding("fold", "c_bend", Place(7, "control2"), 5.0, 0.0, 2.0, hidden, none)
    with Stage(mesh, (400, 300)) as stage:
        picture = draw_finding(stage, case, finding).astype(int)
        x, y = stage.project(case.positions[hidden]).astype(int).T
        plain = draw_finding(stage, case, replace(finding, vertices=np.arange(40))).astype(int)
    assert np.mean(np.ptp(picture[y, x], axis=1) > 45) > 0.5
    dots = (picture == 255).all(axis=2).sum()  # their rims are white, which nothing else is
    assert dots > 50
    assert (plain == 255).all(axis=2).sum() == 0


def test_only_vertices_concerned_are_coloured(rig, report):
    for finding in report.findings:
        values, scale = finding_heat(report.cases[finding.pose], finding)
        shares = scale.share(values)
        others = np.ones(len(values), dtype=bool)
        others[finding.vertices] = False
        if finding.kind in ("volume", "kink", "shape"):
            # a stretch of the body is marked with ends that fade within a tenth of its length
            places = rig.places[finding.vertices]
            reach = 0.1 * np.ptp(places)
            near = (rig.places > places.min() - reach) & (rig.places < places.max() + reach)
            others &= ~near
        assert (shares[others] == 0).all()
        assert shares[finding.vertices].max() > 0.5
        if scale.title:
            assert scale.share(finding.value) == pytest.approx(1.0)


def test_scales_may_fall():
    scale = Scale("girth", 1.0, 0.6)
    assert scale.share([1.0, 0.8, 0.6, 0.5]) == pytest.approx([0.0, 0.5, 1.0, 1.0])


# -- the folder ------------------------------------------------------------------------------------


def test_every_file_is_there(folder):
    out, report, _ = folder
    names = {path.name for path in out.iterdir()}
    poses = {f"pose_{pose}.png" for pose in POSES}
    plots = {f"{kind}_{pose}.svg" for kind in ("girth", "curvature", "stretch") for pose in POSES}
    closeups = {
        f"finding_{k:02}_{finding.kind}{f'_{finding.pose}' if place else ''}.png"
        for k, cause in enumerate(report.causes, start=1)
        for place, finding in enumerate(cause.shown)
    }
    assert len(closeups) > len(report.causes)
    assert names == poses | plots | closeups | {"index.html", "report.json"}
    for name in poses | closeups:
        with Image.open(out / name) as picture:
            assert np.asarray(picture).std() > 5
    for name in plots:
        root = ElementTree.parse(out / name).getroot()
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root[0].tag.endswith("rect")
        assert len(list(root.iter("{http://www.w3.org/2000/svg}path"))) > 10


def test_numbers_are_those_of_the_report(folder):
    out, report, _ = folder
    told = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert told == json.loads(json.dumps(report.to_dict()))
    assert told["bends_right"] is False


def test_page_asks_for_nothing_and_tells_everything(folder, rig):
    out, report, _ = folder
    page = Page((out / "index.html").read_text(encoding="utf-8"))
    assert page.asks_for == []
    assert "script" not in page.tags
    assert not re.search(r"url\(|@import|https?://", page.style)
    assert "It does not bend right" in page.text
    assert page.tags.count("article") == len(report.causes)
    assert page.tags.count("img") == sum(len(one.shown) for one in report.causes) + len(POSES)
    tried_for = [cause for cause in report.causes if cause.worst.attempts]
    folded = len(POSES) + len(tried_for) + (len(report.causes) > 3)
    assert page.tags.count("details") == folded
    for cause in report.causes:
        assert cause.worst.statement in page.text
        assert cause.elsewhere in page.text
        assert cause.advice in page.text
        for tried in cause.worst.attempts:
            assert tried.change in page.text
    for note in report.floors:
        assert note in page.text
    assert report.other_drive.sentence in page.text
    for name in rig.layout.control_names:
        assert name in page.text


def test_chosen_changes_are_those_of_the_findings(folder):
    out, report, _ = folder
    page = Page((out / "index.html").read_text(encoding="utf-8"))
    chosen = sum(cause.worst.tried is not None for cause in report.causes)
    assert page.classes.count("marked") == chosen
    for cause in report.causes:
        if cause.worst.tried is not None:
            assert cause.worst.tried.clears
            assert cause.worst.tried is cause.worst.attempts[0]


def test_cells_beyond_a_limit_are_marked_with_a_sign(folder):
    out, report, _ = folder
    text = (out / "index.html").read_text(encoding="utf-8")
    columns = {"pinch": "girth", "bulge": "girth"}
    broken = {(f.pose, columns.get(f.kind, f.kind)) for f in report.findings if f.pose}
    assert text.count('<td class="over">▲ ') == len(broken)


def test_progress_tells_of_every_part(folder):
    _, report, said = folder
    stages = list(dict.fromkeys(stage for stage, _, _ in said))
    assert [stage for stage in stages if stage in ("trying changes", "draw", "write")] == [
        "trying changes", "draw", "write",
    ]  # fmt: skip
    total = sum(len(cause.shown) for cause in report.causes) + len(POSES)
    assert ("draw", total, total) in said


def test_what_bends_right_says_so(tmp_path):
    rig = rig_with(Limits())
    report = check_into_folder(rig, tmp_path / "out", {"c_bend": 15.0})
    assert report.bends_right
    page = Page((tmp_path / "out" / "index.html").read_text(encoding="utf-8"))
    assert "It bends right" in page.text
    assert "article" not in page.tags


def test_a_pose_of_controls_can_be_checked_too(tmp_path):
    rig = rig_with(Limits())
    pose = Pose({"control3": {"bend": 60}})
    check_into_folder(rig, tmp_path / "out", {"../my pose": pose})
    assert (tmp_path / "out" / "pose_.._my_pose.png").exists()
    assert {path.name for path in tmp_path.iterdir()} == {"out"}


def test_findings_of_the_layout_itself_are_drawn_at_rest(tmp_path):
    line = arc(300.0, 20.0, 121)
    mesh = tube(line, 0.6, around=16, round_ends=4, name="ring")
    plain = Layout.from_ribbon(Ribbon.along(line, 0.5, 24), 17, 5)
    rig = bind(mesh, plain)
    weights = rig.mesh_weights.copy()
    near_tip = np.flatnonzero(rig.places > 0.97 * plain.ribbon.length)
    weights[near_tip] *= 0.5
    weights[near_tip, 0] += 0.5  # half of the tip hangs on the root
    report = check_into_folder(replace(rig, mesh_weights=weights), tmp_path / "out", {})
    (finding,) = [finding for finding in report.findings if finding.kind == "bleed"]
    assert set(finding.vertices) <= set(near_tip)
    text = Page((tmp_path / "out" / "index.html").read_text(encoding="utf-8")).text
    assert "in the layout itself" in text


@pytest.mark.slow
def test_names_from_files_stand_as_text(tmp_path):
    bad = "<script>alert(1)</script>"
    mesh = tube(s_curve(rings=41), np.linspace(0.9, 0.4, 41), 16, 4)
    write_obj(mesh, tmp_path / "plain.obj")
    lines = (tmp_path / "plain.obj").read_text().splitlines()
    faces = [k for k, line in enumerate(lines) if line.startswith("f ")]
    lines.insert(faces[len(faces) // 2], f"g {bad}")
    lines.insert(faces[0], "g <b>front")
    odd = tmp_path / "<img src=x onerror=alert(3)>.obj"
    odd.write_text("\n".join(lines))
    mesh = load_mesh(odd)
    assert any(bad in name for name in mesh.group_names)
    plain = build_layout(mesh, BuildOptions(stations=9, controls=2))
    controls = (Control("<i>root", 1), Control('" onload="alert(2)', 9, carried_by="<i>root"))
    rig = bind(mesh, Layout(plain.ribbon, plain.stations, controls, limits=STRICT, name=bad))
    report = check_into_folder(rig, tmp_path / "out", {"twist": 200.0}, mesh_path=str(odd))
    assert any("<" in finding.place.part for finding in report.findings)
    page = Page((tmp_path / "out" / "index.html").read_text(encoding="utf-8"))
    assert not {"script", "b"} & set(page.tags)
    assert page.tags.count("i") == 1  # the page's own colour bar
    assert page.tags.count("img") == len(report.causes) + 1
    assert "<i>root" in page.text
    assert "onerror=alert(3)" in page.text


def test_nothing_is_overwritten_unless_asked(rig, tmp_path):
    (tmp_path / "report.json").write_text("mine")
    with pytest.raises(RibbonsimError, match=r"report\.json exists and is kept"):
        check_into_folder(rig, tmp_path, {"c_bend": 20.0})
    assert (tmp_path / "report.json").read_text() == "mine"
    check_into_folder(rig, tmp_path, {"c_bend": 20.0}, force=True)
    assert (tmp_path / "report.json").read_text().startswith("{")


@pytest.mark.parametrize("stage", first_of("write", "trying changes", "draw"))
def test_stopped_by_the_user_nothing_is_left(rig, tmp_path, stage):
    def stop(what, done, total):
        if what == stage:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        check_into_folder(rig, tmp_path / "a" / "out", {"curl": None}, progress=stop)
    assert list(tmp_path.iterdir()) == []


# -- bundles ---------------------------------------------------------------------------------------


def test_bundle_keeps_a_folder_that_was_there(tmp_path):
    with pytest.raises(KeyboardInterrupt), Bundle(tmp_path):
        raise KeyboardInterrupt
    assert tmp_path.exists()


def test_bundle_takes_back_what_it_placed(tmp_path, monkeypatch):
    import os

    real = os.replace
    (tmp_path / "b").write_text("old b")

    def stopped(source, target):
        if str(target).endswith("c"):
            raise KeyboardInterrupt
        return real(source, target)

    monkeypatch.setattr("ribbonsim.files.staging.os.replace", stopped)
    with pytest.raises(KeyboardInterrupt), Bundle(tmp_path, force=True) as bundle:
        bundle.write({"a": "new a", "b": "new b", "c": "new c"})
    assert {path.name for path in tmp_path.iterdir()} == {"b"}


def test_bundle_says_what_is_in_the_way(tmp_path):
    (tmp_path / "a").mkdir()
    with Bundle(tmp_path, force=True) as bundle, pytest.raises(RibbonsimError, match="is a folder"):
        bundle.claim(["a"])
    (tmp_path / "f").write_text("")
    with pytest.raises(RibbonsimError, match="cannot be written"), Bundle(tmp_path / "f" / "g"):
        pass


def test_file_names_never_meet():
    names = file_names(["a/b", "a\\b", "A_b", "..", ".x", "é", "x" * 200, "x" * 201, " ", ""])
    assert len({name.casefold() for name in names}) == len(names)
    assert all("/" not in name and not name.startswith(".") for name in names)


def test_a_long_lead_is_cut_and_what_tells_files_apart_is_kept():
    names = file_names(["c_bend", "n" * 40], ".obj", lead="eel" * 70)
    assert names[0].endswith("_c_bend.obj")
    assert names[1].endswith(f"_{'n' * 40}.obj")
    assert all(len(name) <= 68 for name in names)
    assert file_names(["curl"], ".obj", lead="a/b")[0] == "a_b_curl.obj"


# -- the command -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    place = tmp_path_factory.mktemp("files")
    for name, limits in (("strict", STRICT), ("usual", Limits())):
        rig = rig_with(limits)
        rig.layout.save(place / f"{name}.toml")
    write_obj(rig.mesh, place / "worm.obj")
    return place


def run(*arguments):
    return run_here("check", *arguments)


@pytest.mark.parametrize(("layout", "code"), first_of(("strict", 1), ("usual", 0)))
def test_exit_code_is_the_verdict(files, tmp_path, layout, code):
    out = tmp_path / "out"
    done = run(files / "worm.obj", "--layout", files / f"{layout}.toml", "--poses", "s_bend=15",
               "--out", out)  # fmt: skip
    assert done.returncode == code, done.stderr
    assert str(out / "index.html") in done.stdout
    assert json.loads((out / "report.json").read_text())["bends_right"] is (code == 0)


def test_errors_end_with_two_and_one_sentence(files, tmp_path):
    (tmp_path / "index.html").write_text("mine")
    for arguments, words in (
        ((files / "none.obj",), "none.obj"),
        ((files / "worm.obj", "--poses", "wave"), "wave"),
        ((files / "worm.obj", "--poses", "c_bend", "--out", tmp_path), "exists and is kept"),
    ):
        done = run(*arguments)
        assert done.returncode == 2
        (sentence,) = [x for x in done.stderr.splitlines() if not x.endswith(" ...")]
        assert sentence.startswith("ribbonsim: ")
        assert words in sentence
    assert (tmp_path / "index.html").read_text() == "mine"
