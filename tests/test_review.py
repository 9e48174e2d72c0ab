"""The review page: what it holds, what it says, and that it stands alone.

What it says of the bend is held against ``ribbonsim.check``, whose own tests have outside sources;
films are made and read back by PyAV, pictures by Pillow.
"""

import base64
import hashlib
import html
import io
import json
import re

import av
import numpy as np
import pytest
from cases import first_of
from command_line import run_here
from pages import Page
from PIL import Image
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.pages.page_film import LARGEST, read_film
from ribbonsim.pages.review_page import review_page
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.rig.own_motions import motions_of
from ribbonsim.show.slate import Slate
from ribbonsim.show.studio import Look

NASTY = "<script>alert(1)</script>"
SMALL = {"film": True, "size": (480, 360), "frames": 6, "look": Look(quality="draft")}
MOVED = ["swim", "breathe"]
# for what stands in words: one picture a pose, no film, nothing that moves
WORDS = {"angles": 1, "look": Look(quality="draft"), "motions": []}


@pytest.fixture(scope="module")
def rig():
    mesh = tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")
    return rs.bind(mesh, build_layout(mesh, BuildOptions(stations=13, controls=5)))


@pytest.fixture(scope="module")
def pair(rig):
    layout = rig.layout
    return [rig, rs.bind(rig.mesh, layout.without_control(layout.controls[1].name))]


@pytest.fixture(scope="module")
def alone(rig, tmp_path_factory):
    path = tmp_path_factory.mktemp("alone") / "review.html"
    steps = []
    made = review_page(
        rig,
        path,
        {"twist": 300.0},
        slate=Slate("The Lamplighter's Eel", "take 3", date="2026-03-01"),
        question="Is the neck soft enough?",
        progress=lambda *step: steps.append(step),
        motions=["swim"],
        **SMALL,
    )
    return made, path.read_text(encoding="utf-8"), steps


@pytest.fixture(scope="module")
def compared(pair, tmp_path_factory):
    path = tmp_path_factory.mktemp("pair") / "review.html"
    words = {"names": ["five", NASTY], "motions": MOVED}
    made = review_page(pair, path, ["c_bend", "curl"], **words, **SMALL)
    return made, path.read_text(encoding="utf-8")


def sources(text, kind):
    """What is embedded of a media type."""
    found = re.findall(rf"data:{kind};base64,([A-Za-z0-9+/=]+)", text)
    return [base64.b64decode(data) for data in dict.fromkeys(found)]


def allowed_script(text):
    """Digests of scripts that the page's policy lets run (CSP Level 3, hash-source)."""
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text).group(1)
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert parts["default-src"] == "'none'"
    return set(html.unescape(parts["script-src"]).split())


def script_digest(text):
    """The digest of the only script that is one."""
    (script,) = re.findall(r'<script type="module">(.*?)</script>', text, re.DOTALL)
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"


def told_motions(text):
    """Motions of a page: what its buttons say, and what its script is told."""
    told = re.search(r'id="creature-data">(.*?)</script>', text, re.DOTALL).group(1)
    shown = re.findall(r"data-pose aria-pressed=\"false\"><i[^>]*></i>([^<]*) <span>", text)
    return shown, [pose for pose in json.loads(told)["poses"] if "seconds" in pose]


# -- what it holds ---------------------------------------------------------------------------------


@pytest.mark.parametrize("which", first_of("compared", "alone"))
def test_it_asks_for_nothing_and_can_be_sent(which, request):
    made, text = request.getfixturevalue(which)[:2]
    page = Page(text)
    assert page.asks_for == []
    assert page.tags.count("script") == 3  # the one that runs, its data, and what was noted
    assert allowed_script(text) == {script_digest(text)}
    assert "url(" not in page.style
    assert made.size == len(text.encode()) < LARGEST


def test_the_turntable_plays_and_is_what_was_ordered(alone):
    _, text, _ = alone
    (data,) = sources(text, "video/mp4")
    with av.open(io.BytesIO(data)) as container:
        stream = container.streams.video[0]
        frames = [frame.to_ndarray(format="rgb24") for frame in container.decode(stream)]
        assert stream.codec_context.name == "h264"
        assert stream.codec_context.pix_fmt == "yuv420p"
    assert len(frames) == 6
    assert frames[0].shape == (360, 480, 3)
    # it moves, so the middle is not the beginning
    assert np.abs(frames[3].astype(int) - frames[0]).mean() > 1.0
    tag = re.search(r"<video[^>]*>", text).group()
    for word in ("autoplay", "muted", "loop", "playsinline", "controls", 'width="480"'):
        assert word in tag


def test_the_picture_for_paper_is_the_middle_of_the_turntable(alone):
    _, text, _ = alone
    (data,) = sources(text, "video/mp4")
    with av.open(io.BytesIO(data)) as container:
        frames = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
    film = text.split('id="turntable"')[1]
    address = re.search(r'<img class="still" src="data:image/webp;base64,([^"]+)"', film).group(1)
    still = np.asarray(Image.open(io.BytesIO(base64.b64decode(address))).convert("RGB"), int)
    apart = [np.abs(still - frame).mean() for frame in frames]
    assert int(np.argmin(apart)) == 3


def test_the_contact_sheet_has_every_angle(alone):
    _, text, _ = alone
    figures = re.findall(r"<figcaption><b>(\d+°)</b>", text)
    assert figures == [f"{45 * k}°" for k in range(8)]
    pictures = sources(text, "image/webp")
    assert (
        len(pictures) == 9
    )  # one of them for the film on paper; the first stands for the creature
    for data in pictures[1:]:
        assert np.asarray(Image.open(io.BytesIO(data)).convert("L"), float).std() > 5.0


def test_layouts_stand_in_every_strip(compared):
    _, text = compared
    assert text.count('<section class="strip"') == 2
    assert len(re.findall(r'<div class="tiles" style="--columns: 2">', text)) == 2


# -- what it says ----------------------------------------------------------------------------------


def test_the_verdict_is_that_of_the_check(rig, alone):
    made, text, _ = alone
    report = rs.check(rig, {"twist": 300.0})
    told = Page(text).text.replace("\N{NO-BREAK SPACE}", " ")
    assert report.findings, "the pose is too easy to tell anything"
    assert "It does not bend right" in told
    for finding in report.findings[:5]:
        assert finding.statement in told
        assert finding.tried is None or finding.advice in told
    assert [f.statement for f in made.reports[0].findings] == [f.statement for f in report.findings]


def test_the_verdict_says_in_which_poses(rig, tmp_path):
    path = tmp_path / "some.html"
    made = review_page(rig, path, {"c_bend": 10.0, "twist": 300.0, "curl": 15.0}, **WORDS)
    assert {finding.pose for finding in made.reports[0].findings} == {"twist"}
    told = Page(path.read_text(encoding="utf-8")).text
    assert "A limit is broken in 1 of 3 poses: twist." in told


def test_a_creature_that_bends_right_is_said_to(rig, tmp_path):
    path = tmp_path / "easy.html"
    made = review_page(rig, path, {"c_bend": 10.0}, **WORDS)
    assert made.reports[0].bends_right
    told = Page(path.read_text(encoding="utf-8")).text
    assert "It bends right" in told
    assert "does not bend" not in told


def test_layouts_are_compared_as_compare_does(pair, compared):
    made, text = compared
    found = rs.compare(pair, ["c_bend", "curl"], ["five", NASTY], contacts=True)
    told = Page(text).text.replace("\N{NO-BREAK SPACE}", " ")
    for sentence in found.differences:
        assert sentence in told
    assert made.comparison.differences == found.differences
    for row in found.table:
        for figure in row.texts:
            assert figure in told


def check_motions(text, pair, names):
    shown, told = told_motions(text)
    assert shown == [name.replace("_", " ") for name in names]
    assert [each["seconds"] for each in told] == [pair[0].motion(name).seconds for name in names]
    assert {len(each["steps"]) for each in told} == {len(pair)}


def test_motions_that_are_chosen_can_be_played(pair, compared):
    check_motions(compared[1], pair, MOVED)


@pytest.mark.slow
def test_motions_that_make_sense_can_be_played(pair, tmp_path):
    path = tmp_path / "page.html"
    review_page(pair, path, ["c_bend"], **{**WORDS, "motions": None})
    check_motions(path.read_text(encoding="utf-8"), pair, list(motions_of(pair[0])))


def test_slate_and_question_are_told(alone):
    told = Page(alone[1]).text
    for words in ("The Lamplighter's Eel", "take 3", "2026-03-01", "Is the neck soft enough?"):
        assert words in told


def test_names_appear_as_text(rig, compared, tmp_path):
    assert NASTY not in compared[1]
    assert NASTY in Page(compared[1]).text
    path = tmp_path / "nasty.html"
    review_page(
        rig, path, ["twist"], slate=Slate(NASTY, NASTY), question=NASTY, **{**SMALL, **WORDS}
    )
    assert NASTY not in path.read_text(encoding="utf-8")


def test_there_is_room_for_a_decision(compared):
    page = Page(compared[1])
    assert page.tags.count("input") == 1 + 3 + 2 + 2  # amount, choices, layouts, name and date
    assert 'contenteditable="true"' in compared[1]
    for words in ("Decision", "Go ahead", "Show me again", "Decided by", "Date"):
        assert words in page.text


def test_progress_is_told_in_order(alone):
    stages = list(dict.fromkeys(stage.split(",")[0] for stage, _, _ in alone[2]))
    assert stages[0] == "frame the poses"
    assert stages[-1] == "write"
    assert stages.index("draw the turntable") < stages.index("draw the pictures")


# -- films that are there already ------------------------------------------------------------------


@pytest.mark.slow
def test_a_film_that_is_there_is_taken_as_it_is(rig, tmp_path):
    film = tmp_path / "turn.gif"
    rs.turntable(rig, film, "c_bend", frames=4, size=(320, 180), look=Look(quality="draft"))
    path = tmp_path / "page.html"
    review_page(rig, path, ["c_bend"], film=film, angles=1)
    (data,) = sources(path.read_text(encoding="utf-8"), "image/gif")
    assert data == film.read_bytes()


@pytest.mark.parametrize("content", [b"", b"no film at all" * 50])
@pytest.mark.parametrize("ending", [".mp4", ".gif", ".webp"])
def test_a_broken_film_is_refused(tmp_path, content, ending):
    film = tmp_path / f"turn{ending}"
    film.write_bytes(content)
    with pytest.raises(rs.RibbonsimError, match="cannot be played: make the turntable again"):
        read_film(film)


def test_a_film_that_is_cut_short_is_refused_or_played(rig, tmp_path):
    film = tmp_path / "turn.mp4"
    rs.turntable(rig, film, "c_bend", frames=6, size=(320, 180), look=Look(quality="draft"))
    whole = film.read_bytes()
    film.write_bytes(whole[: len(whole) // 3])
    with pytest.raises(rs.RibbonsimError, match="cannot be played"):
        read_film(film)


def test_missing_large_and_unknown_films_are_refused(rig, tmp_path, monkeypatch):
    with pytest.raises(rs.RibbonsimError, match="cannot be read \\(no such file"):
        read_film(tmp_path / "none.mp4")
    with pytest.raises(rs.RibbonsimError, match=r"turn\.mov cannot play in a page"):
        read_film(tmp_path / "turn.mov")
    large = tmp_path / "large.mp4"
    with large.open("wb") as stream:
        stream.truncate(30_000_000)
    with pytest.raises(rs.RibbonsimError, match="is 30 MB, too large for a page of 25 MB"):
        read_film(large)


# -- what goes wrong -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "more", "says"),
    [
        ("page.pdf", {}, "end its name with .html"),
        ("no/page.html", {}, "make it first"),
        ("page.html", {"poses": ["nonsense"]}, "no test pose is called 'nonsense'"),
        ("page.html", {"film": True, "size": (3, 3)}, "width in pixels = 3 cannot be used"),
        ("page.html", {"film": "none.mp4"}, "none.mp4 cannot be read"),
    ],
)
def test_what_cannot_be_made_is_said_in_one_sentence(rig, tmp_path, name, more, says):
    with pytest.raises(rs.RibbonsimError, match=says) as caught:
        review_page(rig, tmp_path / name, **more)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_page_too_large_to_send_is_not_written(rig, tmp_path, monkeypatch):
    monkeypatch.setattr("ribbonsim.pages.review_page.LARGEST", 50_000)
    with pytest.raises(rs.RibbonsimError, match="can be sent: show fewer poses or angles"):
        review_page(rig, tmp_path / "page.html", ["c_bend"], **WORDS)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("stage", first_of("write", "draw the turntable", "draw the pictures"))
def test_nothing_is_written_when_it_is_stopped(rig, tmp_path, stage):
    def stop(what, done, total):
        if what.startswith(stage):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        review_page(rig, tmp_path / "page.html", ["c_bend"], progress=stop, **{**SMALL, **WORDS})
    assert list(tmp_path.iterdir()) == []


# -- from the command line -------------------------------------------------------------------------


@pytest.mark.slow
def test_the_command_writes_sheet_and_page_beside_the_film(rig, tmp_path, monkeypatch):
    write_obj(rig.mesh, tmp_path / "worm.obj")
    call = "turntable worm.obj -o turn.mp4 --pose c_bend --frames 4 --size 320x180 --draft"
    extra = [
        "--sheet",
        "sheet.pdf",
        "--page",
        "page.html",
        "--page-film",
        "--project",
        "The Lamplighter's Eel",
    ]
    monkeypatch.chdir(tmp_path)
    ended = run_here(*call.split(), *extra)
    assert ended.returncode == 0, ended.stderr
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert sources(text, "video/mp4") == [(tmp_path / "turn.mp4").read_bytes()]
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_the_command_complains_of_names_before_it_begins(rig, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_obj(rig.mesh, tmp_path / "worm.obj")
    for extra, says in (
        (["--sheet", "sheet.doc"], "end its name with .png or .pdf"),
        (["--page", "page.txt"], "end its name with .html"),
    ):
        ended = run_here("turntable", "worm.obj", "-o", "turn.mp4", *extra)
        assert ended.returncode == 2
        assert says in ended.stderr
        assert "Traceback" not in ended.stderr
    ended = run_here("turntable", "worm.obj")
    assert (ended.returncode, "give --out, --page or --sheet" in ended.stderr) == (2, True)
    assert [path.name for path in tmp_path.iterdir()] == ["worm.obj"]


def test_the_command_writes_a_page_without_a_film(rig, tmp_path, monkeypatch):
    write_obj(rig.mesh, tmp_path / "worm.obj")
    monkeypatch.chdir(tmp_path)
    call = "turntable worm.obj --page page.html --pose c_bend --draft --page-motions swim"
    ended = run_here(*call.split())
    assert ended.returncode == 0, ended.stderr
    assert "page.html shows it." in ended.stdout
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert sources(text, "video/mp4") == []
    assert told_motions(text)[0] == ["swim"]
    ended = run_here(*call.replace("swim", "none").split(), "--force")
    assert told_motions((tmp_path / "page.html").read_text(encoding="utf-8")) == ([], [])
    assert {path.name for path in tmp_path.iterdir()} == {"worm.obj", "page.html"}
