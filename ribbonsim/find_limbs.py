"""Propose appendages: dead ends of the body's field, with their guides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from ribbonsim.appendages import BODY, Appendage
from ribbonsim.errors import RibbonsimError
from ribbonsim.field import edge_distance, edge_graph
from ribbonsim.guide import body_field, body_triangles, centreline, even_rings
from ribbonsim.layout import Layout
from ribbonsim.limb_skins import Skin, limb_skins
from ribbonsim.limbs import LIMB_RINGS, Limb
from ribbonsim.mesh import CreatureMesh
from ribbonsim.place import body_places
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# of a length below so many base widths a dead end is a bump and no appendage
_BUMP, _SURE = 0.4, 1.5
# a group of the file that holds so much of a limb gives it its name
_SAME_GROUP = 0.6
_POLE = 0.02
_STATIONS, _CONTROLS, _SPANS = 9, 5, 8
_RIBBON_OF_BASE = 0.5
# wider than thick by this factor, a limb is flat and its ribbon lies in its sheet
_FLATNESS = 2.0


@dataclass(frozen=True, eq=False)
class Proposal:
    """An appendage that was found and not yet accepted.

    Parameters
    ----------
    name : str
        That of the group in the mesh's file, or ``appendage`` with a number.
    tip : int
        Vertex farthest from the base, counted from 0.
    guide : (n, 3) array
        From the base to the tip, scene units.
    at : float
        Where its base is along what carries it, as a share of that ribbon's length.
    length : float
        Of the guide, scene units.
    girth : float
        Width of the base, scene units: twice its root mean square distance from its middle.
    confidence : float
        0 to 1: how far it stands out for its width.
    vertices : (m,) int array
        Its skin.
    up : (3,) array
        The side that its ribbon faces: square to a flat limb, upwards on a round one.
    rides_on : str
        The ribbon that carries it: the body, or an appendage.
    """

    name: str
    tip: int
    guide: Array
    at: float
    length: float
    girth: float
    confidence: float
    vertices: Ints
    up: Array
    rides_on: str = BODY

    def appendage(
        self,
        name: str | None = None,
        stations: int = _STATIONS,
        controls: int = _CONTROLS,
        spans: int = _SPANS,
        blend: float | None = None,
    ) -> Appendage:
        """Accept the proposal.

        Parameters
        ----------
        name : str, optional
        stations, controls, spans : int
            Of its ribbon.
        blend : float, optional
            Scene units; the width of the base, or a third of the length if that is less.

        Returns
        -------
        Appendage
        """
        ribbon = Ribbon.along(self.guide, _RIBBON_OF_BASE * self.girth, spans, up=self.up)
        label = self.name if name is None else name
        wide = min(self.girth, self.length / 3.0) if blend is None else blend
        own = Layout.from_ribbon(ribbon, stations, controls, name=label)
        return Appendage(label, own, self.at, rides_on=self.rides_on, blend=wide)


def find_appendages(
    mesh: CreatureMesh, guide: ArrayLike | Ribbon, least: float = 0.25
) -> list[Proposal]:
    """Find what grows from a body: barbels, fins, arms.

    The harmonic field between the ends of a body is flat on dead ends; each flat piece of
    skin that stands out of the body is a proposal, its base the line where the field begins
    to stand still, its tip the vertex farthest from there, its guide the centres of the rings
    between.

    Parameters
    ----------
    mesh : CreatureMesh
    guide : (n, 3) array or Ribbon
        Along the body.
    least : float
        Proposals of less confidence are left out, 0 to 1.

    Returns
    -------
    list of Proposal
        The most confident first.

    Raises
    ------
    RibbonsimError
        If the body cannot be measured along the guide.
    """
    ribbon = guide if isinstance(guide, Ribbon) else Ribbon.along(guide, mesh.diagonal / 50.0)
    places = body_places(mesh, ribbon)
    return _standing_out(mesh, body_triangles(mesh), places, ribbon.length, least)


def find_on_appendage(
    mesh: CreatureMesh, carrier: Appendage, limb: Limb, least: float = 0.25
) -> list[Proposal]:
    """Find what grows from an appendage, as `find_appendages` does on a body.

    Parameters
    ----------
    mesh : CreatureMesh
    carrier : Appendage
    limb : Limb
        Its skin, as in ``rig.limbs``.
    least : float
        Proposals of less confidence are left out, 0 to 1.

    Returns
    -------
    list of Proposal
        The most confident first; they ride on the carrier.
    """
    places = np.zeros(len(mesh.positions))
    places[limb.vertices] = limb.places
    length = carrier.layout.ribbon.length
    found = _standing_out(mesh, limb.triangles, places, length, least)
    return [replace(proposal, rides_on=carrier.name) for proposal in found]


def _standing_out(
    mesh: CreatureMesh, triangles: Ints, places: Array, length: float, least: float
) -> list[Proposal]:
    """What stands out of a skin with places along its ribbon."""
    found = []
    for skin in limb_skins(mesh.positions, triangles, places, length):
        proposal = _proposed(mesh, skin, places, length)
        if proposal is not None and proposal.confidence >= least:
            found.append(proposal)
    found.sort(key=lambda one: (-round(one.confidence, 3), one.at, one.tip))
    return _named(mesh, found)


def propose_appendage(mesh: CreatureMesh, guide: ArrayLike | Ribbon, tip: int) -> Proposal:
    """Propose the appendage that a vertex is on, however short.

    Parameters
    ----------
    mesh : CreatureMesh
    guide : (n, 3) array or Ribbon
        Along the body.
    tip : int
        Vertex counted from 0.

    Returns
    -------
    Proposal

    Raises
    ------
    RibbonsimError
        If the vertex is not there or stands on the body itself.
    """
    if not 0 <= tip < len(mesh.positions):
        raise RibbonsimError(
            f"vertex {tip} (counted from 0) is not in {mesh.name}: "
            f"give 0 to {len(mesh.positions) - 1}"
        )
    for proposal in find_appendages(mesh, guide, least=0.0):
        if tip in proposal.vertices:
            return proposal
    raise RibbonsimError(
        f"vertex {tip} (counted from 0) of {mesh.name} is not on an appendage: "
        "choose one that stands out of the body"
    )


def _proposed(mesh: CreatureMesh, limb: Skin, places: Array, length: float) -> Proposal | None:
    """The proposal that a limb makes; None if it is a pocket or has no rings."""
    positions, base, skin = mesh.positions, limb.base, limb.triangles
    middle = positions[base].mean(axis=0)
    if _volume_over(positions, skin, middle) <= 0.0:
        return None
    ring = np.intersect1d(base, skin)
    own = edge_graph(positions, skin)
    away = edge_distance(own, ring)
    away[~np.isfinite(away)] = -1.0
    tip = int(np.argmax(away))
    near = edge_distance(own, np.array([tip])) <= _POLE * away[tip]
    field = body_field(positions, skin, ring, np.setdiff1d(np.flatnonzero(near), ring))
    try:
        rings = even_rings(positions, skin, field, LIMB_RINGS)
    except RibbonsimError:
        return None
    guide = centreline(positions, skin, rings, (middle, positions[tip]))
    guide = np.vstack([middle, guide[_beyond(guide, middle, rings.centres[0]) :]])
    long = float(np.linalg.norm(np.diff(guide, axis=0), axis=1).sum())
    width = 2.0 * float(np.sqrt(np.mean(np.sum((positions[base] - middle) ** 2, axis=1))))
    confidence = float(np.clip((long / width - _BUMP) / (_SURE - _BUMP), 0.0, 1.0))
    at = float(np.median(places[base]) / length)
    up = _thin_side(positions[limb.vertices], guide)
    return Proposal("", tip, guide, at, long, width, confidence, limb.vertices, up)


def _thin_side(points: Array, guide: Array) -> Array:
    """Direction square to a flat limb's sheet; upwards if the limb is about round."""
    nearest = cKDTree(guide).query(points)[1]
    off = points - guide[nearest]
    spread, axes = np.linalg.eigh(off.T @ off)
    upwards = np.array([0.0, 1.0, 0.0])
    if spread[2] < _FLATNESS**2 * spread[1]:
        return upwards
    # the guide runs in the sheet too, so the thin side is square to it and to the widest
    thin = np.cross(guide[-1] - guide[0], axes[:, 2])
    length = float(np.linalg.norm(thin))
    if length == 0.0:
        return upwards
    return thin / length * (1.0 if thin @ upwards >= 0.0 else -1.0)


def _beyond(guide: Array, middle: Array, first: Array) -> int:
    """Index of the first point of a guide that lies past the base's middle."""
    onwards = first - middle
    past = (guide - middle) @ onwards > 0.25 * float(onwards @ onwards)
    return int(np.argmax(past))


def _volume_over(positions: Array, skin: Ints, middle: Array) -> float:
    """Volume between a piece of skin and the middle of its rim; negative for a pocket."""
    a, b, c = (positions[skin[:, k]] - middle for k in range(3))
    return float(np.einsum("ti,ti->", a, np.cross(b, c)) / 6.0)


def _named(mesh: CreatureMesh, found: Sequence[Proposal]) -> list[Proposal]:
    taken = {BODY}
    named = []
    for number, proposal in enumerate(found, start=1):
        name = _group_of(mesh, proposal.vertices)
        if name is None or name in taken:
            name = f"appendage{number}"
        taken.add(name)
        named.append(replace(proposal, name=name))
    return named


def _group_of(mesh: CreatureMesh, vertices: Ints) -> str | None:
    """The group that holds nearly all of a limb and little else."""
    if len(mesh.group_names) < 2:
        return None
    on_limb = np.zeros(len(mesh.positions), dtype=bool)
    on_limb[vertices] = True
    groups = np.asarray(mesh.polygon_groups)[mesh.triangle_polygons]
    touched = on_limb[mesh.triangles].any(axis=1)
    for number in np.unique(groups[touched]):
        mine = groups == number
        both = np.count_nonzero(mine & touched)
        if min(both / touched.sum(), both / mine.sum()) >= _SAME_GROUP:
            return str(mesh.group_names[number])
    return None
