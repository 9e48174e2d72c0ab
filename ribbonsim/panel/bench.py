"""Layouts of one mesh beside each other: what the compare panel knows, and its picture."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.build import build_layout
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout import Layout, free_name
from ribbonsim.mesh import CreatureMesh, load_mesh
from ribbonsim.panel.fields import short
from ribbonsim.panel.marks import Marker
from ribbonsim.panel.model import PanelModel, Readout
from ribbonsim.panel.viewer import (
    FINE_QUALITY,
    MEASURED,
    PLAIN_QUALITY,
    Frame,
    Subject,
    Viewer,
    encode,
)
from ribbonsim.pose import Pose
from ribbonsim.rig import Rig, bind, rebind
from ribbonsim.targets import TEST_POSES
from ribbonsim.view.camera import View, named_view, telling_view
from ribbonsim.view.look import INK, PAPER
from ribbonsim.view.overlay import load_font
from ribbonsim.view.scene import Stage

Bytes = NDArray[np.uint8]

MOST = len(LETTERS)
_STRIP = 26
_FILL = 0.86


@dataclass
class Entry:
    """A layout on the bench.

    Parameters
    ----------
    name : str
    model : PanelModel
        Its layout and its steps back; the pose is the bench's.
    """

    name: str
    model: PanelModel


class Bench:
    """Two to six layouts of one mesh in the same test pose."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.chosen = 0
        self.pose_name = "s_bend" if "s_bend" in TEST_POSES else next(iter(TEST_POSES))
        self.amount = TEST_POSES[self.pose_name].usual
        self._fitted: dict[int, tuple[Rig, str, float, Pose]] = {}

    def open(
        self,
        source: str | os.PathLike[str] | CreatureMesh,
        layouts: Sequence[Layout | str | os.PathLike[str]] | None = None,
    ) -> None:
        """Open a mesh with layouts, or with a first layout and a sparser one.

        Parameters
        ----------
        source : path or CreatureMesh
        layouts : sequence of Layout or path, optional

        Raises
        ------
        RibbonsimError
            If something cannot be read or bound; what was open stays.
        """
        mesh = source if isinstance(source, CreatureMesh) else load_mesh(source)
        if layouts is None:
            first = build_layout(mesh)
            read = [first, sparser(first)]
        else:
            read = [each if isinstance(each, Layout) else Layout.load(each) for each in layouts]
        if not 2 <= len(read) <= MOST:
            raise RibbonsimError(f"{len(read)} layouts cannot be compared: give 2 to {MOST}")
        rig = bind(mesh, read[0])
        rigs = [rig, *(rebind(rig, layout) for layout in read[1:])]
        made: list[Entry] = []
        for each in rigs:
            made.append(self._entry(each, each.layout.name, made))
        self.entries, self.chosen = made, 0

    def _entry(self, rig: Rig, name: str, beside: Sequence[Entry]) -> Entry:
        model = PanelModel()
        model.open(rig)
        taken = [entry.name for entry in beside]
        return Entry(name if name and name not in taken else free_name("layout", taken), model)

    def duplicate(self) -> None:
        """Put a copy of the chosen layout beside the others and choose it."""
        entry = self.entries[self.chosen]
        self.add(entry.model.layout, free_name("variant", [e.name for e in self.entries]))
        self.entries[-1].model.method = entry.model.method

    def add(self, layout: Layout, name: str) -> None:
        """Put a layout beside the others and choose it.

        Parameters
        ----------
        layout : Layout
        name : str

        Raises
        ------
        RibbonsimError
            If there is no room or it cannot be bound.
        """
        if len(self.entries) >= MOST:
            raise RibbonsimError(f"{MOST} layouts stand here already: remove one first")
        rig = rebind(self.entries[0].model.rig, layout)
        self.entries = [*self.entries, self._entry(rig, name, self.entries)]
        self.chosen = len(self.entries) - 1

    def remove(self) -> None:
        """Take the chosen layout away."""
        if len(self.entries) <= 2:
            raise RibbonsimError("two layouts are the fewest that can be compared")
        self.entries = [e for i, e in enumerate(self.entries) if i != self.chosen]
        self.chosen = min(self.chosen, len(self.entries) - 1)

    def pose_of(self, entry: Entry) -> Pose:
        """The test pose fitted to a layout.

        Parameters
        ----------
        entry : Entry

        Returns
        -------
        Pose
        """
        rig = entry.model.rig
        known = self._fitted.get(id(entry))
        if known is None or known[:3] != (rig, self.pose_name, self.amount):
            pose = rig.pose_for(self.pose_name, self.amount)
            known = (rig, self.pose_name, self.amount, pose)
            self._fitted[id(entry)] = known
        return known[3]

    def telling_view(self) -> View:
        """The side from which the bend of the first layout shows best."""
        entry = self.entries[0]
        ribbon = entry.model.rig.pose_ribbon(self.pose_of(entry))
        return telling_view(ribbon.midline(np.linspace(0.0, 1.0, 65)))


def sparser(layout: Layout) -> Layout:
    """The layout without every second inner control.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    Layout
    """
    ordered = sorted(layout.controls, key=lambda control: control.station)
    for control in ordered[1:-1:2]:
        layout = layout.without_control(control.name)
    return replace(layout, name="fewer controls")


class TileViewer(Viewer):
    """Draws all layouts of a bench on one stage, one after the other, into one picture.

    Parameters
    ----------
    bench : Bench
    deliver, tell, fail, size
        As of :class:`~ribbonsim.panel.viewer.Viewer`.
    choose : callable
        Takes the number of a layout whose tile was clicked.
    """

    def __init__(
        self,
        bench: Bench,
        deliver: Callable[[Frame], None],
        tell: Callable[[Readout], None],
        fail: Callable[[str], None],
        size: tuple[int, int],
        choose: Callable[[int], None],
    ) -> None:
        super().__init__(PanelModel(), deliver, tell, fail, size)
        self._bench, self._choose = bench, choose

    @property
    def grid(self) -> tuple[int, int]:
        """Columns and rows of tiles."""
        count = len(self._bench.entries)
        return (2 if count <= 4 else 3), (1 if count <= 2 else 2)

    @property
    def tile(self) -> tuple[int, int]:
        """Width and height of a picture in a tile, without the strip for its name."""
        columns, rows = self.grid
        return self.size[0] // columns, self.size[1] // rows - _STRIP

    @property
    def aspect(self) -> float:
        """Width over height of a tile."""
        return self.tile[0] / self.tile[1]

    def frame_all(self, view: str | View | None = None) -> None:
        """Stand where the posed creatures of all layouts fill their tiles.

        Parameters
        ----------
        view : str or View, optional
            The side; that of now if left out.
        """
        side = self.orbit.view if view is None else view
        side = named_view(side) if isinstance(side, str) else side
        clouds = [
            entry.model.rig.deform(self._bench.pose_of(entry), entry.model.method)
            for entry in self._bench.entries
        ]
        self.frame_points(np.vstack(clouds), side, _FILL)

    def control_at(self, x: float, y: float) -> str | None:
        """Choose the layout whose tile is under a pixel; no control is chosen so.

        Parameters
        ----------
        x, y : float
            Pixels from the left and from the top.

        Returns
        -------
        None
        """
        columns, rows = self.grid
        column, row = int(x * columns / self.size[0]), int(y * rows / self.size[1])
        number = row * columns + column
        if 0 <= number < len(self._bench.entries):
            self._choose(number)
        return None

    def _subject(self, model: PanelModel) -> Subject:
        made = [
            replace(super(TileViewer, self)._subject(entry.model), pose=self._bench.pose_of(entry))
            for entry in self._bench.entries
        ]
        labels = [entry.name for entry in self._bench.entries]
        return replace(
            made[0], others=tuple(made[1:]), labels=tuple(labels), front=self._bench.chosen
        )

    def _make(self, subject: Subject, fine: bool) -> None:
        begin = time.perf_counter()
        stage = self._stage_for(subject.rig.mesh)
        if stage.size != self.tile:
            stage.resize(self.tile)
        subjects = (subject, *subject.others)
        tiles, scale = [], None
        for number, each in enumerate(subjects):
            positions, normals = self._pose(each)
            stage.update(positions, normals)
            ribbon = each.rig.pose_ribbon(each.pose)
            measures = None
            if each.show.heat in MEASURED:
                measures = each.model.measures_of(each.rig, positions, ribbon)
            scale = self._dress(stage, each, measures)
            stage.show_edges(each.show.edges)
            stage.show_ribbon(ribbon if each.show.ribbon else None)
            stage.set_camera(each.orbit.camera(self.aspect))
            picture = self._smooth_image(stage) if fine else stage.image(labels=False)
            if picture is None:
                return
            if each.show.controls:
                picture = _dotted(stage, each, picture, number == subject.front)
            label = f"{LETTERS[number]}   {short(subject.labels[number], 34)}"
            tiles.append(np.vstack([picture, _strip(label, self.tile[0], number == subject.front)]))
        joined = join_tiles(tiles, self.grid, self.size)
        quality = FINE_QUALITY if fine else PLAIN_QUALITY
        jpeg = encode(joined, scale, self.size, quality, _STRIP)
        self._deliver(Frame(jpeg, time.perf_counter() - begin, fine))


def _dotted(stage: Stage, subject: Subject, picture: Bytes, front: bool) -> Bytes:
    layout = subject.rig.layout
    ribbon = subject.rig.pose_ribbon(subject.pose)
    seats = stage.project(ribbon.midline(layout.control_places))
    places = [(float(x), float(y)) for x, y in seats]
    return Marker.draw_dots(
        picture, places, layout.control_names.index(subject.selected) if front else -1
    )


def join_tiles(tiles: Sequence[Bytes], grid: tuple[int, int], size: tuple[int, int]) -> Bytes:
    """Join pictures into one, row by row.

    Parameters
    ----------
    tiles : sequence of (height, width, 3) arrays of uint8
    grid : (columns, rows)
    size : (width, height)

    Returns
    -------
    (height, width, 3) array of uint8
        Places without a tile, and thin lines between tiles, are pale.
    """
    whole = np.full((size[1], size[0], 3), 226, dtype=np.uint8)
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
