"""What the colours of the skin show: weights of the rig, or what a pose does to it."""

from __future__ import annotations

from functools import lru_cache

from ribbonsim.arrays import Array
from ribbonsim.bendcheck.measures import Measures
from ribbonsim.layout.appendages import BODY
from ribbonsim.panel.state.names import short
from ribbonsim.panel.work.subject import Subject
from ribbonsim.rig.rig import Rig
from ribbonsim.view.look import Mixture, Scale


def weights_shown(rig: Rig, subject: Subject) -> tuple[Array, Scale]:
    """Weights of controls or of a station at each vertex, and the scale that shows them."""
    selected = subject.selected
    if subject.show.heat == "all weights":
        return rig.control_influence, Mixture("")
    if subject.show.heat == "control weights":
        values = rig.control_influence[:, rig.layout.index_of_control(selected)]
        return values, _scale(f"weight of {short(selected)}", 0.0, 1.0, False)
    ribbon, _ = rig.layout.control(selected)
    joints = rig.joints_of[ribbon]
    number = min(subject.show.station, joints.stop - joints.start)
    where = "" if ribbon == BODY else f" of {short(ribbon, 16)}"
    title = f"weight of station {number}{where}"
    return rig.mesh_weights[:, joints.start + number - 1], _scale(title, 0.0, 1.0, False)


def measures_shown(rig: Rig, subject: Subject, measures: Measures) -> tuple[Array, Scale]:
    """Value at each vertex, and the scale that shows it."""
    gauge = subject.model.gauge_of(rig)
    if subject.show.heat == "stretch":
        values = gauge.over_vertices(measures.stretch[:, 0])
        return values, _scale("largest stretch", 0.5, 1.5, True)
    if subject.show.heat == "girth":
        return gauge.along_body(measures.girth), _scale("girth over rest", 0.6, 1.4, True)
    return gauge.along_body(measures.volumes), _scale("volume over rest", 0.6, 1.4, True)


@lru_cache(maxsize=64)
def _scale(title: str, low: float, high: float, diverging: bool) -> Scale:
    """One scale for one title, so that its bar is drawn once."""
    return Scale(title, low, high, diverging)
