"""The README's Python runs as it stands, and its commands are those of the program."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from ribbonsim.cli.main import cli

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language):
    return re.findall(rf"^```{language}\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("code", blocks("python"))
def test_python_runs(code, monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    exec(compile(code, "README.md", "exec"), {})
    assert capsys.readouterr().out


def test_two_commands_do_all_the_set_up():
    first, second = blocks("sh")
    assert "ribbonsim preview meshes/lampeel.obj --out preview/" in first
    assert second.rstrip().endswith("pytest")
    for command in (first, second):
        assert "libegl1 libgl1-mesa-dri" in command
        assert "python3 -m venv" in command


@pytest.mark.parametrize(
    "line",
    [line for block in blocks("console") for line in block.splitlines() if "bin/rib" in line],
)
def test_commands_and_options_are_known(line):
    words = line.split("ribbonsim ", 1)[1].split()
    text = CliRunner().invoke(cli, [words[0], "--help"]).output
    assert text.startswith("Usage:")
    for word in words[1:]:
        assert not word.startswith("--") or word in text


def test_files_that_the_map_names_are_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    decisions = (ROOT / "ribbonsim" / "DECISIONS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:\w+/)+\w+\.py)`", text + decisions))
    assert "rig/rig.py" in named
    for path in named:
        assert (ROOT / "ribbonsim" / path).is_file() or (ROOT / path).is_file(), path
    packages = {path.parent.name for path in (ROOT / "ribbonsim").glob("*/__init__.py")}
    assert packages <= set(re.findall(r"^\| `(\w+)` \|", text, flags=re.MULTILINE))
