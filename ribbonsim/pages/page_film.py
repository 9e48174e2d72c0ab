"""A turntable inside a page: it plays there, and one frame stands for it on paper."""

from __future__ import annotations

import base64
import os
from collections import deque
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from PIL import Image

from ribbonsim.arrays import Bytes
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import open_input
from ribbonsim.pages.html import embed

LARGEST = 25_000_000  # bytes of a page that can be sent
_KINDS = {
    ".mp4": "video/mp4",
    ".gif": "image/gif",
    ".webp": "image/webp",
    ".png": "image/png",
    ".apng": "image/apng",
}
_ENDINGS = "MP4, GIF, WebP or animated PNG"


@dataclass(frozen=True)
class PageFilm:
    """A turntable as it stands in the page.

    Parameters
    ----------
    source : str
        A ``data:`` address that holds the whole film.
    kind : str
        Its media type, such as ``video/mp4``.
    width, height : int
        Pixels.
    words : str
        What it shows.
    still : str
        A ``data:`` address of one frame, for paper; may be empty.
    """

    source: str
    kind: str
    width: int
    height: int
    words: str
    still: str = ""

    @property
    def plays(self) -> bool:
        """Whether it is a film rather than a moving picture."""
        return self.kind.startswith("video/")


def read_film(path: str | os.PathLike[str]) -> PageFilm:
    """Read a turntable into an address."""
    file = Path(path)
    kind = _KINDS.get(file.suffix.lower())
    if kind is None:
        raise RibbonsimError(f"{file} cannot play in a page: give a turntable as {_ENDINGS}")
    try:
        with open_input(file) as stream:
            data = stream.read()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise RibbonsimError(f"{file} cannot be read ({reason}): make a turntable first") from error
    if len(data) * 4 / 3 > LARGEST:
        raise RibbonsimError(
            f"{file} is {len(data) / 1e6:.0f} MB, too large for a page of {LARGEST / 1e6:.0f} MB: "
            "make the turntable shorter or smaller"
        )
    still, seconds = _middle_frame(file, kind)
    height, width = still.shape[:2]
    words = f"Turntable, {seconds:.1f} s in a loop." if seconds else "Turntable."
    source = f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
    return PageFilm(source, kind, width, height, words, embed(still).source)


def _middle_frame(file: Path, kind: str) -> tuple[Bytes, float]:
    """The middle frame of a film, and the film's length in seconds; 0 if it does not say."""
    try:
        if kind == "video/mp4":
            return _middle_of_video(file)
        with Image.open(file) as picture:
            count = getattr(picture, "n_frames", 1)
            seconds = count * picture.info.get("duration", 0) / 1e3
            picture.seek(count // 2)
            return np.asarray(picture.convert("RGB")), seconds
    except (OSError, ValueError, EOFError, LookupError) as error:
        raise RibbonsimError(f"{file} cannot be played: make the turntable again") from error


def _middle_of_video(file: Path) -> tuple[Bytes, float]:
    import av

    try:
        with av.open(str(file)) as container:
            stream = container.streams.video[0]
            frames = deque(islice(container.decode(stream), stream.frames // 2 + 1), maxlen=1)
            picture = np.asarray(frames[0].to_ndarray(format="rgb24"), dtype=np.uint8)
            return picture, (container.duration or 0) / 1e6
    except av.FFmpegError as error:
        raise ValueError(str(error)) from error
