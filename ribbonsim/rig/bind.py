"""Bind: all weights of a mesh under a layout, found once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.body.limbs import Limb
from ribbonsim.body.place import body_places
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.joined import join_weights, limbs_of_appendages
from ribbonsim.rig.kernels import start_compiling
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.skin import WORTH_COMPILING
from ribbonsim.rig.weights import mesh_weights, surface_weights

_SAMPLES, _SAME_LINE = 201, 1e-7


def bind(mesh: CreatureMesh, layout: Layout) -> Rig:
    """Bind a mesh to a layout: find all weights once.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout

    Returns
    -------
    Rig

    Raises
    ------
    RibbonsimError
        If the mesh's body cannot be measured along the ribbon, an appendage is not on a limb
        of the mesh, or a tied part is not there.
    """
    if len(mesh.positions) >= WORTH_COMPILING:
        start_compiling()
    places = body_places(mesh, layout.ribbon)
    return _bound(mesh, layout, places, mesh_weights(mesh, layout.body, places), {})


@dataclass(frozen=True, eq=False)
class Found:
    """What binding a layout found on the skin.

    Parameters
    ----------
    places : (V,) array
        Of each vertex along the body, scene units.
    limbs : mapping of str to Limb
        By appendage.
    """

    places: Array
    limbs: Mapping[str, Limb]


def rebind(rig: Rig, layout: Layout, found: Found | None = None) -> Rig:
    """Bind a rig's mesh to another layout, keeping what the change does not touch.

    Parameters
    ----------
    rig : Rig
    layout : Layout
    found : Found, optional
        Of this layout, on this mesh, from before: it is then the same to the last bit.

    Returns
    -------
    Rig
        The same as ``bind(rig.mesh, layout)``; to rounding, where a new ribbon runs along the
        old one's midline.
    """
    old, new = rig.layout.body, layout.body
    places = _kept_places(rig, layout) if found is None else found.places
    if places is None:
        return bind(rig.mesh, layout)
    limbs = _unchanged_limbs(rig, layout) if found is None else dict(found.limbs)
    same_rows = (
        places is rig.places
        and _same_ribbon(old, new)
        and np.array_equal(old.stations, new.stations)
        and old.mesh_weights == new.mesh_weights
    )
    body = rig.body_weights if same_rows else mesh_weights(rig.mesh, new, places)
    fresh = _bound(rig.mesh, layout, places, body, limbs)
    fresh.keep_chains(rig)
    if np.array_equal(fresh.mesh_weights, rig.mesh_weights):
        # fills the cached property: same weights, same mesh
        fresh.__dict__["skinner"] = rig.skinner
    return fresh


def _bound(
    mesh: CreatureMesh, layout: Layout, places: Array, body: Array, known: Mapping[str, Limb]
) -> Rig:
    limbs = limbs_of_appendages(mesh, layout, places, known)
    joined = join_weights(mesh, layout, body, limbs)
    return Rig(mesh, layout, places, surface_weights(layout.body), joined, limbs, body)


def _same_ribbon(one: OneRibbon, other: OneRibbon) -> bool:
    return np.array_equal(one.ribbon.knots, other.ribbon.knots) and np.array_equal(
        one.ribbon.control_points, other.ribbon.control_points
    )


def _kept_places(rig: Rig, layout: Layout) -> Array | None:
    """Places along the body under a new layout whose ribbon runs where the old one did.

    Places depend on the midline alone: not on the ribbon's width, roll or knots.
    """
    old, new = rig.layout.ribbon, layout.ribbon
    if _same_ribbon(rig.layout.body, layout.body):
        return rig.places
    shares = np.linspace(0.0, 1.0, _SAMPLES)
    before = old.midline(old.place_at(shares * old.length))
    after = new.midline(new.place_at(shares * new.length))
    return rig.places if np.abs(before - after).max() < _SAME_LINE * old.length else None


def _unchanged_limbs(rig: Rig, layout: Layout) -> dict[str, Limb]:
    """Limbs that a new layout, with the same midline of the body, need not find again."""
    before = {one.name: one for one in rig.layout.appendages}
    kept: dict[str, Limb] = {}
    for one in layout.appendages:
        old = before.get(one.name)
        if old is None or old.rides_on != one.rides_on:
            continue
        if _same_ribbon(old.layout, one.layout) and one.rides_on in (BODY, *kept):
            kept[one.name] = rig.limbs[one.name]
    return kept
