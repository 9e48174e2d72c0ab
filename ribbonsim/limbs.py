"""Limbs: what of the skin belongs to an appendage, and how far out along it each vertex is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendages import Appendage
from ribbonsim.errors import RibbonsimError
from ribbonsim.field import edge_graph
from ribbonsim.guide import body_field, even_rings
from ribbonsim.limb_skins import Skin
from ribbonsim.place import beyond_end, end_plane, lengths_of_field
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LIMB_RINGS = 48
# a ribbon's tip farther than this from every limb, over its length, is on none
_OFF = 0.25


@dataclass(frozen=True, eq=False)
class Limb:
    """The skin of an appendage.

    Parameters
    ----------
    vertices : (m,) int array
        Rising.
    places : (m,) array
        Arc length along the appendage's ribbon, 0 at the base, scene units.
    base : (b,) int array
        Vertices of the ring where it leaves what carries it.
    triangles : (t, 3) int array
        All three corners in it.
    """

    vertices: Ints
    places: Array
    base: Ints
    triangles: Ints


def find_limb(positions: Array, skins: Sequence[Skin], appendage: Appendage) -> Limb:
    """Find the skin of an appendage and its places along the appendage's ribbon.

    The limb is the one that the ribbon's tip is on. A harmonic field from its base to its tip
    is turned into arc length as on the body.

    Parameters
    ----------
    positions : (V, 3) array
    skins : sequence of Skin
        Of all limbs of what carries it.
    appendage : Appendage

    Returns
    -------
    Limb

    Raises
    ------
    RibbonsimError
        If the ribbon's tip is not on a limb.
    """
    ribbon = appendage.layout.ribbon
    end = np.asarray(ribbon.midline(1.0))
    apart = [np.linalg.norm(positions[skin.vertices] - end, axis=1).min() for skin in skins]
    if not apart or min(apart) > _OFF * ribbon.length:
        raise RibbonsimError(
            f"the tip of {appendage.name!r} is not on a limb of {appendage.rides_on!r}: "
            "choose a tip that stands out from it"
        )
    skin = skins[int(np.argmin(apart))]
    field = limb_field(positions, skin.triangles, skin.base, ribbon)
    rings = even_rings(positions, skin.triangles, field, LIMB_RINGS)
    places = lengths_of_field(field[skin.vertices], rings, ribbon)
    return Limb(skin.vertices, places, skin.base, skin.triangles)


def limb_field(positions: Array, skin: Ints, base: Ints, ribbon: Ribbon) -> Array:
    """Harmonic field over a limb, 0 at its base and 1 past its ribbon's tip.

    Parameters
    ----------
    positions : (V, 3) array
    skin : (t, 3) int array
    base : (b,) int array
    ribbon : Ribbon

    Returns
    -------
    (V,) array
    """
    used = np.unique(skin)
    tip = beyond_end(positions, used, edge_graph(positions, skin), *end_plane(ribbon, 1.0))
    return body_field(positions, skin, np.intersect1d(base, used), tip)


def base_share(limb: Limb, blend: float, size: int) -> Array:
    """How much of each vertex an appendage has taken over.

    Rises smoothly from 0 at the base to 1 at ``blend`` out along the limb.

    Parameters
    ----------
    limb : Limb
    blend : float
        Scene units.
    size : int
        Number of vertices of the mesh.

    Returns
    -------
    (size,) array
        0 off the limb.
    """
    share = np.zeros(size)
    x = np.clip(limb.places / max(blend, 1e-300), 0.0, 1.0)
    share[limb.vertices] = x * x * (3.0 - 2.0 * x)
    return share
