import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner
from tubes import s_curve, tube

from ribbonsim import Layout
from ribbonsim.build import BuildOptions
from ribbonsim.cli import cli, main
from ribbonsim.cli_options import ControlsType, EndType, PosesType
from ribbonsim.obj import write_obj

PROGRAM = [sys.executable, "-c", "from ribbonsim.cli import main; main()"]


@pytest.fixture(scope="module")
def worm(tmp_path_factory):
    path = tmp_path_factory.mktemp("mesh") / "worm.obj"
    write_obj(tube(s_curve(rings=41), np.linspace(0.9, 0.4, 41), 16, 4), path)
    return path


def run(*arguments):
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)], capture_output=True, text=True, check=False, timeout=120
    )


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


@pytest.mark.parametrize("command", [[], ["preview"], ["layout"]])
def test_help_names_every_option(command):
    result = CliRunner().invoke(cli, [*command, "--help"])
    assert result.exit_code == 0
    node = cli.commands[command[0]] if command else cli
    for option in node.params:
        if isinstance(option, click.Option):
            assert max(option.opts, key=len) in result.output
    assert max(map(len, result.output.splitlines())) <= 80


def test_help_tells_the_defaults_that_hold():
    told = CliRunner().invoke(cli, ["layout", "--help"]).output
    plain = BuildOptions()
    for name in ("spans", "stations", "controls"):
        assert re.search(rf"--{name} .*?\[{getattr(plain, name)}\]", told, re.DOTALL)


def test_preview_makes_a_page_and_says_so(worm, tmp_path):
    out = tmp_path / "preview"
    done = run("preview", worm, "--out", out, "--poses", "c_bend,twist=300", "--controls", "1,9,17")
    assert done.returncode == 0, done.stderr
    assert str(out / "index.html") in done.stdout
    assert "2 test poses" in done.stdout
    assert "Traceback" not in done.stderr
    assert done.stderr.splitlines()[0] == "read the mesh ..."
    assert (out / "pose_twist.png").exists()
    assert len(list(out.glob("weights_*.png"))) == 3


def test_layout_is_written_shown_and_previewed(worm, tmp_path):
    file = tmp_path / "worm.toml"
    done = run("layout", worm, "--out", file, "--show", "--stations", "9", "--controls", "3")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].split()[:4] == ["station", "t", "length", "spacing"]
    assert len([line for line in lines if re.match(r" *\d+ +\d\.\d{4}", line)]) == 9
    assert "--layout" in lines[-1]
    layout = Layout.load(file)
    assert len(layout.stations) == 9
    assert [control.station for control in layout.controls] == [1, 5, 9]
    done = run("preview", worm, "--out", tmp_path / "out", "--layout", file, "--poses", "curl")
    assert done.returncode == 0, done.stderr
    assert Layout.load(tmp_path / "out" / "layout.toml").control_names == layout.control_names


def test_ends_are_taken_as_in_the_file(worm, tmp_path, capsys):
    # the poles are the last two vertices; counted from 1 the one at the start is the last but one
    count = sum(line.startswith("v ") for line in worm.read_text().splitlines())
    for name, root, tip in (("a", count - 1, count), ("b", "0,0,0", "10,0,3")):
        with pytest.raises(SystemExit) as end:
            main(
                [
                    "layout",
                    str(worm),
                    "--out",
                    str(tmp_path / name),
                    "--root",
                    str(root),
                    "--tip",
                    str(tip),
                ]
            )
        assert end.value.code == 0
        start, stop = Layout.load(tmp_path / name).ribbon.midline([0.0, 1.0])
        assert np.linalg.norm(start) < 1.5
        assert np.linalg.norm(stop - [10.0, 0.0, 3.0]) < 1.5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["preview", "nowhere.obj", "--out", "{out}"], "nowhere.obj"),
        (["preview", "{folder}", "--out", "{out}"], "folder"),
        (["preview", "{mesh}"], "--out"),
        (["preview", "{mesh}", "--out", "{out}", "--poses", "c_bend,wave"], "wave"),
        (["preview", "{mesh}", "--out", "{out}", "--poses", "c_bend=much"], "much"),
        (["preview", "{mesh}", "--out", "{out}", "--poses", "c_bend=nan"], "c_bend"),
        (["preview", "{mesh}", "--out", "{out}", "--poses", "curl,curl"], "twice"),
        (["preview", "{mesh}", "--out", "{mesh}"], "cannot be written"),
        (["preview", "{mesh}", "--out", "{out}", "--layout", "no.toml"], "no.toml"),
        (["preview", "{mesh}", "--out", "{out}", "--layout", "a.toml", "--spans", "9"], "--spans"),
        (["preview", "{mesh}", "--out", "{out}", "--method", "clever"], "dual-quaternion"),
        (["preview", "{mesh}", "--out", "{out}", "--controls", "1,2,x"], "1,5,9"),
        (["preview", "{mesh}", "--out", "{out}", "--controls", "40"], "40"),
        (["preview", "{mesh}", "--out", "{out}", "--controls", "3,3"], "station 3"),
        (["preview", "{mesh}", "--out", "{out}", "--width", "nan"], "width"),
        (["preview", "{mesh}", "--out", "{out}", "--width", "-1"], "width"),
        (["preview", "{mesh}", "--out", "{out}", "--spans", "0"], "spans"),
        (["preview", "{mesh}", "--out", "{out}", "--stations", "1"], "stations"),
        (["preview", "{mesh}", "--out", "{out}", "--width", "1e9"], "more than the body's length"),
        (["preview", "{mesh}", "--out", "{out}", "--root", "5", "--tip", "5"], "one vertex (5, "),
        (["preview", "{mesh}", "--out", "{out}", "--root", "0"], "count from 1"),
        (["preview", "{mesh}", "--out", "{out}", "--root", "999999"], "999999"),
        (["preview", "{mesh}", "--out", "{out}", "--tip", "1,2"], "x,y,z"),
        (["preview", "{mesh}", "--out", "{out}", "--colour"], "--colour"),
        (["layout", "{mesh}", "--out", "{mesh}"], "exists"),
        (["layout", "{mesh}", "--out", "{folder}/none/x.toml"], "folder"),
        (["paint", "{mesh}"], "paint"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_sentence(worm, tmp_path, capsys, arguments, words):
    places = {"mesh": worm, "folder": tmp_path, "out": tmp_path / "out"}
    sentence = refused(capsys, *(argument.format(**places) for argument in arguments))
    assert words in sentence
    assert not (tmp_path / "out" / "index.html").exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_to(worm, tmp_path, capsys):
    tmp_path.chmod(0o555)
    assert "may write" in refused(capsys, "preview", worm, "--out", tmp_path)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="no folder that nobody may write to")
def test_a_place_where_nobody_can_make_a_folder(worm, capsys):
    assert "/proc/preview" in refused(capsys, "preview", worm, "--out", "/proc/preview")


def test_errors_reach_the_shell_without_a_traceback(tmp_path):
    done = run("preview", tmp_path / "nowhere.obj", "--out", tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert done.stderr.splitlines()[-1].startswith("ribbonsim: ")


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ")
def test_ctrl_c_ends_with_130(worm, tmp_path):
    process = subprocess.Popen(
        [*PROGRAM, "preview", str(worm), "--out", str(tmp_path / "out")],
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    while "draw" not in process.stderr.readline():
        assert process.poll() is None
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert said.splitlines()[-1].startswith("ribbonsim: stopped")
    assert "Traceback" not in said
    assert not (tmp_path / "out" / "index.html").exists()


def test_reader_that_stops_reading_is_no_error(worm, tmp_path):
    process = subprocess.Popen(
        [*PROGRAM, "layout", str(worm), "--out", str(tmp_path / "a.toml"), "--show"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=60) == 0
    assert "Traceback" not in said
    assert "BrokenPipe" not in said


def test_version_is_told():
    done = run("--version")
    assert done.returncode == 0
    assert re.fullmatch(r"ribbonsim \S+\n", done.stdout)


def test_help_loads_nothing_heavy():
    code = "import sys; from ribbonsim.cli import cli; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    roots = {name.split(".")[0] for name in done.stdout.split()}
    assert "click" in roots
    assert not roots & {"numpy", "scipy", "pyvista", "matplotlib", "jinja2", "rich"}


def test_words_become_values():
    assert EndType().convert("7", None, None) == 6
    assert EndType().convert("1,-2.5,3e1", None, None) == (1.0, -2.5, 30.0)
    assert ControlsType().convert("5", None, None) == 5
    assert ControlsType().convert("1,5", None, None) == (1, 5)
    assert PosesType().convert("c_bend, twist=-90", None, None) == {"c_bend": None, "twist": -90.0}
