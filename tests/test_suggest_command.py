"""``ribbonsim suggest``: file, page, words, and what happens when it is stopped."""

import json
import re

import numpy as np
import pytest
from command_line import run_here
from pages import Page
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.placing.search import Search
from ribbonsim.placing.wanted import Wanted
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.view.placing_plot import plot_suggestion


@pytest.fixture(scope="module")
def worm(tmp_path_factory):
    path = tmp_path_factory.mktemp("suggest") / "worm.obj"
    write_obj(tube(s_curve(), 0.5, round_ends=4, name="worm"), path)
    return path


def test_layout_page_and_words(worm, tmp_path):
    out, page = tmp_path / "best.toml", tmp_path / "page"
    poses = "look_aside,tail_flick=40"
    words = ["--poses", poses, "--controls", "3-5", "--out", out, "--page", page]
    ran = run_here("suggest", worm, *words)
    assert ran.returncode == 0, ran.stderr
    rows = {row.split()[0]: row for row in ran.stdout.splitlines() if re.match(r"\d+ ", row)}
    said = re.findall(r"best so far: (\d+) controls, ([0-9.]+ %)", ran.stderr)
    assert said
    for number, figure in said:
        assert re.split(r"  +", rows[number].replace("<-", ""))[-2].strip() == figure
    layout = rs.Layout.load(out)
    assert 3 <= len(layout.controls) <= 5
    assert re.search(r"controls at [0-9., and]+ of the body|even spacing", ran.stdout)
    seen = Page((page / "index.html").read_text())
    assert not seen.asks_for
    assert "By number of controls" in seen.text
    assert f"--layout {out} --poses look_aside=60,tail_flick=40" in seen.text
    told = json.loads((page / "suggestion.json").read_text())
    assert set(told["suggested"]) == {"3", "4", "5"}
    assert told["poses"]["tail_flick"]["amount"] == 40.0
    again = run_here("suggest", worm, *words)
    assert again.returncode == 2
    assert "exists and is kept" in again.stderr


def test_json_says_the_same_as_python(worm):
    ran = run_here("suggest", worm, "--poses", "look_aside", "--controls", "4", "--json")
    told = json.loads(ran.stdout)
    found = rs.suggest(rs.load_mesh(worm), ["look_aside"], controls=4)
    assert told == json.loads(json.dumps(found.to_dict()))


def test_stopped_search_keeps_the_best(worm, tmp_path, monkeypatch):
    def interrupted(self, number, even, before, _best=Search._best):
        if number == 5:
            raise KeyboardInterrupt
        return _best(self, number, even, before)

    monkeypatch.setattr(Search, "_best", interrupted)
    out = tmp_path / "best.toml"
    ran = run_here("suggest", worm, "--poses", "look_aside", "--controls", "3-9", "--out", out)
    assert ran.returncode == 130  # 128 and the number of SIGINT, as shells say it: POSIX
    assert "the best that was found until then" in ran.stdout
    assert len(rs.Layout.load(out).controls) in (3, 4)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--controls", "many"], "neither a number nor two such as 3-9"),
        (["--controls", "1-3"], "give whole numbers from 2"),
        (["--within", "-2"], "above 0"),
        (["--poses", "wiggle"], "wiggle"),
        (["--keep", "neck"], "neck"),
    ],
)
def test_errors_are_one_sentence(worm, words, said):
    ran = run_here("suggest", worm, *words)
    assert ran.returncode == 2
    assert said in ran.stderr
    assert "Traceback" not in ran.stderr


@pytest.mark.slow
def test_plot_shows_both_curves_and_a_ring_at_the_recommended(worm):
    mesh = rs.load_mesh(worm)
    rig = rs.bind(mesh, build_layout(mesh))
    *_, found = Search(rig, ["look_aside"], None, Wanted(3, 5, within=0.3)).run()
    plot = plot_suggestion(found)
    lines = {line.get_label(): line.get_xydata() for line in plot.figure.axes[0].lines}
    expected = [[k, 100.0 * found.even[k].skin_error] for k in (3, 4, 5)]
    assert np.allclose(lines["even"], expected)
    best = [[found.recommended, 100.0 * found.best.skin_error]]
    assert np.allclose(lines["recommended"], best)
    assert "wanted" in [text.get_text() for text in plot.figure.axes[0].texts]
    assert plot.picture().std() > 5.0


@pytest.mark.slow
def test_motions_are_asked_by_their_worst_moments(worm, tmp_path):
    page = tmp_path / "page"
    words = ["--motions", "swim", "--controls", "3-4", "--page", page]
    ran = run_here("suggest", worm, *words)
    assert ran.returncode == 0, ran.stderr
    told = json.loads((page / "suggestion.json").read_text())
    rig = rs.bind(rs.load_mesh(worm), build_layout(rs.load_mesh(worm)))
    assert list(told["poses"]) == list(rs.worst_moments(rig, ["swim"]))
    assert "--motions swim" in Page((page / "index.html").read_text()).text
    for number, placed in told["suggested"].items():
        assert placed["skin_error"] <= told["even"][number]["skin_error"] * 1.001
