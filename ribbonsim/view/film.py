"""Films, written frame by frame: the name's ending says which kind.

Frames go to a file beside the final one and are written while the next is drawn; the final
name is taken when all is there. However long a film is, a few frames are in memory.

References
----------
ISO/IEC 14496-10 (H.264), Rec. ITU-R BT.709; GIF89a specification, 1990; RFC 9649 (WebP);
Portable Network Graphics Specification, 3rd ed., W3C 2025 (animated PNG).
"""

from __future__ import annotations

import os
import queue
import shutil
import tempfile
import threading
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.errors import RibbonsimError
from ribbonsim.files import cannot_write, check_free
from ribbonsim.view.gif import GifFile

Bytes = NDArray[np.uint8]

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
        self._size, self._fps, self._frames = size, fps, frames
        self._queue: queue.Queue[Bytes | None] = queue.Queue(_WAITING)
        self._failure: Exception | None = None
        self._part = Path()
        self.words = ""

    def __enter__(self) -> Film:
        try:
            if self.path.suffix:
                handle, name = tempfile.mkstemp(
                    dir=self.path.parent, prefix=f".{self.path.stem}.", suffix=self.path.suffix
                )
                os.close(handle)
            else:
                name = tempfile.mkdtemp(dir=self.path.parent, prefix=f".{self.path.name}.")
        except OSError as error:
            raise RibbonsimError(cannot_write(self.path, error)) from error
        self._part = Path(name)
        try:
            self._encoder = self._make_encoder()
        except BaseException:
            self._sweep()
            raise
        self._thread = threading.Thread(target=self._encode, name="ribbonsim-film", daemon=True)
        self._thread.start()
        return self

    def add(self, frame: Bytes) -> None:
        """Hand over the next frame.

        Parameters
        ----------
        frame : (height, width, 3) array of uint8
            Not to be changed afterwards.

        Raises
        ------
        RibbonsimError
            If an earlier frame could not be written.
        """
        self._check()
        self._queue.put(frame)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._queue.put(None)
        self._thread.join()
        try:
            if kind is None:
                self._check()
                self._guard(self._encoder.finish)
                self._check()
                self.words = self._encoder.words
                self._take_name()
            else:
                self._encoder.abandon()
        finally:
            self._sweep()

    # -- inside --------------------------------------------------------------------------------

    def _make_encoder(self) -> Encoder:
        ending = self.path.suffix.lower()
        if not ending:
            return _PngFolder(self._part, self.path.name, self._frames)
        if ending == ".gif":
            return GifFile(self._part, self._size, self._fps, self._frames)
        return _AvFile(self._part, ending, self._size, self._fps)

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
        try:
            if self._part.is_dir():
                _move_folder(self._part, self.path)
                return
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(self._part, 0o666 & ~mask)
            os.replace(self._part, self.path)
        except OSError as error:
            raise RibbonsimError(cannot_write(self.path, error)) from error

    def _sweep(self) -> None:
        if self._part.is_dir():
            shutil.rmtree(self._part, ignore_errors=True)
        else:
            self._part.unlink(missing_ok=True)


def check_film(path: str | os.PathLike[str], size: tuple[int, int], force: bool = False) -> Path:
    """See that a film can be written, before the work that fills it begins.

    Parameters
    ----------
    path : path
    size : (width, height)
    force : bool

    Returns
    -------
    Path

    Raises
    ------
    RibbonsimError
    """
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
    if any(target.iterdir()) and not force:
        raise RibbonsimError(
            f"{target} holds files and is kept: choose another folder, or ask for its frames to "
            "be replaced (--force)"
        )
    if not os.access(target, os.W_OK | os.X_OK) or not os.access(target.parent, os.W_OK):
        raise RibbonsimError(f"{target} cannot be written to: choose a folder that you may write")
    return target


def _move_folder(part: Path, target: Path) -> None:
    """Put a folder of frames where it belongs; frames of an older film go, other files stay."""
    if not target.exists():
        os.chmod(part, 0o755)
        os.rename(part, target)
        return
    new = {path.name for path in part.iterdir()}
    for name in sorted(new):
        os.replace(part / name, target / name)
    for old in target.glob(f"{_escaped(target.name)}.[0-9]*.png"):
        number = old.name[len(target.name) + 1 : -4]
        if number.isdigit() and old.name not in new:
            old.unlink()


def _escaped(name: str) -> str:
    import glob

    return glob.escape(name)


class _PngFolder:
    """Numbered PNG files."""

    def __init__(self, folder: Path, stem: str, frames: int) -> None:
        self._folder, self._stem, self._count = folder, stem, 0
        self._digits = max(4, len(str(frames)))

    def add(self, frame: Bytes) -> None:
        self._count += 1
        name = f"{self._stem}.{self._count:0{self._digits}d}.png"
        Image.fromarray(frame).save(self._folder / name, compress_level=3)

    def finish(self) -> None:
        """Each file is whole already."""

    def abandon(self) -> None:
        """The folder goes as a whole."""

    @property
    def words(self) -> str:
        return f"{self._count} PNG files"


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
