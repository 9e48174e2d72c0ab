"""The compare panel's picture: every layout of a bench in a tile, by one camera."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw

from ribbonsim.arrays import Array, Bytes
from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.curves.up import Up
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.state.bench import Bench, PoseRequest
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.names import short
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.work.bare import FILL
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.panel.work.live import Shown
from ribbonsim.panel.work.marks import Marker
from ribbonsim.panel.work.painting import Painted, encode
from ribbonsim.panel.work.seen_marks import make_marks
from ribbonsim.panel.work.subject import Frame, Subject
from ribbonsim.panel.work.trouble import Trouble
from ribbonsim.panel.work.viewer import Viewer
from ribbonsim.view.camera import View, named_view
from ribbonsim.view.lettering import load_font
from ribbonsim.view.look import INK, PAPER, Scale
from ribbonsim.view.scene import Stage

_STRIP = 26
_SIDE_BY_SIDE = 1.15
_SOFT = "#55626d"


@dataclass(frozen=True, eq=False)
class _Tiles(Subject):
    """What the picture of all layouts depends on; the pose is fitted when it is drawn."""

    each: tuple[Subject, ...]
    labels: tuple[str, ...]
    request: PoseRequest
    words: tuple[str, ...]
    front: int
    grid: tuple[int, int]


class TileViewer(Viewer):
    """Draws all layouts of a bench on one stage, one after the other, into one picture.

    Parameters
    ----------
    deliver, tell, fail, size
        As of :class:`~ribbonsim.panel.work.viewer.Viewer`.
    choose : callable
        Takes the number of a layout whose tile was clicked.
    """

    def __init__(
        self,
        bench: Bench,
        deliver: Callable[[Frame], None],
        tell: Callable[[Readout], None],
        fail: Callable[[Trouble], None],
        size: tuple[int, int],
        choose: Callable[[int], None],
    ) -> None:
        super().__init__(PanelModel(), deliver, tell, fail, size)
        self._bench, self._choose = bench, choose
        self._markers: dict[int, Marker] = {}
        self._known: tuple[tuple[object, ...], list[Pose]] = ((), [])
        self.grid = (2, 1)

    @property
    def tile(self) -> tuple[int, int]:
        """Width and height of a picture in a tile, without the strip for its name."""
        return _tile(self.grid, self.canvas).size

    @property
    def aspect(self) -> float:
        """Width over height of a tile."""
        return self.tile[0] / self.tile[1]

    def take_canvas(self, canvas: Canvas) -> None:
        """Have pictures drawn on another canvas; what was framed is framed again."""
        framed = self._framed is not None and self._framed[0] is self.orbit
        self.canvas = canvas
        if framed and self._bench.entries:
            self.frame_all()

    def frame_all(self, view: str | View | None = None) -> None:
        """Arrange the tiles and stand where the posed creatures of all layouts fill them."""
        side = self.orbit.view if view is None else view
        side = replace(named_view(side) if isinstance(side, str) else side, up=self.up)
        clouds = [
            entry.model.rig.deform(pose, entry.model.method)
            for entry in self._bench.entries
            for pose in self._bench.poses_of(entry)
        ]
        points: Array = np.vstack(clouds).astype(float)
        seen = points @ np.asarray(side.axes[:2]).T
        wide, high = np.maximum(np.ptp(seen, axis=0), 1e-9)
        self.grid = best_grid(len(self._bench.entries), wide / high, self.canvas)
        self.frame_points(points, side, FILL)

    @property
    def up(self) -> Up:
        """The axis that points up, as the first layout has it."""
        return self._bench.entries[0].model.layout.up

    def control_at(self, x: float, y: float) -> str | None:
        """Choose the layout whose tile is under a pixel, and find its control there."""
        number, at = self._tile_at(x, y)
        if number is None:
            return None
        self._choose(number)
        return self._control_in(number, at)

    def pointed_at(self, x: float, y: float) -> str:
        """The control under a pixel of the chosen layout's tile, whose name is to be shown."""
        number, at = self._tile_at(x, y)
        return (number == self._bench.chosen and self._control_in(number, at)) or ""

    def _tile_at(self, x: float, y: float) -> tuple[int | None, tuple[float, float]]:
        """The number of the layout whose tile is under a pixel, and the pixel of the tile."""
        columns, rows = self.grid
        wide, high = self.size[0] // columns, self.size[1] // rows
        column, row = int(x // wide), int(y // high)
        number = row * columns + column
        at = (x - column * wide, y - row * high)
        known = 0 <= column < columns and 0 <= number < len(self._bench.entries)
        return (number if known else None), at

    def _control_in(self, number: int, at: tuple[float, float]) -> str | None:
        entry = self._bench.entries[number]
        return self.find_control(entry.model.rig, self._bench.pose_of(entry), self.tile, at)

    def subject_of(self, model: PanelModel) -> Subject:
        """All that a picture of all layouts depends on, as it is now."""
        bench, number = self._bench, self._bench.chosen
        return _Tiles(
            **vars(super().subject_of(model)),
            each=tuple(super(TileViewer, self).subject_of(entry.model) for entry in bench.entries),
            labels=tuple(entry.name for entry in bench.entries),
            request=bench.request(),
            words=_asked_words(bench),
            front=number,
            grid=self.grid,
        )

    tells = False

    def _shown(self, subject: Subject) -> list[Shown]:
        if not isinstance(subject, _Tiles):
            raise TypeError("tiles are drawn of the subjects that a bench gives")
        named = zip(self._fitted(subject), subject.labels, strict=True)
        return [Shown(each, label) for each, label in named]

    def _front(self, subject: Subject) -> int:
        return subject.front if isinstance(subject, _Tiles) else 0

    def choose_layout(self, number: int) -> None:
        """Choose one of the layouts that are seen."""
        if 0 <= number < len(self._bench.entries):
            self._choose(number)

    def _make(self, subject: Subject, fine: bool) -> bool:
        if not isinstance(subject, _Tiles):
            raise TypeError("tiles are drawn of the subjects that a bench gives")
        begin = time.perf_counter()
        canvas = subject.canvas if fine else subject.canvas.quick
        most, tile = _tile(subject.grid, subject.canvas), _tile(subject.grid, canvas)
        stage = self.painter.stage_for(subject.rig.mesh, most, tile)
        tiles: list[Bytes] = []
        scale: Scale | None = None
        for number, each in enumerate(self._fitted(subject)):
            front = number == subject.front
            done = self.painter.paint(stage, each, fine)
            if done is None:
                return False
            picture = self._marked(stage, each, done, (number, front, fine), tile)
            scale = done.scale if front else scale
            label = f"{LETTERS[number]}   {short(subject.labels[number], 34)}"
            tiles.append(np.vstack([picture, _strip(label, tile.size[0], front, tile.grain)]))
        aside = 0
        if len(tiles) < subject.grid[0] * subject.grid[1]:
            aside = tile.size[0] * (len(tiles) % subject.grid[0])
            tiles.append(_note(subject.words, tile))
        joined = join_tiles(tiles, subject.grid, canvas.size)
        jpeg = encode(joined, scale, canvas, fine, (aside, _strip_high(canvas)))
        self._deliver(Frame(jpeg, time.perf_counter() - begin, fine))
        return fine

    def _fitted(self, subject: _Tiles) -> list[Subject]:
        """All layouts in the pose; the fits are kept for the fine picture and other views."""
        rigs = tuple(each.rig for each in subject.each)
        asked = (subject.request.key, rigs)
        if self._known[0] != asked:
            self._known = asked, [subject.request.fit(rig) for rig in rigs]
        return [
            replace(each, pose=pose)
            for each, pose in zip(subject.each, self._known[1], strict=True)
        ]

    def _marked(
        self,
        stage: Stage,
        each: Subject,
        done: Painted,
        place: tuple[int, bool, bool],
        tile: Canvas,
    ) -> Bytes:
        """The picture with dots and names; these are given room when it rests.

        Its place is its number, whether it is the chosen one, and whether it rests.
        """
        number, front, rests = place
        marks = make_marks(stage, each, done.ribbons, done.positions)
        if not front:
            marks = replace(marks, chosen="", piece=(), named=())
        marker = self._markers.setdefault(number, Marker(tile))
        marker.canvas = tile
        if rests:
            body = done.positions[:: max(1, len(done.positions) // 2000)]
            marker.settle(marks, stage.project(body), anew=True)
        return marker.draw(done.picture, marks)


def _strip_high(canvas: Canvas) -> int:
    """Height of the strip for a name under a tile, pixels."""
    return round(_STRIP * canvas.grain)


def _tile(grid: tuple[int, int], canvas: Canvas) -> Canvas:
    """What one layout is drawn on."""
    size = canvas.size[0] // grid[0], canvas.size[1] // grid[1] - _strip_high(canvas)
    return Canvas(size, canvas.grain)


def _asked_words(bench: Bench) -> tuple[str, ...]:
    """The pose, line by line."""
    asked, same = bench.asked, ("asked of every layout,", "seen by one camera")
    name = asked.name.replace("_", " ")
    if asked.moment is not None:
        at = asked.moment * bench.takes()[0].seconds
        return f"{name} at {at:.2f} s", bench.motions()[asked.name], *same
    if asked.owner is not None:
        return name, f"kept with {asked.owner.name}", *same
    pose = ALL_TEST_POSES[asked.name]
    unit = {"degrees": "°", "turns": " turns", "factor": ""}[pose.unit]
    return f"{name}, {asked.amount:.4g}{unit}", pose.describes, *same


def best_grid(count: int, aspect: float, canvas: Canvas) -> tuple[int, int]:
    """Columns and rows in which so many creatures are seen largest."""

    def scale(grid: tuple[int, int]) -> float:
        wide, high = _tile(grid, canvas).size
        full = count / (grid[0] * grid[1])
        return float(min(wide / aspect, high) * np.sqrt(full))

    grids = [(columns, -(-count // columns)) for columns in range(count, 0, -1)]
    grids = [grid for grid in grids if count > grid[0] * (grid[1] - 1)]
    chosen = grids[0]
    for grid in grids[1:]:
        if scale(grid) > _SIDE_BY_SIDE * scale(chosen):
            chosen = grid
    return chosen


def join_tiles(tiles: Sequence[Bytes], grid: tuple[int, int], size: tuple[int, int]) -> Bytes:
    """Join pictures into one, row by row."""
    paper = tuple(int(PAPER[i : i + 2], 16) for i in (1, 3, 5))
    whole = np.full((size[1], size[0], 3), paper, dtype=np.uint8)
    high, wide = tiles[0].shape[:2]
    for number, tile in enumerate(tiles):
        row, column = divmod(number, grid[0])
        part = whole[row * high : (row + 1) * high, column * wide : (column + 1) * wide]
        part[:] = tile
        if column:
            part[:, 0] = 190
        if row:
            part[0] = 190
    return whole


@lru_cache(maxsize=64)
def _strip(label: str, width: int, chosen: bool, grain: float) -> Bytes:
    """A name under a tile; the chosen one's is dark and has a pointer."""
    ground, ink = (INK, PAPER) if chosen else (PAPER, INK)
    high = round(_STRIP * grain)
    sheet = Image.new("RGB", (2 * width, 2 * high), ground)
    words = f"{label}   (chosen)" if chosen else label
    font = load_font(round(28 * grain), chosen)
    ImageDraw.Draw(sheet).text((20 * grain, high), words, font=font, fill=ink, anchor="lm")
    return np.asarray(sheet.resize((width, high), Image.Resampling.BOX))


@lru_cache(maxsize=16)
def _note(words: tuple[str, ...], tile: Canvas) -> Bytes:
    """What stands in the place of a tile that is left over: the pose, in words."""
    (width, height), unit = tile.size, tile.grain
    height += _strip_high(tile)
    sheet = Image.new("RGB", (2 * width, 2 * height), PAPER)
    pen = ImageDraw.Draw(sheet)
    for number, text in enumerate(words):
        font, ink = (
            load_font(round((28 if number else 44) * unit), not number),
            _SOFT if number else INK,
        )
        room = 2 * width - 60 * unit
        fits = [n for n in range(1, len(text) + 1) if font.getlength(text[:n]) < room]
        # a little above the middle: a scale of colours may stand below
        down = (58 * number - 29 * (len(words) - 1) - 70) * unit
        at = (30 * unit, height + down)
        pen.text(at, short(text, max(fits, default=1)), font=font, fill=ink, anchor="lm")
    return np.asarray(sheet.resize((width, height), Image.Resampling.BOX))
