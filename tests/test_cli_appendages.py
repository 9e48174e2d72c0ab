"""Appendages at the command line: found, chosen by tip, shown as a tree, refused in a sentence."""

import json
import re

import numpy as np
import pytest
from limbs import six_arms
from tubes import straight, tube

from ribbonsim import Layout
from ribbonsim.cli.main import main
from ribbonsim.cli.parameter_types import LimbType
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.rig.first_layout import LimbTip


@pytest.fixture(scope="module")
def creature(tmp_path_factory):
    mesh, owner = six_arms(0.5)
    path = tmp_path_factory.mktemp("mesh") / "six.obj"
    write_obj(mesh, path)
    return path, mesh, owner


def done(capsys, *arguments, code=0):
    with pytest.raises(SystemExit) as end:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert end.value.code == code, err
    assert "Traceback" not in err
    return out


def refused(capsys, *arguments):
    """What is said about arguments that cannot be used."""
    with pytest.raises(SystemExit) as end:
        main([str(argument) for argument in arguments])
    assert end.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    (sentence,) = [line for line in err.splitlines() if not line.endswith(" ...")]
    assert sentence.startswith("ribbonsim: ")
    assert sentence.endswith(".")
    return sentence


def vertex_of(mesh, owner, arm):
    """Number in the file, from 1, of a vertex out on an arm."""
    mine = np.flatnonzero(owner == arm)
    return int(mine[np.argmax(np.abs(mesh.positions[mine, 0]))]) + 1


def test_all_limbs_are_found_paired_and_shown_as_a_tree(creature, tmp_path, capsys):
    path, _, _ = creature
    file = tmp_path / "six.toml"
    told = done(capsys, "layout", path, "--out", file, "--appendages", "--show").splitlines()
    told = told[next(k for k, line in enumerate(told) if line.startswith("body: ")) :]
    tree = [re.match(r"  (\w+): .* 9 stations, 5 controls, by station \d+ of body", line)
            for line in told[1:7]]  # fmt: skip
    layout = Layout.load(file)
    assert [match[1] for match in tree] == [one.name for one in layout.appendages]
    assert told[7] == ""
    assert "and 6 appendages that it carries" in told[-1]
    # limbs.py: three to each side
    for one in layout.appendages:
        other = layout.appendage(one.partner)
        assert other.partner == one.name
        ends = [np.asarray(limb.layout.ribbon.midline(1.0)) for limb in (one, other)]
        np.testing.assert_allclose(ends[0] * [-1, 1, 1], ends[1], atol=0.6)


def test_a_body_without_limbs_is_said_to_have_none(tmp_path, capsys):
    worm = tmp_path / "worm.obj"
    write_obj(tube(straight(rings=31), 1.0, round_ends=3), worm)
    file = tmp_path / "worm.toml"
    told = done(capsys, "layout", worm, "--out", file, "--appendages", "--show")
    assert "no appendage: nothing stands out of the body far enough" in told
    assert Layout.load(file).appendages == ()


def test_limbs_are_chosen_and_named_by_vertex_and_by_point(creature, tmp_path, capsys):
    path, mesh, owner = creature
    file = tmp_path / "two.toml"
    vertex = vertex_of(mesh, owner, "arm_front_l")
    chosen = ["--appendage", f"{vertex}=oar", "--appendage", "-13,2,10=lamp hand"]
    done(capsys, "layout", path, "--out", file, *chosen)
    layout = Layout.load(file)
    assert {one.name for one in layout.appendages} == {"oar", "lamp hand"}
    assert layout.appendage("oar").layout.ribbon.midline(1.0)[2] > 29.0
    assert layout.appendage("lamp hand").layout.ribbon.midline(1.0)[0] < -12.0
    done(capsys, "layout", path, "--out", file, "--force", "--appendages", *chosen)
    layout = Layout.load(file)
    assert len(layout.appendages) == 6
    assert {"oar", "lamp hand"} < {one.name for one in layout.appendages}


@pytest.mark.slow
def test_check_takes_the_same_options_and_names_the_limbs(creature, capsys):
    path, mesh, owner = creature
    vertex = vertex_of(mesh, owner, "arm_middle_r")
    with pytest.raises(SystemExit):
        main(
            [
                *("check", str(path), "--json", "--poses", "appendage_curl=150"),
                f"--appendage={vertex}=oar",
            ]
        )
    told = json.loads(capsys.readouterr().out)
    assert list(told["measures"]) == ["appendage_curl"]
    assert {finding["ribbon"] for finding in told["findings"]} <= {"body", "oar"}


@pytest.mark.slow
def test_preview_takes_the_same_options(creature, tmp_path, capsys):
    path, mesh, owner = creature
    out = tmp_path / "seen"
    # few controls: each has a picture of its own
    few = (f"--appendage={vertex_of(mesh, owner, 'arm_middle_r')}=oar", "--controls", "1")
    done(capsys, "preview", path, "--out", out, *few, "--poses", "appendage_wave")
    assert [one.name for one in Layout.load(out / "layout.toml").appendages] == ["oar"]
    assert (out / "pose_appendage_wave.png").exists()


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        (["{body}"], "is not on an appendage: choose one that stands out of the body"),
        (["{arm}", "{arm}"], "is on an appendage that was chosen before"),
        (["99999999"], "six has no vertex 99999999"),
        (["0"], "vertices count from 1, so there is no 0"),
        (["{arm}="], "has no name after '='"),
        (["{arm}=body"], "two ribbons are called 'body': choose another name"),
        (["{arm}=oar", "{other}=oar"], "two ribbons are called 'oar': choose another name"),
        (["left"], "'left' is neither a vertex number nor a point x,y,z"),
        (["1,2"], "'1,2' is neither a vertex number nor a point x,y,z"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_sentence(creature, tmp_path, capsys, chosen, words):
    path, mesh, owner = creature
    numbers = {
        "arm": vertex_of(mesh, owner, "arm_back_l"),
        "other": vertex_of(mesh, owner, "arm_back_r"),
        "body": int(np.argmax(np.where(owner == "body", mesh.positions[:, 1], -9))) + 1,
    }
    file = tmp_path / "no.toml"
    given = [part for one in chosen for part in ("--appendage", one.format(**numbers))]
    assert words in refused(capsys, "layout", path, "--out", file, *given)
    assert not file.exists()


def test_a_layout_file_and_appendages_are_not_given_together(creature, tmp_path, capsys):
    path, _, _ = creature
    for command in ("preview", "check", "turntable", "handoff"):
        rest = ["--layout", tmp_path / "a.toml", "--out", tmp_path / "b", "--appendages"]
        assert refused(capsys, command, path, *rest, "--spans", "9") == (
            "ribbonsim: --layout holds all that the building options say: "
            f"leave out --spans, --appendages; see ribbonsim {command} --help."
        )


def test_a_tip_reads_as_vertex_or_point_with_or_without_a_name():
    read = LimbType().convert
    assert read("12", None, None) == LimbTip(11)
    assert read("12=fin", None, None) == LimbTip(11, "fin")
    assert read("1,2.5,-3=left=fin", None, None) == LimbTip((1.0, 2.5, -3.0), "left=fin")
    assert read(LimbTip(3), None, None) == LimbTip(3)
