"""What is marked in the panel's picture: controls, stations, a guide, a spot that is hidden."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array, Bytes
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.panel.state.guide_draft import DrawnGuide
from ribbonsim.panel.work.bent import piece_lines
from ribbonsim.panel.work.marks import Marks
from ribbonsim.panel.work.subject import Spot, Subject
from ribbonsim.view.closeups import shows_mark
from ribbonsim.view.scene import Stage


def make_marks(
    stage: Stage,
    subject: Subject,
    ribbons: Mapping[str, Ribbon],
    positions: NDArray[np.float32],
) -> Marks:
    """What is to be marked in a picture: stations and controls that are in it, and a place.

    While a guide is drawn it is marked alone.
    """
    if subject.guide is not None:
        return _guide_marks(stage, subject.guide)
    show, whole = subject.show, subject.rig.layout
    chosen, _ = whole.control(subject.selected)
    layout, ribbon = whole.ribbons[chosen], ribbons[chosen]
    places = _pixels(stage, ribbon, layout.stations)
    place = None
    if show.place is not None:
        (place,) = _pixels(stage, ribbon, np.array([show.place]))
    # a name without its dot in the picture would only stick to the border
    width, height = stage.size
    seats = [control.station - 1 for control in layout.controls]
    controls: list[tuple[str, tuple[float, float]]] = []
    others: list[tuple[str, tuple[float, float]]] = []
    if show.controls:
        own = [
            (name, places[k]) for name, k in zip(whole.control_names_of(chosen), seats, strict=True)
        ]
        controls = [(name, at) for name, at in own if _is_inside(at, width, height)]
        for name, other in whole.ribbons.items():
            if name != chosen:
                at = _pixels(stage, ribbons[name], other.control_places)
                others += zip(whole.control_names_of(name), at, strict=True)
    return Marks(
        controls=controls,
        named=[
            each for each in controls + others if each[0] in (subject.selected, subject.pointed)
        ],
        chosen=subject.selected,
        stations=list(enumerate(places, start=1)) if show.stations else (),
        place=place,
        others=[at for _, at in others],
        piece=piece_lines(stage, subject, ribbon, positions),
    )


def _is_inside(place: tuple[float, float], width: int, height: int) -> bool:
    return -20 < place[0] < width + 20 and -20 < place[1] < height + 20


def _guide_marks(stage: Stage, guide: DrawnGuide) -> Marks:
    """A guide that is being drawn."""
    places = [(float(x), float(y)) for x, y in stage.project(np.reshape(guide.points, (-1, 3)))]
    course: list[tuple[float, float]] = []
    if guide.curve is not None:
        course = [(float(x), float(y)) for x, y in stage.project(guide.curve)]
    return Marks(guide=places, held=guide.chosen, course=course)


def _pixels(stage: Stage, ribbon: Ribbon, t: Array) -> list[tuple[float, float]]:
    """Where places along a ribbon are in the picture."""
    return [(float(x), float(y)) for x, y in stage.project(ribbon.midline(t))]


def spotted(
    stage: Stage, spot: Spot, positions: NDArray[np.float32], picture: Bytes, marks: Marks
) -> Marks:
    """Marks with dots on the spot's vertices where the body hides nearly all of them."""
    chosen = spot.vertices
    if spot.mesh is not stage.mesh or not len(chosen):
        return marks
    places = stage.project(positions[chosen[:: max(1, -(-len(chosen) // 300))]])
    if shows_mark(picture, places):
        return marks
    few = places[:: max(1, -(-len(places) // 60))]
    return replace(marks, spots=[(float(x), float(y)) for x, y in few])
