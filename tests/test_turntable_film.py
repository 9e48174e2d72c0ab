"""Films: what readers other than the writer find in them, and what happens when writing fails."""

import os
import re
import struct
import subprocess
import sys
import threading
import time

import imageio_ffmpeg
import numpy as np
import pytest
from cases import first_of
from PIL import Image

from ribbonsim import RibbonsimError
from ribbonsim.show import film as film_module
from ribbonsim.show import gif as gif_module
from ribbonsim.show.film import Film, check_film

SIZE = (320, 240)


def picture(k, size=SIZE):
    """A soft blob that goes round on a gradient."""
    y, x = np.mgrid[: size[1], : size[0]].astype(float)
    a = 2 * np.pi * k / 12
    blob = np.exp(
        -(((x - size[0] / 2 - 60 * np.cos(a)) ** 2 + (y - size[1] / 2 - 60 * np.sin(a)) ** 2) / 600)
    )
    base = 60 + 80 * y / size[1]
    return np.stack([base + 110 * blob, base + 60 * blob, base + 20], axis=-1).astype(np.uint8)


def write(path, count=12, size=SIZE, fps=24, force=False):
    with Film(path, size, fps, count, force) as film:
        for k in range(count):
            film.add(picture(k, size))
    return film


def probe(path):
    """What the ffmpeg program says of a file."""
    told = subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-i", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    return told.stderr


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


def left_over(folder):
    return sorted(path.name for path in folder.iterdir())


# -- each kind, read by another reader ---------------------------------------------------------


def test_mp4_read_back_by_ffmpeg(tmp_path):
    path = tmp_path / "turn.mp4"
    write(path)
    told = probe(path)
    stream = next(line for line in told.splitlines() if "Video:" in line)
    for part in ("h264", "yuv420p", "tv, bt709", "320x240", "24 fps"):
        assert part in stream
    assert "Duration: 00:00:00.50" in told
    frames = decoded(path)
    assert len(frames) == 12
    apart = [np.abs(frames[k].astype(int) - picture(k)).mean() for k in range(12)]
    assert max(apart) < 2.5


def test_mp4_has_its_index_in_front(tmp_path):
    # ISO/IEC 14496-12: boxes of a 32-bit size and a name; playing can begin once moov is there
    path = tmp_path / "turn.mp4"
    write(path)
    data, names, at = path.read_bytes(), [], 0
    while at < len(data):
        size, name = struct.unpack(">I4s", data[at : at + 8])
        names.append(name.decode())
        at += size
    assert names.index("moov") < names.index("mdat")


@pytest.mark.parametrize("ending", [".webp", ".apng"])
def test_moving_pictures_read_back_by_pillow(tmp_path, ending):
    path = tmp_path / f"turn{ending}"
    write(path)
    with Image.open(path) as image:
        assert image.size == SIZE
        assert image.n_frames == 12
        assert image.info["loop"] == 0
        for k in (0, 7):
            image.seek(k)
            shown = np.asarray(image.convert("RGB")).astype(int)
            assert np.abs(shown - picture(k)).mean() < (4.0 if ending == ".webp" else 0.01)


def gif_blocks(data):
    """Global colours, frames, frames with a palette of their own (GIF89a, sections 18 to 23)."""
    assert data[:6] == b"GIF89a"
    packed, at = data[10], 13
    colours = 2 << (packed & 7) if packed & 0x80 else 0
    at += 3 * colours
    frames = local = 0
    while data[at] != 0x3B:
        if data[at] == 0x21:
            at += 2
        else:
            frames += 1
            own = data[at + 9]
            local += bool(own & 0x80)
            at += 11 + (3 * (2 << (own & 7)) if own & 0x80 else 0)
        while data[at]:
            at += data[at] + 1
        at += 1
    return colours, frames, local


def test_gif_has_one_palette_and_keeps_time(tmp_path):
    path = tmp_path / "turn.gif"
    film = write(path, count=24)
    colours, frames, local = gif_blocks(path.read_bytes())
    assert colours == 256
    assert local == 0
    assert frames == 12  # every other frame: GIF counts in hundredths of a second
    with Image.open(path) as image:
        assert image.info["loop"] == 0
        times = []
        for k in range(image.n_frames):
            image.seek(k)
            times.append(image.info["duration"])
            assert np.abs(np.asarray(image.convert("RGB")).astype(int) - picture(2 * k)).mean() < 6
    assert sum(times) == 1000
    assert "12 frames, 12 a second, at 320 x 240 in 256 colours" in film.words


def test_gif_grows_smaller_until_it_fits(tmp_path, monkeypatch):
    write(tmp_path / "large.gif", count=24)
    limit = (tmp_path / "large.gif").stat().st_size // 2
    monkeypatch.setattr(gif_module, "LARGEST", limit)
    film = write(tmp_path / "small.gif", count=24)
    assert (tmp_path / "small.gif").stat().st_size <= limit
    assert "256 colours" not in film.words


def test_folder_of_png_holds_every_frame_exactly(tmp_path):
    path = tmp_path / "turn"
    write(path)
    assert left_over(tmp_path) == ["turn"]
    assert left_over(path) == [f"turn.{k:04d}.png" for k in range(1, 13)]
    with Image.open(path / "turn.0004.png") as image:
        assert np.array_equal(np.asarray(image), picture(3))


def test_a_shorter_film_takes_the_place_of_a_longer_one(tmp_path):
    path = tmp_path / "turn"
    write(path, count=12)
    (path / "notes.txt").write_text("kept")
    (path / "turn.extra.png").write_text("kept")
    with pytest.raises(RibbonsimError, match="holds files and is kept"):
        write(path, count=5)
    write(path, count=5, force=True)
    frames = [f"turn.{k:04d}.png" for k in range(1, 6)]
    assert left_over(path) == sorted([*frames, "notes.txt", "turn.extra.png"])
    assert left_over(tmp_path) == ["turn"]


# -- nothing half-written ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["turn.mp4", "turn.gif", "turn.webp", "turn.apng", "turn"])
@pytest.mark.parametrize("stop", [KeyboardInterrupt, RuntimeError])
def test_a_stopped_film_leaves_nothing(tmp_path, name, stop):
    def stopped():
        with Film(tmp_path / name, SIZE, 24, 12) as film:
            for k in range(5):
                film.add(picture(k))
            raise stop

    with pytest.raises(stop):
        stopped()
    assert left_over(tmp_path) == []
    write(tmp_path / name)  # and can be made afresh
    assert left_over(tmp_path) == [name]


def test_a_stopped_film_leaves_the_old_one(tmp_path):
    path = tmp_path / "turn.mp4"
    write(path)
    before = path.read_bytes()

    def stopped():
        with Film(path, SIZE, 24, 12, force=True) as film:
            film.add(picture(0))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert path.read_bytes() == before
    assert left_over(tmp_path) == ["turn.mp4"]


FULL = """
import resource, signal, sys
import numpy as np
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from ribbonsim import RibbonsimError
from ribbonsim.show.film import Film
rng = np.random.default_rng(1)
resource.setrlimit(resource.RLIMIT_FSIZE, (60000, 60000))
try:
    with Film(sys.argv[1], (320, 240), 24, 60) as film:
        for k in range(60):
            film.add(rng.integers(0, 255, (240, 320, 3), dtype=np.uint8))
except RibbonsimError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX")
@pytest.mark.parametrize("name", first_of("turn.mp4", "turn.gif", "turn.webp", "turn.apng", "turn"))
def test_a_full_disk_is_told_in_a_sentence(tmp_path, name):
    # setrlimit(RLIMIT_FSIZE) makes writes fail as a full disk does (POSIX: EFBIG)
    told = subprocess.run(
        [sys.executable, "-c", FULL, str(tmp_path / name)],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert told.stderr == ""
    assert re.search(rf"{name} cannot be written \(", told.stdout)
    assert told.stdout.count("\n") == 1
    assert left_over(tmp_path) == []


def test_few_frames_wait_for_the_encoder(tmp_path, monkeypatch):
    gate = threading.Event()
    kept = film_module._PngFolder.add

    def slow(self, frame):
        gate.wait(120.0)
        kept(self, frame)

    monkeypatch.setattr(film_module._PngFolder, "add", slow)
    handed = []

    def hand_over():
        with Film(tmp_path / "turn", SIZE, 24, 40) as film:
            for k in range(40):
                film.add(picture(k))
                handed.append(k)

    thread = threading.Thread(target=hand_over)
    thread.start()
    for _ in range(600):  # a busy machine may be late to start it
        if handed:
            break
        time.sleep(0.1)
    time.sleep(0.8)
    waiting = len(handed)
    gate.set()
    thread.join(120.0)
    assert 1 <= waiting <= 6
    assert len(left_over(tmp_path / "turn")) == 40


# -- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "size", "words"),
    [
        ("turn.mov", SIZE, r"ends in .mov, which is not written: choose .mp4, .gif"),
        ("turn.png", SIZE, r"would hold one picture: give a folder's name .* turn.apng"),
        ("turn.mp4", (321, 240), "even numbers"),
        ("absent/turn.mp4", SIZE, "make it first"),
    ],
)
def test_films_that_cannot_be_are_refused_at_once(tmp_path, name, size, words):
    with pytest.raises(RibbonsimError, match=words):
        check_film(tmp_path / name, size)


def test_what_is_there_is_kept_unless_forced(tmp_path):
    path = tmp_path / "turn.gif"
    path.write_bytes(b"mine")
    with pytest.raises(RibbonsimError, match="exists and is kept"):
        write(path)
    assert path.read_bytes() == b"mine"
    write(path, force=True)
    assert path.read_bytes()[:3] == b"GIF"
    (tmp_path / "file").write_text("mine")
    with pytest.raises(RibbonsimError, match="is a file"):
        check_film(tmp_path / "file", SIZE)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)
def test_a_folder_that_may_not_be_written_is_told(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(RibbonsimError, match="choose a folder that you may write"):
            write(tmp_path / "turn.mp4")
    finally:
        tmp_path.chmod(0o700)


def test_without_the_encoder_it_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(RibbonsimError, match=r"pip install 'ribbonsim\[film\]'"):
        write(tmp_path / "turn.mp4")
    assert left_over(tmp_path) == []
    write(tmp_path / "turn.gif")
    assert left_over(tmp_path) == ["turn.gif"]
