"""What a preview made: its files, its pictures, and what each pose measures."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ribbonsim.rig.rig import Rig

PAGE, LAYOUT, STATIONS = "index.html", "layout.toml", "stations.csv"


@dataclass(frozen=True)
class PoseResult:
    """A test pose and what it measures.

    Parameters
    ----------
    amount : float
        In the test pose's unit.
    shape_error : float or None
        Root mean square distance from the target's midline over the body length; None for poses
        of appendages.
    volume_change : float or None
        Posed volume over rest volume, less one; None if there is none at rest.
    stretch, girth : float
        Of the ribbon joints, the factor that is farthest from 1.
    stretch_station, girth_station : int
        Where these are, from 1.
    """

    name: str
    amount: float
    shape_error: float | None
    volume_change: float | None
    stretch: float
    stretch_station: int
    girth: float
    girth_station: int


@dataclass(frozen=True, eq=False)
class PreviewResult:
    """What a preview made.

    Parameters
    ----------
    pictures : dict of str to Path
        By name: ``ribbon``, ``rest``, ``pose_<name>``, ``weights_<control>``.
    seconds : dict of str to float
        How long each stage took.
    """

    folder: Path
    pictures: dict[str, Path]
    rig: Rig
    poses: tuple[PoseResult, ...]
    seconds: dict[str, float]

    @property
    def index(self) -> Path:
        """The page."""
        return self.folder / PAGE

    @property
    def layout_file(self) -> Path:
        """The layout."""
        return self.folder / LAYOUT

    @property
    def stations_file(self) -> Path:
        """The table of stations and controls."""
        return self.folder / STATIONS
