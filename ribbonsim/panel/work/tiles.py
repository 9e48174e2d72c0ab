"""The compare panel's picture: every layout of a bench in a tile, by one camera."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from ribbonsim.arrays import Array, Bytes
from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.state.bench import Bench, PoseRequest
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.names import short
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.work.live import Shown
from ribbonsim.panel.work.marks import Marker
from ribbonsim.panel.work.seen_marks import make_marks
from ribbonsim.panel.work.subject import MEASURED, Frame, Subject
from ribbonsim.panel.work.trouble import Trouble
from ribbonsim.panel.work.viewer import FINE_QUALITY, PLAIN_QUALITY, Viewer, encode
from ribbonsim.view.camera import View, named_view
from ribbonsim.view.lettering import load_font
from ribbonsim.view.look import INK, PAPER, Scale
from ribbonsim.view.scene import Stage

_STRIP = 26
_FILL = 0.86
_SIDE_BY_SIDE = 1.15
_ROOM_FOR_A_NAME = 20_000
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
        self._markers: dict[tuple[int, tuple[int, int]], Marker] = {}
        self._known: tuple[tuple[object, ...], list[Pose]] = ((), [])
        self.grid = (2, 1)

    @property
    def tile(self) -> tuple[int, int]:
        """Width and height of a picture in a tile, without the strip for its name."""
        return _tile(self.grid, self.size)

    @property
    def aspect(self) -> float:
        """Width over height of a tile."""
        return self.tile[0] / self.tile[1]

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
        self.grid = best_grid(len(self._bench.entries), wide / high, self.size)
        self.frame_points(points, side, _FILL)

    @property
    def up(self) -> Up:
        """The axis that points up, as the first layout has it."""
        return self._bench.entries[0].model.layout.up

    def control_at(self, x: float, y: float) -> str | None:
        """Choose the layout whose tile is under a pixel, and find its control there."""
        columns, rows = self.grid
        wide, high = self.size[0] // columns, self.size[1] // rows
        column, row = int(x // wide), int(y // high)
        number = row * columns + column
        if column >= columns or not 0 <= number < len(self._bench.entries):
            return None
        self._choose(number)
        entry = self._bench.entries[number]
        return self.find_control(
            *(entry.model.rig, self._bench.pose_of(entry), self.tile),
            (x - column * wide, y - row * high),
        )

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

    def _make(self, subject: Subject, fine: bool) -> None:
        if not isinstance(subject, _Tiles):
            raise TypeError("tiles are drawn of the subjects that a bench gives")
        begin = time.perf_counter()
        tile = _tile(subject.grid, self.size)
        stage = self._stage_for(subject.rig.mesh)
        if stage.size != tile:
            stage.resize(tile)
        stage.hurry(not fine)
        subjects = self._fitted(subject)
        most = max(_named_count(each) for each in subjects)
        named = most * _ROOM_FOR_A_NAME <= tile[0] * tile[1]
        tiles: list[Bytes] = []
        scale: Scale | None = None
        for number, each in enumerate(subjects):
            front = number == subject.front
            drawn = self._draw_tile(stage, each, (number, front, named), fine)
            if drawn is None:
                return
            picture, shown = drawn
            scale = shown if front else scale
            label = f"{LETTERS[number]}   {short(subject.labels[number], 34)}"
            tiles.append(np.vstack([picture, _strip(label, tile[0], front)]))
        aside = 0
        if len(tiles) < subject.grid[0] * subject.grid[1]:
            aside = tile[0] * (len(tiles) % subject.grid[0])
            tiles.append(_note(subject.words, tile))
        joined = join_tiles(tiles, subject.grid, self.size)
        quality = FINE_QUALITY if fine else PLAIN_QUALITY
        jpeg = encode(joined, scale, self.size, quality, (aside, _STRIP))
        self._deliver(Frame(jpeg, time.perf_counter() - begin, fine))

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

    def _draw_tile(
        self, stage: Stage, each: Subject, place: tuple[int, bool, bool], fine: bool
    ) -> tuple[Bytes, Scale | None] | None:
        """One layout and the scale of its colours; None if a new picture is asked for meanwhile.

        Its place is its number, whether it is the chosen one, and whether there is room for
        the names of all controls.
        """
        posed = each.rig.posed(each.pose)
        joints, ribbons = posed.joints, posed.ribbons
        positions, normals = self._pose(each, joints)
        stage.update(positions, normals)
        measures = None
        if each.show.heat in MEASURED:
            measures = each.model.measures_of(each.rig, positions, ribbons[BODY], joints)
        scale = self._dress(stage, each, measures)
        stage.show_edges(each.show.edges)
        stage.show_ghost(each.rig.mesh.positions if each.show.rest else None)
        stage.show_ribbon(list(ribbons.values()) if each.show.ribbon else None)
        stage.set_camera(each.orbit.camera(stage.size[0] / stage.size[1]))
        picture = self._smooth_image(stage) if fine else stage.image(labels=False)
        if picture is None:
            return None
        body = positions[:: max(1, len(positions) // 2000)] if fine else None
        return self._marked(stage, each, (ribbons, positions), picture, place, body), scale

    def _marked(
        self,
        stage: Stage,
        each: Subject,
        posed: tuple[Mapping[str, Ribbon], NDArray[np.float32]],
        picture: Bytes,
        place: tuple[int, bool, bool],
        body: NDArray[np.float32] | None,
    ) -> Bytes:
        """The picture with dots, and names where there is room; they move when it rests."""
        number, front, named = place
        size = stage.size
        marks = make_marks(stage, each, *posed)
        if not front:
            marks = replace(marks, chosen="", piece=())
        if not named:
            kept = [c for c in marks.controls if c[0] == marks.chosen]
            dots = [at for name, at in marks.controls if name != marks.chosen]
            picture = Marker.draw_dots(picture, dots, -1)
            marks = replace(marks, controls=kept)
        marker = self._markers.setdefault((number, size), Marker(size))
        if body is not None:
            marker.settle(marks, stage.project(body), anew=True)
        return marker.draw(picture, marks)


def _named_count(subject: Subject) -> int:
    """How many controls have their names in the picture: those of the chosen ribbon."""
    layout = subject.rig.layout
    return len(layout.ribbons[layout.control(subject.selected)[0]].controls)


def _tile(grid: tuple[int, int], size: tuple[int, int]) -> tuple[int, int]:
    return size[0] // grid[0], size[1] // grid[1] - _STRIP


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


def best_grid(count: int, aspect: float, size: tuple[int, int]) -> tuple[int, int]:
    """Columns and rows in which so many creatures are seen largest."""

    def scale(grid: tuple[int, int]) -> float:
        wide, high = _tile(grid, size)
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
def _strip(label: str, width: int, chosen: bool) -> Bytes:
    """A name under a tile; the chosen one's is dark and has a pointer."""
    ground, ink = (INK, PAPER) if chosen else (PAPER, INK)
    sheet = Image.new("RGB", (2 * width, 2 * _STRIP), ground)
    words = f"{label}   (chosen)" if chosen else label
    font = load_font(28, chosen)
    ImageDraw.Draw(sheet).text((20, _STRIP), words, font=font, fill=ink, anchor="lm")
    return np.asarray(sheet.resize((width, _STRIP), Image.Resampling.BOX))


@lru_cache(maxsize=16)
def _note(words: tuple[str, ...], tile: tuple[int, int]) -> Bytes:
    """What stands in the place of a tile that is left over: the pose, in words."""
    width, height = tile[0], tile[1] + _STRIP
    sheet = Image.new("RGB", (2 * width, 2 * height), PAPER)
    pen = ImageDraw.Draw(sheet)
    for number, text in enumerate(words):
        font, ink = load_font(28 if number else 44, not number), _SOFT if number else INK
        fits = [n for n in range(1, len(text) + 1) if font.getlength(text[:n]) < 2 * width - 60]
        # a little above the middle: a scale of colours may stand below
        at = (30, height - 70 + 58 * number - 29 * (len(words) - 1))
        pen.text(at, short(text, max(fits, default=1)), font=font, fill=ink, anchor="lm")
    return np.asarray(sheet.resize((width, height), Image.Resampling.BOX))
