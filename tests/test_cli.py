import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
from cases import first_of
from click.testing import CliRunner
from command_line import run_here
from tubes import s_curve, straight, tube

from ribbonsim import Layout
from ribbonsim.cli.main import cli, main
from ribbonsim.cli.parameter_types import ControlsType, EndType, PosesType
from ribbonsim.layout.spans import FEWEST
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.rig.first_layout import BuildOptions

PROGRAM = [sys.executable, "-c", "from ribbonsim.cli.main import main; main()"]


@pytest.fixture(scope="module")
def worm(tmp_path_factory):
    path = tmp_path_factory.mktemp("mesh") / "worm.obj"
    write_obj(tube(s_curve(rings=41), np.linspace(0.9, 0.4, 41), 16, 4), path)
    return path


@pytest.fixture(scope="module")
def stub(tmp_path_factory):
    """A body that is short and thick: the quickest to lay out, for whole processes."""
    path = tmp_path_factory.mktemp("mesh") / "stub.obj"
    write_obj(tube(straight(5.0, 11), 1.0, 10, 2), path)
    return path


# waits at a stage until it is stopped, however busy the machine is
WAITS = """
import sys
from ribbonsim.cli import progress
from ribbonsim.cli.main import main
real = progress._plain_line
def waiting(stage, done, total):
    if stage == sys.argv[1]:
        print("waits", file=sys.stderr, flush=True)
        sys.stdin.readline()
    real(stage, done, total)
progress._plain_line = waiting
main(sys.argv[2:])
"""


def run(*arguments):
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)], capture_output=True, text=True, check=False, timeout=600
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
    assert "\\" not in result.output


def test_sections_share_the_joint_where_they_meet(worm, tmp_path):
    """9 and 9 joints with one in common are 17; three controls in each with one in common, 5."""
    for count, stands in (((), [1, 5, 9, 13, 17]), (("--controls", 2), [1, 9, 17])):
        file = tmp_path / "worm.toml"
        done = run_here("layout", worm, "--out", file, "--force", "--sections", "9,9", *count)
        assert done.returncode == 0, done.stderr
        layout = Layout.load(file)
        assert len(layout.stations) == 17
        assert [control.station for control in layout.controls] == stands
    run_here("layout", worm, "--out", file, "--force", "--sections", "5,9")
    layout = Layout.load(file)
    assert [control.station for control in layout.controls] == [1, 3, 5, 9, 13]
    lengths = layout.ribbon.arc_length(layout.stations)
    assert np.allclose(np.diff(lengths), layout.ribbon.length / 12, rtol=1e-6)


def test_help_tells_the_defaults_that_hold():
    told = CliRunner().invoke(cli, ["layout", "--help"]).output
    plain = BuildOptions()
    for name in ("stations", "controls", "drive"):
        assert re.search(rf"--{name} .*?\[{getattr(plain, name)}\]", told, re.DOTALL)
    assert re.search(rf"--spans .*?left out, {FEWEST} or", " ".join(told.split()))
    held = rf"--sections .*?has, {plain.controls_per_section} if it is left out"
    assert re.search(held, " ".join(told.split()))


@pytest.mark.slow
def test_preview_makes_a_page_and_says_so(worm, tmp_path):
    out = tmp_path / "preview"
    done = run_here(
        "preview", worm, "--out", out, "--poses", "c_bend,twist=300", "--controls", "1,9,17"
    )
    assert done.returncode == 0, done.stderr
    assert str(out / "index.html") in done.stdout
    assert "2 test poses" in done.stdout
    assert "Traceback" not in done.stderr
    assert done.stderr.splitlines()[0] == "read the mesh ..."
    assert (out / "pose_twist.png").exists()
    assert len(list(out.glob("weights_*.png"))) == 3


def test_layout_is_written_shown_and_previewed(worm, tmp_path):
    file = tmp_path / "worm.toml"
    done = run_here("layout", worm, "--out", file, "--show", "--stations", "9", "--controls", "3")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0] == "Up is y."
    assert ["station", "t", "length", "spacing"] in [line.split()[:4] for line in lines]
    assert len([line for line in lines if re.match(r" *\d+ +\d\.\d{4}", line)]) == 9
    assert "--layout" in lines[-1]
    layout = Layout.load(file)
    assert len(layout.stations) == 9
    assert [control.station for control in layout.controls] == [1, 5, 9]
    done = run_here("preview", worm, "--out", tmp_path / "out", "--layout", file, "--poses", "curl")
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
        (["layout", "{mesh}", "--out", "{out}", "--sections", "9,x"], "such as 9,9"),
        (["layout", "{mesh}", "--out", "{out}", "--sections", "9,1"], "at least two joints"),
        (["layout", "{mesh}", "--out", "{out}", "--sections", "9,9", "--controls", "1"], "2 to 9"),
        (
            ["layout", "{mesh}", "--out", "{out}", "--sections", "9,9", "--controls", "1,9"],
            "how many each section has",
        ),
        (
            ["layout", "{mesh}", "--out", "{out}", "--sections", "9,9", "--stations", "9"],
            "leave out --stations",
        ),
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
        (["layout", "{mesh}", "--out", "{mesh}", "--force"], "was read"),
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
@pytest.mark.parametrize(
    ("kind", "stage"),
    first_of(
        ("SIGINT", "bind the mesh"), ("SIGINT", "write"), ("SIGTERM", "draw"), ("SIGHUP", "draw")
    ),
)
def test_a_signal_that_stops_leaves_nothing(stub, tmp_path, kind, stage):
    number = getattr(signal, kind)
    words = ["preview", str(stub), "--out", str(tmp_path / "out"), "--poses", "curl"]
    words += ["--controls", "1"]  # as few pictures as there can be
    process = subprocess.Popen(
        [sys.executable, "-c", WAITS, stage, *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # started in the background or by nohup, the tests themselves ignore some signals
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),
    )
    assert process.stderr is not None
    while "waits" not in process.stderr.readline():
        assert process.poll() is None
    process.send_signal(number)
    _, said = process.communicate(timeout=600)
    assert process.returncode == 128 + number, said  # as a shell tells it
    assert said.splitlines()[-1].startswith("ribbonsim: stopped")
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_reader_that_stops_reading_is_no_error(stub, tmp_path):
    process = subprocess.Popen(
        [*PROGRAM, "layout", str(stub), "--out", str(tmp_path / "a.toml"), "--show"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=600) == 0
    assert "Traceback" not in said
    assert "BrokenPipe" not in said


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_terminal_shows_a_bar_in_place_of_lines(stub, tmp_path):
    ours, theirs = os.openpty()
    file = tmp_path / "a.toml"
    done = subprocess.run(
        [*PROGRAM, "layout", str(stub), "--out", str(file)], stderr=theirs, check=False, timeout=600
    )
    os.close(theirs)
    shown = os.read(ours, 100_000).decode()
    os.close(ours)
    assert done.returncode == 0
    assert "lay out the ribbon" in shown
    assert "100%" in shown
    assert " ..." not in shown


def test_version_is_told():
    done = run("--version")
    assert done.returncode == 0
    assert re.fullmatch(r"ribbonsim \S+\n", done.stdout)


def test_help_loads_nothing_heavy():
    code = "import sys; from ribbonsim.cli.main import cli; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    roots = {name.split(".")[0] for name in done.stdout.split()}
    assert "click" in roots
    assert not roots & {"numpy", "scipy", "pyvista", "matplotlib", "jinja2", "trimesh", "igl"}


def test_words_become_values():
    assert EndType().convert("7", None, None) == 6
    assert EndType().convert("1,-2.5,3e1", None, None) == (1.0, -2.5, 30.0)
    assert ControlsType().convert("5", None, None) == 5
    assert ControlsType().convert("1,5", None, None) == (1, 5)
    assert PosesType().convert("c_bend, twist=-90", None, None) == {"c_bend": None, "twist": -90.0}


# -- what nobody foresaw, and terminals of all kinds -----------------------------------------------


def broken(monkeypatch, error):
    def fail(*_):
        raise error

    monkeypatch.setattr("ribbonsim.rig.first_layout.build_layout", fail)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (KeyError("a\nb"), "fault of ribbonsim"),
        (ZeroDivisionError("x" * 5000), "fault of ribbonsim"),
        (RecursionError("deep"), "fault of ribbonsim"),
        (MemoryError(), "not enough memory"),
        (OSError(28, "No space left on device", "/tmp/x"), "(/tmp/x): no space left"),
    ],
)
@pytest.mark.parametrize("debug", [False, True])
def test_what_nobody_foresaw_is_one_sentence_and_code_3(
    worm, tmp_path, monkeypatch, error, words, debug
):
    broken(monkeypatch, error)
    words_given = ["layout", worm, "--out", tmp_path / "a.toml", *(["--debug"] if debug else [])]
    done = run_here(*words_given)
    assert done.returncode == 3
    last = done.stderr.splitlines()[-1]
    assert last.startswith("ribbonsim: ")
    assert words in last
    assert len(last) < 500
    assert ("Traceback" in done.stderr) == debug
    assert list(tmp_path.iterdir()) == []


def test_nothing_in_a_name_acts_on_the_terminal(tmp_path, worm):
    """ECMA-48 control functions and the direction marks of UAX #9 are spelled out."""
    name = "eel\x1b[31m\x07\u202egnp\x9b.obj"
    done = run_here("check", tmp_path / name)
    assert done.returncode == 2
    assert "eel\\x1b[31m\\x07\\u202egnp\\x9b.obj" in done.stderr
    (tmp_path / name).write_bytes(worm.read_bytes())
    done = run_here("layout", tmp_path / name, "--out", tmp_path / "a.toml", "--show")
    assert done.returncode == 0
    assert not {"\x1b", "\x07", "\u202e", "\x9b"} & set(done.stdout + done.stderr)
    assert Layout.load(tmp_path / "a.toml").name.isprintable()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="names of files are bytes on Linux")
def test_a_name_that_is_not_utf8(tmp_path, stub):
    path = os.fsencode(tmp_path) + b"/e\xffel.obj"
    Path(os.fsdecode(path)).write_bytes(stub.read_bytes())
    command = [*PROGRAM, "layout", path, "--show", "--out", tmp_path / "a.toml"]
    done = subprocess.run(command, capture_output=True, check=False, timeout=600)
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr
    assert Layout.load(tmp_path / "a.toml").name == "e_el"
    few = ["--poses", "curl", "--controls", "1"]  # as few pictures as there can be
    done = run_here("preview", os.fsdecode(path), "--out", tmp_path / "out", *few)
    assert done.returncode == 0, done.stderr
    assert "e_el was put into" in done.stdout
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "e_el" in page


@pytest.mark.slow
@pytest.mark.parametrize("words", first_of("layout --show --out a.toml", "check --poses curl"))
def test_a_console_that_knows_few_letters(tmp_path, stub, words):
    done = subprocess.run(
        [*PROGRAM, *words.split(), str(stub)],
        capture_output=True,
        check=False,
        timeout=600,
        env={**os.environ, "PYTHONIOENCODING": "cp1252"},
        cwd=tmp_path,
    )
    assert done.returncode in (0, 1), done.stderr
    assert b"Traceback" not in done.stderr
    assert done.stdout.decode("cp1252")


@pytest.mark.skipif(sys.platform == "win32", reason="shells differ")
@pytest.mark.parametrize(
    ("streams", "code"),
    first_of((">/dev/full", 3), (">&- 2>&- <&-", 0), (">&-", 0), ("2>/dev/full", 0)),
)
def test_streams_that_are_closed_or_full(tmp_path, stub, streams, code):
    if "/dev/full" in streams and not Path("/dev/full").exists():
        pytest.skip("no device that is always full")
    out = tmp_path / "a.toml"
    command = [*PROGRAM, "layout", str(stub), "--out", str(out), "--show"]
    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {streams}', "sh", *command],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert Layout.load(out).controls
    if code:
        assert done.stderr.splitlines()[-1].startswith("ribbonsim: the system refused something")


@pytest.mark.parametrize("formats", first_of("obj,usd", "gltf,tables,sheet"))
def test_a_folder_for_temporary_files_that_takes_none(tmp_path, stub, formats):
    environment = {**os.environ, "TMPDIR": "/proc", "TEMP": "/proc", "TMP": "/proc"}
    words = ["handoff", str(stub), "--out", str(tmp_path / "out"), "--poses", "curl"]
    done = subprocess.run(
        [*PROGRAM, *words, "--formats", formats],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        env=environment,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "out").iterdir())) > 2


@pytest.mark.skipif(sys.platform == "win32", reason="no such devices")
@pytest.mark.parametrize("ending", [".obj", ".ply", ".glb", ".toml"])
def test_what_never_ends_is_refused(tmp_path, worm, ending):
    for number, make in enumerate((os.mkfifo, lambda path: path.symlink_to("/dev/zero"))):
        path = tmp_path / f"{number}{ending}"
        make(path)
        words = ["check", path] if ending != ".toml" else ["check", worm, "--layout", path]
        done = run_here(*words)
        assert done.returncode == 2
        assert "may never end" in done.stderr


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("turntable", "worm.obj", "--page", "-o", "x"), "--page needs a value, and -o is"),
        (("turntable", "worm.obj", "-o", "--page", "x.html"), "-o needs a value, and --page is"),
        (("check", "worm.obj", "--layout", "--json"), "--layout needs a value, and --json is"),
        (("preview", "worm.obj", "--out", "--help"), "--out needs a value, and --help is"),
    ],
)
def test_an_option_is_not_taken_for_the_value_of_the_one_before(words, sentence):
    done = run_here(*words)
    assert done.returncode == 2
    assert done.stderr == f"ribbonsim: {sentence} an option; see ribbonsim {words[0]} --help.\n"


def test_values_that_begin_with_a_dash_are_values():
    # a negative number is a value; the film's ending is what is wrong here
    done = run_here("turntable", "worm.obj", "--start", "-30", "--page", "x.txt")
    assert "x.txt cannot be a review page" in done.stderr


def test_what_sections_hold_if_controls_are_left_out_is_said_in_words():
    said = " ".join(run_here("check", "--help").stdout.split())
    each = BuildOptions().controls_per_section
    assert f"how many each section has, {each} if it is left out" in said
