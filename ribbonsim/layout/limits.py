"""What counts as bending right."""

from __future__ import annotations

from dataclasses import dataclass

from ribbonsim.layout.fields import check_fields, within


@dataclass(frozen=True)
class Limits:
    """Limits beyond which the check reports a finding.

    The values are common practice, no published source; a layout file may set its own.

    Parameters
    ----------
    stretch : float
        Largest stretch of a triangle, beyond what the pose itself asks for.
    squeeze : float
        Smallest stretch of a triangle, below what the pose itself asks for.
    pinch : float
        Smallest girth at a station over the girth that the pose asks for there.
    bulge : float
        Largest girth at a station over the girth that the pose asks for there.
    off : float
        Distance of a ring's centre from where the ribbon carries it, across it, in radii.
    tear : float
        Distance between vertices that are one place of the skin at rest, over the body length.
    volume : float
        Change of the whole volume, as a share.
    kink : float
        Sharpest curvature of the midline over the sharpest that the target has.
    shape : float
        Root mean square distance of the midline from the target, over the body length.
    bleed : float
        Weight that a vertex holds from stations farther away than a fifth of the body.
    asymmetry : float
        Difference between weights of a vertex and of its mirror image.
    folds : int
        Triangles turned over.
    contacts : int
        Pairs of triangles that cut each other.
    """

    stretch: float = within(1.0, 100.0, 1.75)
    squeeze: float = within(0.0, 1.0, 0.45)
    pinch: float = within(0.0, 1.0, 0.85)
    bulge: float = within(1.0, 100.0, 1.2)
    off: float = within(0.0, 100.0, 0.35)
    tear: float = within(0.0, 1.0, 0.001)
    volume: float = within(0.0, 1.0, 0.05)
    kink: float = within(1.0, 1000.0, 1.6)
    shape: float = within(0.0, 1.0, 0.02)
    bleed: float = within(0.0, 1.0, 0.01)
    asymmetry: float = within(0.0, 1.0, 0.05)
    folds: int = within(0, 10**9, 0)
    contacts: int = within(0, 10**9, 0)

    def __post_init__(self) -> None:
        check_fields(self)
