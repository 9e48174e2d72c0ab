"""Measures of a posed skin against its rest: stretch, area, folds, volume, girth, contacts.

:class:`Gauge` arranges the rest once; each pose then costs a few passes over the triangles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array, Flags, Floats, Ints
from ribbonsim.bendcheck.contacts import (
    RestCrossings,
    crosses_itself,
    crossing_pairs,
    new_pairs,
)
from ribbonsim.bendcheck.rings import SECTIONS, RingGauge, RingMeasures
from ribbonsim.bendcheck.tears import Seams
from ribbonsim.bendcheck.triangles import Sweep, TriangleGauge, enclosed_volume
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.dual_quaternions import align_tree
from ribbonsim.rig.rig import Rig

# Vertices whose turning is blended at once: a product so small that it stays on one core.
_VERTICES_AT_ONCE = 2048
# How far the seam of pieces that are plunged into each other may slide, of the body's radius: in
# all test poses it slides by less, and what is nearer to it than that is hidden in the joint.
_SEAM_SLIDE = 0.25
# A surface that encloses less than this share of what its area could has no volume.
_NO_VOLUME = 1e-3


@dataclass(frozen=True, eq=False)
class Measures:
    """What a posed skin measures.

    Parameters
    ----------
    stretch : (T, 2) array
        Larger and smaller stretch of each triangle.
    area : (T,) array
        Area of each triangle, posed over rest.
    girth : (N,) array
        Girth at each station, posed over rest: the root of the area of its rings.
    off : (N,) array
        How far the rings' centres have left the ribbon, in radii.
    volumes : (N,) array
        Volume of a slice at each station, posed over rest: girth squared times stretch.
    volume : float
        Posed over rest; 1 for a surface that encloses none.
    surface : float
        Area of all triangles, posed over rest.
    folded : (T,) bool array
        Triangles that turned over: their normal faces against the direction in which the
        skin carries it.
    tear : float
        Farthest that vertices have parted which are one place of the skin at rest, over the
        length of the body.
    """

    stretch: Floats
    area: Floats
    girth: Array
    off: Array
    volumes: Array
    volume: float
    surface: float
    folded: Flags
    tear: float = 0.0


@dataclass(frozen=True, eq=False)
class _Rest:
    """What the rest measures: its triangles, their shares of the area, and its volume or 0."""

    mesh: CreatureMesh
    triangles: TriangleGauge
    shares: Array
    volume: float

    @cached_property
    def crossings(self) -> RestCrossings:
        """Triangles that cross or touch."""
        positions, triangles = self.mesh.positions, self.mesh.triangles
        pairs = crossing_pairs(positions, triangles)
        corners = np.asarray(positions, dtype=float)[triangles]
        return RestCrossings(corners, self.mesh.components[triangles[:, 0]], pairs)

    @cached_property
    def seams(self) -> Seams:
        """Vertices that are one place of the skin."""
        return Seams(self.mesh)

    @classmethod
    def of(cls, rig: Rig, thinned: bool) -> _Rest:
        triangles = rig.mesh.triangles
        # a triangle turns with its corner in the middle along the body
        order = np.argsort(rig.places[triangles], axis=1, kind="stable")
        leaders = np.take_along_axis(triangles, order[:, 1:2], axis=1)[:, 0]
        gauge = TriangleGauge(rig.mesh.positions, triangles, leaders, slivers=not thinned)
        volume = enclosed_volume(rig.mesh.positions, triangles)
        # a ball of the same area would hold (area / 4 pi)^(3/2) 4 pi / 3
        total = float(gauge.areas.sum())
        most = total**1.5 / (6.0 * np.sqrt(np.pi))
        shares = gauge.areas / max(total, 1e-300)
        return cls(rig.mesh, gauge, shares, volume if abs(volume) > _NO_VOLUME * most else 0.0)


class Gauge:
    """A rig's rest, arranged for measuring poses.

    Parameters
    ----------
    like : Gauge, optional
        Of another layout of the same mesh: what does not depend on the layout is taken from it.
    thinned : bool
        Whether the mesh is some of the vertices of another. Thin triangles of such a skin are no
        slivers of the creature's, and count by themselves.
    """

    def __init__(self, rig: Rig, like: Gauge | None = None, thinned: bool = False) -> None:
        self.rig = rig
        self._rest: _Rest
        self._like: Gauge | None = None
        if like is not None and like.rig.mesh is rig.mesh and like.rig.places is rig.places:
            self._rest = like._rest
            self._like = like if rig.layout.appendages else None
        else:
            self._rest = _Rest.of(rig, thinned)

    def measure(
        self, positions: Floats, ribbon: Ribbon, joints: JointPose | None = None
    ) -> Measures:
        """Measure a posed skin in the precision of its positions.

        ``ribbon`` is the body's. ``joints`` may be left out where there is no other ribbon.
        """
        if joints is None and self.rig.layout.appendages:
            raise RibbonsimError("a creature with appendages is measured with its posed joints")
        frames = self.body_rings.frames(ribbon)
        rings = self.body_rings.measure(positions, frames)
        found = self._rest.triangles.sweep(positions, self._turns(frames, joints))
        change = self._volume_change(found.volume)
        speed = np.linalg.norm(ribbon.midline(self.rig.layout.stations, 1), axis=1)
        volumes = rings.girth**2 * (speed / self._rest_speed)
        surface = float(np.einsum("t,t", found.area, self._rest.shares, dtype=float))
        gaps = self.seams.gaps(positions)
        return Measures(
            found.stretch,
            found.area,
            rings.girth,
            rings.off,
            volumes,
            change,
            surface,
            found.folded,
            float(gaps.max(initial=0.0)) / self.rig.layout.ribbon.length,
        )

    def measure_turned(self, positions: Floats, turns: Floats) -> tuple[Sweep, float]:
        """Triangles of a skin that turns at its vertices as (4, V) quaternions say, and volume."""
        found = self._rest.triangles.sweep(positions, turns)
        return found, self._volume_change(found.volume)

    def _volume_change(self, volume: float) -> float:
        return volume / self._rest.volume if self._rest.volume else 1.0

    def contacts(self, positions: Floats) -> Ints:
        """(c, 2) triangles that cross or touch in a pose and do not at rest, in rising order.

        Neighbours that only share their edge or corner do not count; neighbours that fold
        onto or through each other do. Where pieces are plunged into each other at rest, their
        seam may slide by a quarter of the body's radius.
        """
        triangles = self.rig.mesh.triangles
        pairs = crossing_pairs(positions, triangles)
        if not len(pairs):
            return pairs
        rest = self._rest.crossings
        pairs = new_pairs(pairs, rest.pairs, len(triangles))
        if not len(pairs) or not len(rest.pairs):
            return pairs
        radius = self.along_body(self.body_rings.radii)[triangles[pairs]].mean(axis=(1, 2))
        return pairs[~rest.hold(pairs, _SEAM_SLIDE * radius)]

    def meets(self, positions: Floats) -> bool:
        """Whether there are any contacts, which is found sooner than which they are."""
        if len(self._rest.crossings.pairs):
            return len(self.contacts(positions)) > 0
        return crosses_itself(positions, self.rig.mesh.triangles)

    @property
    def rest_contacts(self) -> int:
        """How many pairs of triangles cross or touch at rest; such are in no pose's contacts."""
        return len(self._rest.crossings.pairs)

    def over_vertices(self, values: ArrayLike) -> Array:
        """(V,) spread a value of triangles over their vertices, weighted by area."""
        return self._spreading @ np.asarray(values, dtype=float)

    def along_body(self, values: ArrayLike) -> Array:
        """(V,) spread a value of stations over the vertices by their places along the body."""
        layout = self.rig.layout
        lengths = layout.body.station_lengths
        return np.interp(self.rig.places, lengths, np.asarray(values, dtype=float))

    @cached_property
    def _spreading(self) -> csr_array:
        triangles, areas = self.rig.mesh.triangles, self._rest.triangles.areas
        rows, columns = triangles.T.ravel(), np.tile(np.arange(len(triangles)), 3)
        table = csr_array(
            (np.tile(np.maximum(areas, 1e-300), 3), (rows, columns)),
            shape=(len(self.rig.mesh.positions), len(triangles)),
        )
        total = np.asarray(table.sum(axis=1)).ravel()
        table.data /= np.repeat(np.where(total > 0, total, 1.0), np.diff(table.indptr))
        return table

    # -- how the skin turns ----------------------------------------------------------------

    @cached_property
    def _joint_back(self) -> Array:
        return invert_rigid(self.rig.joint_rest)

    @cached_property
    def _joint_shares(self) -> list[tuple[slice, Ints, NDArray[np.float32]]]:
        """Some vertices, the joints that hold any of them, and the weights (joints, vertices)."""
        weights, shares = self.rig.mesh_weights, []
        for start in range(0, len(weights), _VERTICES_AT_ONCE):
            piece = slice(start, start + _VERTICES_AT_ONCE)
            joints = np.flatnonzero(weights[piece].any(axis=0))
            held = np.ascontiguousarray(weights[piece, joints].T, dtype=np.float32)
            shares.append((piece, joints, held))
        return shares

    def _turns(self, frames: Array, joints: JointPose | None) -> NDArray[np.float32]:
        """(4, V) rotation of the skin at each vertex: the dual quaternions' real part."""
        rigid = frames[::SECTIONS] @ self._joint_back if joints is None else joints.rigid
        turned = Rotation.from_matrix(rigid[:, :3, :3]).as_quat()[:, [3, 0, 1, 2]]
        real = align_tree(turned, self.rig.joint_parents)
        rows = np.ascontiguousarray(real.T, dtype=np.float32)
        turns = np.empty((4, len(self.rig.mesh_weights)), dtype=np.float32)
        for piece, held, shares in self._joint_shares:
            np.matmul(rows[:, held], shares, out=turns[:, piece])
        return turns

    # -- rings -----------------------------------------------------------------------------

    @cached_property
    def _rest_speed(self) -> Array:
        layout = self.rig.layout
        return np.linalg.norm(layout.ribbon.midline(layout.stations, 1), axis=1)

    @property
    def seams(self) -> Seams:
        """Vertices that are one place of the skin."""
        return self._rest.seams

    @cached_property
    def body_rings(self) -> RingGauge:
        """Rings of the body."""
        rig = self.rig
        # what an appendage has taken over is no part of the body's rings
        triangles = self._mostly(rig.mesh.triangles, BODY)
        return RingGauge(rig.layout.body, rig.mesh.positions, triangles, rig.places)

    def _mostly(self, triangles: Ints, ribbon: str) -> Ints:
        """Triangles of which most is held by one ribbon's joints."""
        if not self.rig.layout.appendages:
            return triangles
        own = self.rig.mesh_weights[:, self.rig.joints_of[ribbon]].sum(axis=1)
        return triangles[own[triangles].mean(axis=1) > 0.5]

    @cached_property
    def limb_rings(self) -> dict[str, RingGauge]:
        """Rings of each appendage."""
        rig, made = self.rig, dict[str, RingGauge]()
        like, self._like = self._like, None  # asked once, and not kept alive
        for one in rig.layout.appendages:
            limb = rig.limbs[one.name]
            if like is not None and _rides_alike(one, rig, like.rig):
                made[one.name] = like.limb_rings[one.name]
                continue
            places = np.zeros(len(rig.places))
            places[limb.vertices] = limb.places
            triangles = self._mostly(limb.triangles, one.name)
            made[one.name] = RingGauge(one.layout, rig.mesh.positions, triangles, places)
        return made

    def rings_of(self, appendage: str, positions: Floats, ribbon: Ribbon) -> RingMeasures:
        """Rings of an appendage, posed.

        Parameters
        ----------
        positions : (V, 3) array
            Posed, scene units.
        ribbon : Ribbon
            The appendage's, posed.
        """
        gauge = self.limb_rings[appendage]
        return gauge.measure(positions, gauge.frames(ribbon))


def _rides_alike(one: Appendage, rig: Rig, other: Rig) -> bool:
    """Whether an appendage on the body is the same, on the same skin, in another layout."""
    return (
        one.rides_on == BODY
        and any(there is one for there in other.layout.appendages)
        and other.limbs[one.name] is rig.limbs[one.name]
    )
