"""What counts as bending right."""

from __future__ import annotations

from dataclasses import dataclass, fields

from ribbonsim.checks import check_number


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
    pinch, bulge : float
        Girth at a station over the girth that the pose asks for there.
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
    folds, contacts : int
        Triangles turned over, and pairs of triangles that cut each other.
    """

    stretch: float = 1.75
    squeeze: float = 0.45
    pinch: float = 0.85
    bulge: float = 1.2
    volume: float = 0.05
    kink: float = 1.6
    shape: float = 0.02
    bleed: float = 0.01
    asymmetry: float = 0.05
    folds: int = 0
    contacts: int = 0

    def __post_init__(self) -> None:
        ranges = {
            "stretch": (1.0, 100.0),
            "squeeze": (0.0, 1.0),
            "pinch": (0.0, 1.0),
            "bulge": (1.0, 100.0),
            "kink": (1.0, 1000.0),
        }
        for field in fields(self):
            whole = field.type == "int"
            low, high = ranges.get(field.name, (0.0, 1e9 if whole else 1.0))
            check_number(field.name, getattr(self, field.name), low, high, whole)
