"""Propose appendages: dead ends of the body's field, with their guides."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.field import (
    LEAN,
    body_field,
    body_triangles,
    edge_distance,
    edge_graph,
    even_rings,
)
from ribbonsim.body.limbs import LIMB_RINGS, Limb, Skin, limb_skins
from ribbonsim.body.place import body_places
from ribbonsim.body.skin_guide import centreline
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import up_direction
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.mesh.creature import CreatureMesh

# of a length below so many base widths a dead end is a bump and no appendage
_BUMP, _SURE = 0.4, 1.5
# a group of the file that holds so much of a limb gives it its name
_SAME_GROUP = 0.6
_POLE = 0.02
_STATIONS, _CONTROLS, _SPANS = 9, 5, 8
_RIBBON_OF_BASE = 0.5
# wider than thick by this factor, a limb is flat and its ribbon lies in its sheet
_FLATNESS = 2.0
# a body that rises more steeply than this (sine of the angle to up) has no left by itself; a limb
# whose tip is off the middle by less than this share of its way out of the body is on neither side
_STEEP, _ASIDE = 0.2, 0.3


@dataclass(frozen=True, eq=False)
class Proposal:
    """An appendage that was found and not yet accepted.

    Parameters
    ----------
    name : str
        That of the group in the mesh's file; else ``fin`` if it is flat and ``limb`` if not, with
        a number if there are several, from the root on, and ``_l`` or ``_r`` for the side seen
        by one who looks from root to tip.
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
    flat : bool
        Whether it is much wider than thick.
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
    flat: bool = False

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
        stations, controls, spans : int
            Of its ribbon.
        blend : float, optional
            Scene units; the width of the base, or a third of the length if that is less.
        """
        ribbon = Ribbon.along(self.guide, _RIBBON_OF_BASE * self.girth, spans, up=self.up)
        label = self.name if name is None else name
        wide = min(self.girth, self.length / 3.0) if blend is None else blend
        own = OneRibbon.spread(ribbon, stations, controls)
        return Appendage(label, own, self.at, rides_on=self.rides_on, blend=wide)


def find_appendages(
    mesh: CreatureMesh,
    guide: ArrayLike | Ribbon,
    least: float = 0.25,
    up: str = "y",
    places: Array | None = None,
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
    up : {"x", "y", "z", "-x", "-y", "-z"}
        Which way is up.
    places : (V,) array, optional
        Arc length along the ribbon of each vertex, where it is known.

    Returns
    -------
    list of Proposal
        The most confident first.

    Raises
    ------
    RibbonsimError
        If the body cannot be measured along the guide.
    """
    way = up_direction(up)
    ribbon = guide if isinstance(guide, Ribbon) else Ribbon.along(guide, mesh.diagonal / 50.0)
    places = body_places(mesh, ribbon) if places is None else places
    found = _standing_out(mesh, body_triangles(mesh), places, ribbon, least, way)
    return _named(mesh, found, [_side(mesh, one, ribbon, way) for one in found])


def find_on_appendage(
    mesh: CreatureMesh, carrier: Appendage, limb: Limb, least: float = 0.25, up: str = "y"
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
    up : {"x", "y", "z", "-x", "-y", "-z"}
        Which way is up.

    Returns
    -------
    list of Proposal
        The most confident first; they ride on the carrier.
    """
    places = np.zeros(len(mesh.positions))
    places[limb.vertices] = limb.places
    ribbon = carrier.layout.ribbon
    found = _standing_out(mesh, limb.triangles, places, ribbon, least, up_direction(up))
    named = _named(mesh, found, [""] * len(found))
    return [replace(proposal, rides_on=carrier.name) for proposal in named]


def _standing_out(
    mesh: CreatureMesh,
    triangles: Ints,
    places: Array,
    ribbon: Ribbon,
    least: float,
    upwards: Array,
) -> list[Proposal]:
    """What stands out of a skin with places along its ribbon, not yet named."""
    found = []
    for skin in limb_skins(mesh.positions, triangles, places, ribbon):
        proposal = _proposed(mesh, skin, places, ribbon.length, upwards)
        if proposal is not None and proposal.confidence >= least:
            found.append(proposal)
    return _in_order(mesh, found)


def _in_order(mesh: CreatureMesh, found: Sequence[Proposal]) -> list[Proposal]:
    """The most confident first, then from the root on, then by where they lie.

    Left and right are alike but for rounding, and so a step and no difference parts them.
    """
    sure = _steps(np.array([-one.confidence for one in found]), 1e-3)
    along = _steps(np.array([one.at for one in found]), 1e-4)
    across = [-float(mesh.positions[one.tip] @ LEAN) for one in found]
    order = sorted(range(len(found)), key=lambda i: (sure[i], along[i], across[i]))
    return [found[i] for i in order]


def _steps(values: Array, step: float) -> Ints:
    """Rank of each value, the same for those that no gap of a step parts."""
    order = np.argsort(values)
    ranks = np.empty(len(values), dtype=np.int64)
    ranks[order] = np.cumsum(np.diff(values[order], prepend=values[order[:1]]) > step)
    return ranks


def propose_appendage(
    mesh: CreatureMesh, guide: ArrayLike | Ribbon, tip: int, up: str = "y"
) -> Proposal:
    """Propose the appendage that a vertex is on, however short.

    Parameters
    ----------
    mesh : CreatureMesh
    guide : (n, 3) array or Ribbon
        Along the body.
    tip : int
        Vertex counted from 0.
    up : {"x", "y", "z", "-x", "-y", "-z"}
        Which way is up.

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
    for proposal in find_appendages(mesh, guide, 0.0, up):
        if tip in proposal.vertices:
            return proposal
    raise RibbonsimError(
        f"vertex {tip} (counted from 0) of {mesh.name} is not on an appendage: "
        "choose one that stands out of the body"
    )


def _proposed(
    mesh: CreatureMesh, limb: Skin, places: Array, length: float, upwards: Array
) -> Proposal | None:
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
    thin = _thin_side(positions[limb.vertices], guide, upwards)
    up, flat = upwards if thin is None else thin, thin is not None
    return Proposal("", tip, guide, at, long, width, confidence, limb.vertices, up, flat=flat)


def _thin_side(points: Array, guide: Array, upwards: Array) -> Array | None:
    """Direction square to a flat limb's sheet; None if the limb is about round."""
    nearest = cKDTree(guide).query(points)[1]
    off = points - guide[nearest]
    spread, axes = np.linalg.eigh(off.T @ off)
    if spread[2] < _FLATNESS**2 * spread[1]:
        return None
    # the guide runs in the sheet too, so the thin side is square to it and to the widest
    thin = np.cross(guide[-1] - guide[0], axes[:, 2])
    length = float(np.linalg.norm(thin))
    if length == 0.0:
        return None
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


def _side(mesh: CreatureMesh, proposal: Proposal, ribbon: Ribbon, upwards: Array) -> str:
    """On which side of a body a limb is, looking from root to tip; empty if on neither."""
    place = ribbon.place_at(proposal.at * ribbon.length)
    ahead = ribbon.midline(place, 1).ravel()
    left = np.cross(upwards, ahead)
    if np.linalg.norm(left) < _STEEP * np.linalg.norm(ahead):
        return ""  # where the body stands upright, up does not say what is left
    left /= np.linalg.norm(left)
    away = mesh.positions[proposal.tip] - ribbon.midline(place).ravel()
    away -= (away @ ahead) / (ahead @ ahead) * ahead
    share = float(away @ left) / max(float(np.linalg.norm(away)), 1e-300)
    return "" if abs(share) < _ASIDE else "_l" if share > 0.0 else "_r"


def _named(mesh: CreatureMesh, found: Sequence[Proposal], sides: Sequence[str]) -> list[Proposal]:
    """Name limbs by their groups, or by shape, side, and number from the root on."""
    taken = {BODY}
    names: dict[int, str] = {}
    for i, proposal in enumerate(found):
        group = _group_of(mesh, proposal.vertices)
        if group is not None and group not in taken:
            names[i] = group
            taken.add(group)
    alike: dict[tuple[str, str], list[int]] = {}
    for i in sorted(range(len(found)), key=lambda i: (round(found[i].at, 4), i)):
        if i not in names:
            alike.setdefault(("fin" if found[i].flat else "limb", sides[i]), []).append(i)
    for kind in ("fin", "limb"):
        most = max((len(rows) for (word, _), rows in alike.items() if word == kind), default=0)
        for side in ("_l", "_r", ""):
            for number, i in enumerate(alike.get((kind, side), ()), start=1):
                names[i] = _free_name(f"{kind}{number if most > 1 else ''}{side}", taken)
                taken.add(names[i])
    return [replace(proposal, name=names[i]) for i, proposal in enumerate(found)]


def _free_name(name: str, taken: Collection[str]) -> str:
    """The name, or the first that is free with a number after it."""
    numbered = (f"{name}_{number}" for number in count(2))
    return name if name not in taken else next(one for one in numbered if one not in taken)


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
