"""Animated GIF with one palette for all frames, held under a size.

Frames are put aside on disk while they come, since the palette needs a look at all of them.
Then size, frame rate and colours are chosen so that the file stays small.

References
----------
GIF89a specification, CompuServe 1990.
"""

from __future__ import annotations

import tempfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.arrays import Bytes

LARGEST = 10_000_000
_WIDEST, _FASTEST, _MOST_FRAMES = 640, 15.0, 300
_LOOKED_AT = 24
_DITHER = 9.0


@dataclass(frozen=True)
class _Try:
    """One way to make a file smaller: share of the width, every how manyth frame, colours."""

    width: float
    step: int
    colours: int


_TRIES = (
    *(_Try(1.0, 1, 256), _Try(1.0, 1, 128), _Try(0.8, 1, 128), _Try(0.8, 2, 128)),
    *(_Try(0.6, 2, 96), _Try(0.5, 3, 64), _Try(0.4, 4, 48), _Try(0.3, 6, 32)),
)


class GifFile:
    """An animated GIF that is being written.

    Parameters
    ----------
    size : (width, height)
        Of the frames that come, pixels; the file's own may be smaller.
    """

    def __init__(self, path: Path, size: tuple[int, int], fps: int, frames: int) -> None:
        self._path, self._fps = path, fps
        share = min(1.0, _WIDEST / max(size))
        self._size = max(1, round(size[0] * share)), max(1, round(size[1] * share))
        wanted = max(1, round(fps / _FASTEST), -(-frames // _MOST_FRAMES))
        self._step = _even_step(frames, wanted)
        self._aside: Any = tempfile.TemporaryFile(dir=path.parent)  # noqa: SIM115
        self._places: list[tuple[int, int]] = []
        self._came = 0
        self.words = ""

    def add(self, frame: Bytes) -> None:
        """Put a frame aside."""
        if self._came % self._step == 0:
            small = Image.fromarray(frame).resize(self._size, Image.Resampling.LANCZOS)
            packed = zlib.compress(small.tobytes(), 1)
            self._places.append((self._aside.tell(), len(packed)))
            self._aside.write(packed)
        self._came += 1

    def finish(self) -> None:
        """Choose a palette and write; smaller and again if the file is too large."""
        for attempt in _TRIES:
            step = _even_step(len(self._places), attempt.step)
            size = tuple(max(1, round(side * attempt.width)) for side in self._size)
            self._write(step, (size[0], size[1]), attempt.colours)
            if self._path.stat().st_size <= LARGEST:
                break
        self._aside.close()

    def abandon(self) -> None:
        """Let go of the frames."""
        self._aside.close()

    def _write(self, step: int, size: tuple[int, int], colours: int) -> None:
        numbers = list(range(0, len(self._places), step))
        palette = self._palette(numbers, colours)
        frames = self._frames(numbers, size, palette)
        first = next(frames)
        first.save(
            self._path,
            "GIF",
            save_all=True,
            append_images=frames,
            palette=bytes(palette.getpalette() or []),  # for all frames
            duration=self._durations(numbers),
            loop=0,
            optimize=False,
        )
        shown = len(numbers) * self._fps / max(1, self._came)
        self.words = (
            f"{len(numbers)} frames, {shown:.3g} a second, at {size[0]} x {size[1]} in "
            f"{colours} colours, {self._path.stat().st_size / 1e6:.1f} MB"
        )

    def _palette(self, numbers: list[int], colours: int) -> Image.Image:
        """Colours that serve all frames: chosen for some of them side by side."""
        chosen = numbers[:: max(1, -(-len(numbers) // _LOOKED_AT))]
        small = [self._frame(k).reduce(2) for k in chosen]
        sheet = Image.new("RGB", (small[0].width, small[0].height * len(small)))
        for row, picture in enumerate(small):
            sheet.paste(picture, (0, row * small[0].height))
        return sheet.quantize(colours, Image.Quantize.MEDIANCUT)

    def _frames(
        self, numbers: list[int], size: tuple[int, int], palette: Image.Image
    ) -> Iterator[Image.Image]:
        for k in numbers:
            frame = self._frame(k)
            if frame.size != size:
                frame = frame.resize(size, Image.Resampling.LANCZOS)
            spread = np.clip(np.asarray(frame) + _pattern(size), 0.0, 255.0).astype(np.uint8)
            yield Image.fromarray(spread).quantize(palette=palette, dither=Image.Dither.NONE)

    def _frame(self, number: int) -> Image.Image:
        place, length = self._places[number]
        self._aside.seek(place)
        return Image.frombytes("RGB", self._size, zlib.decompress(self._aside.read(length)))

    def _durations(self, numbers: list[int]) -> list[int]:
        """Milliseconds in steps of ten, as GIF counts them, without drifting."""
        starts = [k * self._step / self._fps for k in numbers] + [self._came / self._fps]
        ticks = np.round(100.0 * np.array(starts)).astype(int)
        return [10 * max(2, int(gap)) for gap in np.diff(ticks)]


@lru_cache(maxsize=4)
def _pattern(size: tuple[int, int]) -> NDArray[np.float32]:
    """(height, width, 1) an ordered dither, the same in every frame, so that nothing flickers.

    References
    ----------
    B. E. Bayer, "An optimum method for two-level rendition of continuous-tone pictures",
    IEEE ICC 1973.
    """
    cell = np.zeros((1, 1))
    for _ in range(3):
        cell = np.block([[4 * cell, 4 * cell + 2], [4 * cell + 3, 4 * cell + 1]])
    tile = _DITHER * ((cell + 0.5) / 64.0 - 0.5)
    repeats = -(-size[1] // 8), -(-size[0] // 8)
    return np.tile(tile, repeats)[: size[1], : size[0], None].astype(np.float32)


def _even_step(frames: int, wanted: int) -> int:
    """Leave out as many frames as wanted, or a few less if the loop then stays even."""
    fitting = [step for step in range(wanted, 0, -1) if frames % step == 0]
    even = fitting[0] if fitting else 1
    return even if 2 * even >= wanted else wanted
