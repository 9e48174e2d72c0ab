"""Turntables from end to end: loop, frame, light, slate, layouts in step, the command."""

import re
import subprocess

import imageio_ffmpeg
import numpy as np
import pytest
import pyvista
from cases import first_of
from command_line import run_here
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from tubes import s_curve, swept, tube

import ribbonsim as rs
from ribbonsim import CameraPath, Look, Pose, RibbonsimError, Slate, bind
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.show.filming import FilmOptions, read_size
from ribbonsim.show.finish import FINISHES
from ribbonsim.show.heat_strip import GIRTH_SCALE, HeatStrip
from ribbonsim.show.moves import Moment, blend, moments
from ribbonsim.show.slate import slate_height
from ribbonsim.show.studio import Studio
from ribbonsim.show.turntable import draw_frame, turntable
from ribbonsim.view.lettering import fit_parts
from ribbonsim.view.scene import Stage

SIZE = (320, 240)
DRAFT = Look(quality="draft")


def frame_of(rigs, number=1, pose=None, **options):
    return draw_frame(rigs, number, pose, FilmOptions(**options))


@pytest.fixture(scope="module")
def mesh():
    return tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")


@pytest.fixture(scope="module")
def rig(mesh):
    return bind(mesh, build_layout(mesh))


@pytest.fixture(scope="module")
def other(mesh):
    return bind(mesh, build_layout(mesh, BuildOptions(stations=5, controls=3)))


@pytest.fixture(autouse=True)
def no_window_left_open():
    before = len(pyvista.plotting.plotter._ALL_PLOTTERS)
    yield
    assert len(pyvista.plotting.plotter._ALL_PLOTTERS) == before


def decoded(path, size=SIZE):
    """(n, height, width, 3) frames as the ffmpeg program decodes them."""
    raw = subprocess.run(
        [
            *(imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", str(path)),
            *("-f", "rawvideo", "-pix_fmt", "rgb24", "-fps_mode", "passthrough", "-"),
        ],
        capture_output=True,
        check=True,
    ).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, size[1], size[0], 3)


@pytest.fixture(scope="module")
def masks_seen():
    return []


@pytest.fixture(scope="module")
def film(rig, tmp_path_factory, masks_seen):
    """Twice round while the pose comes and goes twice, so that each half is the whole film."""
    path = tmp_path_factory.mktemp("film") / "turn.mp4"
    shoot = Studio.shoot

    def watched(self, *given, **named):
        shot = shoot(self, *given, **named)
        masks_seen.append(shot.mask)
        return shot

    said = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Studio, "shoot", watched)
        result = turntable(
            rig,
            path,
            {"rest": Pose(), "there": rig.pose_for("c_bend"), "again": Pose(),
             "once more": rig.pose_for("c_bend")},
            camera=CameraPath(turns=2.0),
            look=DRAFT,
            slate=Slate("The Lamplighter's Eel"),
            size=SIZE,
            frames=32,
            progress=lambda *step: said.append(step),
        )  # fmt: skip
    return result, decoded(path), said


# -- what a director would notice ----------------------------------------------------------------


def test_first_and_following_round_are_equal(film):
    _, frames, _ = film
    picture = frames[:, : SIZE[1] - slate_height(SIZE)].astype(int)
    again = np.abs(picture[:16] - picture[16:]).mean(axis=(1, 2, 3))
    step = np.abs(np.diff(picture, axis=0)).mean(axis=(1, 2, 3))
    assert again.max() < 1.0
    assert again.max() < 0.35 * step.min()
    # and the last frame is one step before the first
    assert np.abs(picture[-1] - picture[0]).mean() == pytest.approx(step.mean(), rel=0.6)


def test_frames_size_and_codec_as_ffmpeg_reads_them(film):
    result, frames, _ = film
    assert (len(frames), result.frames) == (32, 32)
    told = subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-i", str(result.path)],
        capture_output=True,
        text=True,
        check=False,
    ).stderr
    for part in ("h264", "yuv420p", "320x240", "24 fps"):
        assert part in told


def test_silhouette_never_touches_border_or_slate(film, masks_seen):
    assert len(masks_seen) == 32
    foot = slate_height(SIZE)
    for mask in masks_seen:
        assert max(mask[0].max(), mask[:, 0].max(), mask[:, -1].max()) == 0
        assert mask[SIZE[1] - foot :].max() == 0
        assert mask.max() == 255


def test_subject_stays_in_the_middle(film, masks_seen):
    assert len(masks_seen) == 32
    middles = []
    for mask in masks_seen:
        columns = np.nonzero(mask.max(axis=0))[0]
        middles.append(0.5 * (columns[0] + columns[-1]))
    assert np.abs(np.mean(middles) - SIZE[0] / 2) < 0.06 * SIZE[0]


def test_brightness_does_not_jump(film):
    _, frames, _ = film
    means = frames.reshape(32, -1).mean(axis=1)
    # these steps are of 22 degrees, three times what is usual
    assert np.abs(np.diff([*means, means[0]])).max() < 0.02 * means.mean()
    sky = frames[:, :20, :20].reshape(32, -1).mean(axis=1)
    assert np.ptp(sky) < 0.5


def test_no_frame_is_blank_and_each_differs(film):
    _, frames, _ = film
    assert frames.reshape(32, -1).std(axis=1).min() > 10
    assert np.abs(np.diff(frames.astype(int), axis=0)).mean(axis=(1, 2, 3)).min() > 0.3


def test_progress_counts_and_tells_the_time_left(film):
    _, _, said = film
    drawn = [(done, total) for stage, done, total in said if stage.startswith("draw")]
    assert drawn == [(k, 32) for k in range(32)]
    assert sum(bool(re.search(r", \d+ (s|min) left$", stage)) for stage, _, _ in said) == 29
    assert said[-1] == ("finish the file", 1, 1)


def test_posing_is_a_small_part(film):
    result, _, _ = film
    assert 0.0 < result.posing_seconds < 0.1 * result.seconds


def test_films_are_the_same_every_time(rig, tmp_path):
    kept = []
    for name in ("one.mp4", "two.mp4"):
        turntable(rig, tmp_path / name, "twist", look=DRAFT, size=SIZE, frames=3)
        kept.append((tmp_path / name).read_bytes())
    assert kept[0] == kept[1]


def test_a_blank_frame_fails(rig, tmp_path, monkeypatch):
    nothing = np.zeros((2 * SIZE[1], 2 * SIZE[0], 4), dtype=np.uint8)
    monkeypatch.setattr(Stage, "cut_out", lambda self: nothing)
    with pytest.raises(RibbonsimError, match="frame 1 came out blank"):
        turntable(rig, tmp_path / "turn.mp4", look=DRAFT, size=SIZE, frames=3)
    assert list(tmp_path.iterdir()) == []


def test_a_callback_can_stop_it(rig, tmp_path):
    def stop(stage, done, total):
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        turntable(rig, tmp_path / "t.mp4", look=DRAFT, size=SIZE, frames=8, progress=stop)
    assert list(tmp_path.iterdir()) == []


# -- motion --------------------------------------------------------------------------------------


def test_easing_starts_and_ends_at_rest():
    # a loop: in and out, symmetric in time, without a step anywhere
    shares = [m.share if m.before == 0 else 1 - m.share for m in moments("ease", 2, 240)]
    assert shares[0] == 0.0
    assert shares[120] == 1.0
    assert shares[1:120] == pytest.approx(shares[:120:-1], abs=1e-12)
    assert np.abs(np.diff(shares)).max() < 0.03
    assert np.abs(np.diff(shares, 2)).max() < 2e-3


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 6), st.integers(2, 50))
def test_a_sequence_goes_through_every_pose_and_back(poses, each):
    found = moments("sequence", poses, poses * each)
    for leg in range(poses):
        assert found[leg * each] == Moment(leg, (leg + 1) % poses, 0.0)
    assert all(0.0 <= m.share <= 1.0 for m in found)


@settings(max_examples=30, deadline=None)
@given(st.floats(0, 1), st.floats(-200, 200), st.floats(0.3, 3.0))
def test_half_way_from_rest_is_a_share_of_the_pose(share, bend, stretch):
    pose = Pose({"control2": {"bend": bend, "stretch": stretch, "shift": (1.0, -2.0, 0.5)}})
    mixed, scaled = blend(Pose(), pose, share)["control2"], pose.scaled(share)["control2"]
    assert mixed.bend == pytest.approx(scaled.bend)
    assert mixed.stretch == pytest.approx(scaled.stretch)
    assert mixed.shift == pytest.approx(scaled.shift)


@pytest.mark.parametrize(("direction", "sign"), [("clockwise", 1.0), ("counterclockwise", -1.0)])
def test_camera_goes_round_in_even_steps(direction, sign):
    angles = CameraPath(direction=direction).azimuths(8, 30.0)
    steps = (np.diff([*angles, angles[0]]) + 180.0) % 360.0 - 180.0
    assert steps == pytest.approx([sign * 45.0] * 8)


def test_creature_turns_clockwise_seen_from_above(rig):
    # seen from above (Y towards the eye), clockwise takes what is nearest to the camera to its
    # left: a clock's hand goes from six to nine
    with Studio(rig.mesh, SIZE, DRAFT) as studio:
        angles = CameraPath(start=0.0).azimuths(24, 0.0)
        front = rig.mesh.centre + np.array([0.0, 0.0, 2.0])
        seen = [studio.project([front], angle)[0, 0] for angle in angles[:2]]
    assert seen[1] < seen[0]


def test_lens_is_that_of_a_camera_with_24_mm_film():
    # field of view = 2 arctan(h / 2f); 50 mm gives 27.0 degrees on 24 mm (from memory)
    assert CameraPath(lens=50.0).view_angle == pytest.approx(26.99, abs=0.01)


@pytest.mark.slow
def test_a_standing_camera_sees_only_the_creature_move(rig):
    still = {"camera": CameraPath(turns=0.0, start=20.0), "look": Look(ground=False)}
    shown = {"size": SIZE, "slate": Slate(shown=False), "frames": 8, "motion": "ease"}
    frames = [
        frame_of(rig, k, "c_bend", **still, **shown).astype(int) for k in (1, 5, 8)
    ]  # fmt: skip
    assert np.abs(frames[0] - frames[1]).mean() > 2
    corner = np.s_[:12, :12]
    assert np.array_equal(frames[0][corner], frames[1][corner])


def lowest_rows(rig, numbers, **given):
    """Row of the lowest pixel of the creature in some frames."""
    found = []
    shoot = Studio.shoot

    def watched(self, *asked, **named):
        shot = shoot(self, *asked, **named)
        found.append(int(np.nonzero(shot.mask)[0].max()))
        return shot

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Studio, "shoot", watched)
        for k in numbers:
            frame_of(rig, k, size=SIZE, look=DRAFT, slate=Slate(shown=False), **given)
    return found


@pytest.mark.slow
def test_creature_stands_on_the_ground_or_stays_where_it_is_put(rig):
    (root,) = [one.name for one in rig.layout.controls if one.carried_by is None]
    up = Pose({root: {"shift": (0.0, 0.0, 4.0)}})  # and it carries all others
    assert rig.deform(up)[:, 1].min() > rig.mesh.positions[:, 1].min() + 2.0
    given = {"pose": {"up": up}, "motion": "ease", "frames": 8}
    given |= {"camera": CameraPath(turns=0.0, start=0.0, elevation=0.0)}
    standing = lowest_rows(rig, (1, 5), **given)
    hovering = lowest_rows(rig, (1, 5), standing=False, **given)
    assert abs(standing[0] - standing[1]) <= 12  # nearer to the camera or farther from it
    assert abs(hovering[0] - hovering[1]) > 25


def test_rest_is_the_default(rig):
    named = frame_of(rig, pose={"rest": Pose()}, size=SIZE, look=DRAFT)
    assert np.array_equal(frame_of(rig, size=SIZE, look=DRAFT), named)


# -- layouts side by side ------------------------------------------------------------------------


def test_layouts_stand_side_by_side_in_step(rig, other):
    shown = {"pose": "curl", "size": (640, 240), "look": DRAFT, "number": 3}
    shown |= {"slate": Slate(shown=False), "frames": 12}
    same = frame_of([rig, rig], names=["one", "one too"], **shown)
    left, right = same[:, :320].astype(int), same[:, 320:]
    under = np.s_[40:, 2:]  # below the names
    assert np.abs(left[under] - right[under]).max() <= 1
    assert np.abs(left[:40] - right[:40]).max() > 40
    apart = frame_of([rig, other], names=["one", "two"], **shown).astype(int)
    assert np.abs(apart[:, :320][under] - apart[:, 320:][under]).mean() > 0.2


@pytest.mark.parametrize("count", first_of(4, 2, 3))
def test_up_to_four_layouts_have_a_place_each(rig, count):
    frame = frame_of([rig] * count, names=list("ABCD")[:count], size=(640, 480), look=DRAFT)
    assert frame.shape == (480, 640, 3)
    assert frame.std() > 10


def test_five_layouts_are_too_many(rig, tmp_path):
    with pytest.raises(RibbonsimError, match="4 at most"):
        turntable([rig] * 5, tmp_path / "t.mp4", names=list("ABCDE"))


def test_layouts_of_different_meshes_are_refused(rig, tmp_path):
    positions, faces = swept(s_curve(rings=31), 0.5, around=12)
    short = rs.CreatureMesh.from_arrays(positions, faces, "short")
    with pytest.raises(RibbonsimError, match="different meshes"):
        turntable([rig, bind(short, build_layout(short))], tmp_path / "t.mp4", names=["a", "b"])


# -- what is written -----------------------------------------------------------------------------


def test_slate_is_written_below_and_counts(rig):
    shown = {"size": (960, 540), "look": DRAFT, "frames": 30, "camera": CameraPath(start=0.0)}
    bare = frame_of(rig, 1, slate=Slate(shown=False), **shown)
    with_slate = frame_of(rig, 1, slate=Slate("The Lamplighter's Eel", date="2024-05-06"), **shown)
    assert bare.shape == with_slate.shape
    foot = slate_height((960, 540))
    ink = np.abs(with_slate[-foot:].astype(int) - np.median(with_slate[-foot:], axis=(0, 1)))
    columns = np.nonzero((ink.max(axis=2) > 90).any(axis=0))[0]
    assert columns.min() < 60
    assert columns.max() > 900
    first = with_slate[-foot:]
    last = frame_of(rig, 30, slate=Slate("The Lamplighter's Eel", date="2024-05-06"), **shown)
    changed = np.abs(first.astype(int) - last[-foot:]).max(axis=2) > 60
    assert np.nonzero(changed.any(axis=0))[0].min() > 800  # only the number


def test_writing_is_large_enough_at_720p():
    # 3.4 lines of 20 pixels; capital letters of DejaVu Sans are 0.73 of that, so 14 pixels
    assert slate_height((1280, 720)) == 68


def test_a_long_name_is_cut_before_what_follows_it_is_left_out():
    line = fit_parts(["Lamplighter", "e" * 200, "corkscrew 1 turn"], 60, len)
    assert len(line) <= 60
    assert line.startswith("Lamplighter")
    assert line.endswith("corkscrew 1 turn")
    assert "e…" in line
    assert fit_parts(["a" * 30, "b" * 30, "c" * 30], 25, len) == f"{'a' * 15}…"
    assert fit_parts(["", "a", "b"], 3 + 7, len) == "a   ·   b"


def test_a_very_long_slate_is_cut_and_the_number_stays(rig):
    frame = frame_of(
        rig, 7, slate=Slate("Harbour " * 60, "lamp " * 80), size=(640, 360), look=DRAFT
    )
    assert frame.shape == (360, 640, 3)


@pytest.mark.slow
def test_strip_shows_girth_in_its_scale(rig):
    pose = Pose({"control3": {"girth": 1.6}})
    shown = {"size": (960, 540), "look": DRAFT, "pose": {"thick": pose}}
    frame = frame_of(rig, overlays=("strip",), **shown)
    high = GIRTH_SCALE.table[255].astype(int)
    near = (np.abs(frame.astype(int) - high).max(axis=2) < 24).sum(axis=1)
    plain = frame_of(rig, overlays=("strip",), size=(960, 540), look=DRAFT)
    legend = (np.abs(plain.astype(int) - high).max(axis=2) < 24).sum(axis=1)
    assert ((near - legend) > 8).sum() >= 8


def test_strip_of_a_body_at_rest_is_seen_on_a_backdrop_of_its_colour():
    plain = GIRTH_SCALE.colours(np.ones(1))[0]
    frame = np.broadcast_to(plain, (360, 640, 3)).copy()
    strip = HeatStrip((640, 360), 640, FINISHES["fog"], np.linspace(0.0, 1.0, 9))
    strip.draw(frame, (0, 100), (np.ones(9), np.ones(9)))
    lines = (np.abs(frame.astype(int) - plain).max(axis=2) > 40).mean(axis=1)
    assert (lines > 0.5).sum() == 4  # above and below each of both rows


def test_ribbon_overlay_is_drawn(rig):
    plain = frame_of(rig, size=SIZE, look=DRAFT).astype(int)
    ribbon = frame_of(rig, size=SIZE, look=DRAFT, overlays=("ribbon",))
    assert (np.abs(plain - ribbon).max(axis=2) > 30).sum() > 200


# -- doors ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"frames": 1}, "frames = 1 cannot be used"),
        ({"frames": 10**9}, "2 to 20000"),
        ({"fps": 0}, "fps"),
        ({"size": "8k"}, "size = '8k' is not known: choose one of 720p, 1080p, square"),
        ({"size": (4, 4)}, "width in pixels = 4"),
        ({"size": (320, 241)}, "even numbers"),
        ({"pose": "somersault"}, "somersault"),
        ({"motion": "jump"}, "no motion is called 'jump'"),
        ({"motion": "sequence", "pose": "twist"}, "two poses or more"),
        ({"pose": ["twist", "curl"], "motion": "hold"}, "choose sequence, or one"),
        ({"camera": CameraPath(turns=0.0)}, "neither the camera nor the creature would move"),
        ({"overlays": ("rainbow",)}, "choose from ribbon, strip"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(rig, tmp_path, given, words):
    options = {"size": SIZE, "frames": 4, "look": DRAFT, **given}
    with pytest.raises(RibbonsimError, match=words) as raised:
        turntable(rig, tmp_path / "turn.mp4", **options)
    assert "\n" not in str(raised.value)
    assert list(tmp_path.iterdir()) == []


def test_writing_that_leaves_no_room_is_told(rig, other):
    with pytest.raises(RibbonsimError, match="leave no room"):
        frame_of([rig, other], names=["a", "b"], size=(160, 64), overlays=("strip",))


@pytest.mark.parametrize("wrong", [{"elevation": 120.0}, {"lens": 0.0}, {"turns": -1.0}])
def test_camera_values_are_checked(wrong):
    with pytest.raises(RibbonsimError, match=next(iter(wrong))):
        CameraPath(**wrong)


def test_sizes_by_name_and_number():
    assert read_size("1080p") == (1920, 1080)
    assert read_size("640x480") == (640, 480)
    with pytest.raises(RibbonsimError, match="64 to 4096"):
        read_size("640x999999")


def run(*arguments):
    return run_here("turntable", *arguments)


@pytest.fixture(scope="module")
def files(tmp_path_factory, mesh, rig, other):
    folder = tmp_path_factory.mktemp("files")
    lines = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in mesh.positions]
    lines += ["f " + " ".join(str(k + 1) for k in polygon) for polygon in mesh.polygons]
    (folder / "worm.obj").write_text("\n".join(lines) + "\n")
    rig.layout.save(folder / "five.toml")
    other.layout.save(folder / "three.toml")
    return folder


def test_command_writes_a_film(files, tmp_path):
    out = tmp_path / "turn.apng"
    ended = run(
        *(files / "worm.obj", "-o", out, "--layout", files / "five.toml"),
        *("--layout", files / "three.toml", "--pose", "c_bend=60", "--motion", "ease"),
        *("--frames", 4, "--size", "640x360", "--finish", "night", "--skin", "two-tone"),
        *("--ribbon", "--project", "The Lamplighter's Eel", "--draft"),
    )
    assert ended.returncode == 0, ended.stderr
    assert "holds 4 frames" in ended.stdout
    assert "draw the turntable ..." in ended.stderr
    with Image.open(out) as image:
        assert (image.n_frames, image.size) == (4, (640, 360))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("-o", "turn.mov"), "turn.mov ends in .mov"),
        (("-o", "turn.mp4", "--frames", "5", "--seconds", "2"), "give one of them"),
        (("-o", "turn.mp4", "--seconds", "-3"), "seconds = -3.0 cannot be used"),
        (("-o", "turn.mp4", "--pose", "nothing"), "no test pose is called 'nothing'"),
        (("-o", "turn.mp4", "--size", "huge"), "size = 'huge' is not known"),
    ],
)
def test_command_says_what_is_wrong_in_a_sentence(files, tmp_path, options, words):
    name, rest = tmp_path / options[1], options[2:]
    ended = run(files / "worm.obj", "-o", name, *rest)
    assert ended.returncode == 2
    assert words in ended.stderr.splitlines()[-1]
    assert "Traceback" not in ended.stderr
    assert list(tmp_path.iterdir()) == []
