"""Films, written frame by frame: the name's ending says which kind.

Frames are written while the next is drawn, and the final name is taken when all is there.
However long a film is, a few frames are in memory.

References
----------
ISO/IEC 14496-10 (H.264), Rec. ITU-R BT.709; GIF89a specification, 1990; RFC 9649 (WebP);
Portable Network Graphics Specification, 3rd ed., W3C 2025 (animated PNG).
"""

from __future__ import annotations

import glob
import os
import queue
from collections.abc import Callable
from contextlib import ExitStack
from fractions import Fraction
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import numpy as np
from PIL import Image

from ribbonsim import threads
from ribbonsim.arrays import Bytes
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.staging import PREFIX
from ribbonsim.files.writing import Bundle, cannot_write, check_free
from ribbonsim.show.gif import GifFile

ENDINGS = (".mp4", ".gif", ".webp", ".apng")
_WAITING = 4


class Encoder(Protocol):
    """What turns frames into a file."""

    def add(self, frame: Bytes) -> None:
        """Take the next frame."""

    def finish(self) -> None:
        """Write what is left."""

    def abandon(self) -> None:
        """Let go of everything."""

    @property
    def words(self) -> str:
        """What was made, for the user."""


class Film:
    """A film that is being written; frames are encoded on a thread of their own.

    Used in a ``with`` block. If the block ends well, the film takes its name; if it is left by
    an error or by the user, nothing is there that was not there before.

    Parameters
    ----------
    path : path
        ``.mp4``, ``.gif``, ``.webp`` or ``.apng``; without an ending a folder of numbered PNG
        files.
    size : (width, height)
        Pixels.
    fps : int
        Frames a second.
    frames : int
        How many will come.
    force : bool
        Replace what is there.

    Raises
    ------
    RibbonsimError
        If the ending is unknown, the size does not go with it, or it cannot be written.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        size: tuple[int, int],
        fps: int,
        frames: int,
        force: bool = False,
    ) -> None:
        self.path = check_film(path, size, force)
        self._size, self._fps, self._frames, self._force = size, fps, frames, force
        self._queue: queue.Queue[Bytes | None] = queue.Queue(_WAITING)
        self._failure: Exception | None = None
        self.words = ""

    def __enter__(self) -> Film:
        with ExitStack() as stack:
            folder = self.path.parent if self.path.suffix else self.path
            self._bundle = stack.enter_context(Bundle(folder, self._force))
            self._encoder = self._make_encoder()
            self._stack = stack.pop_all()
        self._thread = threads.begin("film", self._encode)
        return self

    def add(self, frame: Bytes) -> None:
        """Hand over the next frame."""
        self._check()
        self._queue.put(frame)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._queue.put(None)
            self._thread.join()
            if error is None:
                self._check()
                self._guard(self._encoder.finish)
                self._check()
                self.words = self._encoder.words
                self._take_name()
            else:
                self._encoder.abandon()
        except BaseException as failure:
            self._stack.__exit__(type(failure), failure, failure.__traceback__)
            raise
        self._stack.__exit__(kind, error, trace)

    # -- inside --------------------------------------------------------------------------------

    def _make_encoder(self) -> Encoder:
        ending = self.path.suffix.lower()
        if not ending:
            return _PngFolder(self._bundle.path, self.path.name, self._frames)
        part = self._bundle.path(self.path.name)
        if ending == ".gif":
            return GifFile(part, self._size, self._fps, self._frames)
        return _AvFile(part, ending, self._size, self._fps)

    def _encode(self) -> None:
        while (frame := self._queue.get()) is not None:
            if self._failure is None:
                self._guard(partial(self._encoder.add, frame))

    def _guard(self, step: Callable[[], None]) -> None:
        try:
            step()
        except Exception as error:  # told to the thread that hands over the frames
            self._failure = error

    def _check(self) -> None:
        error = self._failure
        if error is None or isinstance(error, RibbonsimError):
            if error is not None:
                raise error
            return
        if isinstance(error, OSError):
            raise RibbonsimError(cannot_write(self.path, error)) from error
        raise RibbonsimError(
            f"{self.path} cannot be encoded ({error}): try another size or another ending"
        ) from error

    def _take_name(self) -> None:
        """Frames of an older film go from the folder; other files stay."""
        if self.path.suffix:
            self._bundle.place([self.path.name])
            return
        assert isinstance(self._encoder, _PngFolder)
        new = self._encoder.names
        old = self.path.glob(f"{glob.escape(self.path.name)}.[0-9]*.png")
        numbered = [path.name for path in old if path.name.split(".")[-2].isdigit()]
        self._bundle.place(new, remove=sorted(set(numbered) - set(new)))


def check_film(path: str | os.PathLike[str], size: tuple[int, int], force: bool = False) -> Path:
    """See that a film can be written, before the work that fills it begins."""
    target = Path(path)
    ending = target.suffix.lower()
    if ending == ".png":
        raise RibbonsimError(
            f"{target} would hold one picture: give a folder's name without an ending for "
            f"numbered PNG files, or {target.with_suffix('.apng').name} for one file that moves"
        )
    if ending and ending not in ENDINGS:
        raise RibbonsimError(
            f"{target} ends in {ending}, which is not written: choose {', '.join(ENDINGS)}, or a "
            "folder's name without an ending for numbered PNG files"
        )
    if ending == ".mp4" and (size[0] % 2 or size[1] % 2):
        raise RibbonsimError(
            f"{size[0]} x {size[1]} pixels cannot be an MP4 that plays in every browser: give even "
            "numbers"
        )
    if ending:
        return check_free(target, force)
    return _check_folder(target, force)


def _check_folder(target: Path, force: bool) -> Path:
    if not target.exists():
        return check_free(target, force)
    if not target.is_dir():
        raise RibbonsimError(f"{target} is a file: give another name for the folder of PNG files")
    held = [path for path in target.iterdir() if not path.name.startswith(PREFIX)]
    if held and not force:
        raise RibbonsimError(
            f"{target} holds files and is kept: choose another folder, or ask for its frames to "
            "be replaced (--force)"
        )
    if not os.access(target, os.W_OK | os.X_OK) or not os.access(target.parent, os.W_OK):
        raise RibbonsimError(f"{target} cannot be written to: choose a folder that you may write")
    return target


class _PngFolder:
    """Numbered PNG files."""

    def __init__(self, place: Callable[[str], Path], stem: str, frames: int) -> None:
        self._place, self._stem = place, stem
        self._digits = max(4, len(str(frames)))
        self.names: list[str] = []

    def add(self, frame: Bytes) -> None:
        name = f"{self._stem}.{len(self.names) + 1:0{self._digits}d}.png"
        Image.fromarray(frame).save(self._place(name), compress_level=3)
        self.names.append(name)

    def finish(self) -> None:
        """Each file is whole already."""

    def abandon(self) -> None:
        """They go with the place where they stand."""

    @property
    def words(self) -> str:
        return f"{len(self.names)} PNG files"


_CODECS: dict[str, tuple[str, str, str, dict[str, str], dict[str, str]]] = {
    ".mp4": (
        "mp4",
        "libx264",
        "yuv420p",
        {"crf": "17", "preset": "veryfast", "tune": "animation"},
        {"movflags": "+faststart"},
    ),
    ".webp": ("webp", "libwebp_anim", "yuv420p", {"quality": "82"}, {"loop": "0"}),
    ".apng": ("apng", "apng", "rgb24", {"pred": "mixed"}, {"plays": "0"}),
}


class _AvFile:
    """Films that FFmpeg's libraries write.

    MP4 is H.264 in yuv420p, with the index in front, so that it plays at once in every browser;
    its colours are told as BT.709.
    """

    def __init__(self, path: Path, ending: str, size: tuple[int, int], fps: int) -> None:
        av = _load_av()
        container, codec, pixels, options, muxing = _CODECS[ending]
        self._av, self._ending, self._pixels, self._count = av, ending, pixels, 0
        self._file = av.open(str(path), "w", format=container, options=muxing)
        self._stream: Any = self._file.add_stream(codec, rate=Fraction(fps), options=options)
        self._stream.width, self._stream.height = size
        self._stream.pix_fmt = pixels
        self._fps = fps
        if ending == ".mp4":
            context = self._stream.codec_context
            context.color_primaries = context.color_trc = context.colorspace = 1
            context.color_range = 1

    def add(self, frame: Bytes) -> None:
        picture = self._av.VideoFrame.from_ndarray(np.ascontiguousarray(frame), format="rgb24")
        if self._ending == ".mp4":
            picture = picture.reformat(
                format=self._pixels,
                dst_colorspace=self._av.video.reformatter.Colorspace.ITU709,
                dst_color_range=self._av.video.reformatter.ColorRange.MPEG,
            )
        picture.pts = self._count
        picture.time_base = Fraction(1, self._fps)
        self._count += 1
        self._put(picture)

    def _put(self, picture: Any) -> None:
        try:
            self._file.mux(self._stream.encode(picture))
        except self._av.error.FFmpegError as error:
            raise OSError(error.errno, error.strerror) from error

    def finish(self) -> None:
        self._put(None)
        try:
            self._file.close()
        except self._av.error.FFmpegError as error:
            raise OSError(error.errno, error.strerror) from error

    def abandon(self) -> None:
        from contextlib import suppress

        with suppress(self._av.error.FFmpegError, OSError):
            self._file.close()

    @property
    def words(self) -> str:
        return f"{self._count} frames, {self._fps} a second"


def _load_av() -> Any:
    try:
        import av
        import av.video.reformatter
    except ImportError as error:
        raise RibbonsimError(
            "MP4, WebP and APNG need the package av: install it (pip install 'ribbonsim[film]') "
            "or give a name that ends in .gif"
        ) from error
    av.logging.set_level(av.logging.PANIC)
    return av
