"""What a live view in the browser is sent: the creature once, then poses, then colours."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.inpage.creature_bytes import pack_binding, pack_creature
from ribbonsim.inpage.pose_bytes import pose_numbers
from ribbonsim.layout.layout import Layout
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.state.guide_draft import DrawnGuide
from ribbonsim.panel.state.ribbon_words import bent_piece
from ribbonsim.panel.work.subject import Orbit, Subject
from ribbonsim.rig.rig import Rig
from ribbonsim.view.look import Mixture, Scale
from ribbonsim.view.stripes import twist_stripes

_THINNED = 5  # of a guide's curve every so many points are sent
Send = Callable[[dict[str, Any], list[bytes]], None]


@dataclass(frozen=True, eq=False)
class Shown:
    """One layout as it is to be shown, and its name."""

    subject: Subject
    name: str


class LiveSender:
    """Sends a live view what has changed since it was sent last, on the drawing thread.

    Parameters
    ----------
    send : callable
        Takes a message and its buffers, on any thread.
    poses : bool
        Whether a drag of a control's dot poses it.
    """

    def __init__(self, send: Send, poses: bool) -> None:
        self._send, self._poses = send, poses
        self.amount: float | None = None  # of the test pose that is shown, if one is
        self.moment: float | None = None  # share of the loop that is shown, if one is
        self.arrangement = "side"
        self.picks = False  # whether the next click is to find a vertex
        self.forget()

    def forget(self) -> None:
        """Send everything again the next time: another browser looks."""
        self._mesh: CreatureMesh | None = None
        self._rigs: list[Rig] = []
        self._orbit: Orbit | None = None
        self._coloured: set[int] = set()

    def look_from(self, orbit: Orbit) -> None:
        """Know that the browser stands there already."""
        self._orbit = orbit

    def pose(self, shown: Sequence[Shown], front: int) -> None:
        """Send layouts in their poses."""
        self._send_rigs(shown)
        subject = shown[front].subject
        camera = None
        if self._orbit is not subject.orbit:
            self._orbit = subject.orbit
            camera = camera_facts(subject.orbit)
        told = {
            "kind": "pose",
            "names": [each.name for each in shown],
            "method": [each.subject.method for each in shown],
            "camera": camera,
            "amount": self.amount,
            "moment": self.moment,
            "arrange": self._arrangement(subject),
            "shown": {
                **_shown_facts(subject),
                "front": front if len(shown) > 1 else None,
                "left": _on_the_left(subject),
                "picks": self.picks,
            },
        }
        numbers = [pose_numbers(each.subject.rig, each.subject.pose).tobytes() for each in shown]
        self._send(told, numbers)

    def colour(self, number: int, heat: tuple[Array, Scale] | None, of_pose: bool) -> None:
        """Send the colours of a layout's skin, and whether they hold in its pose alone.

        None is for clay.
        """
        if heat is None:
            if number in self._coloured:
                self._coloured.discard(number)
                self._send({"kind": "heat", "number": number, "scale": None}, [])
            return
        self._coloured.add(number)
        values, scale = heat
        mixed = isinstance(scale, Mixture)
        shares = scale.colours(values) if mixed else np.round(255.0 * scale.share(values))
        facts = {
            "title": scale.title,
            "low": scale.low,
            "high": scale.high,
            "unit": scale.unit,
            "marks": list(scale.marks),
            "diverging": scale.diverging,
            "ofPose": of_pose,
            "mixed": mixed,
        }
        told = {"kind": "heat", "number": number, "scale": facts}
        self._send(told, [shares.astype(np.uint8).tobytes()])

    def _arrangement(self, subject: Subject) -> str:
        return self.arrangement if subject.beside is None else "split"

    def _send_rigs(self, shown: Sequence[Shown]) -> None:
        rigs = [each.subject.rig for each in shown]
        if self._mesh is not rigs[0].mesh:
            self.forget()
            self._mesh, self._rigs = rigs[0].mesh, rigs
            told = {"kind": "creature", "poses": self._poses, "options": {}}
            layouts = [pack_binding(each.subject.rig, each.name) for each in shown]
            self._send(told, [pack_creature(rigs[0].mesh, rigs[0].layout.up), *layouts])
            return
        for number, each in enumerate(shown):
            if number < len(self._rigs) and self._rigs[number] is each.subject.rig:
                continue
            arrange = self._arrangement(shown[0].subject)
            told = {"kind": "layout", "number": number, "arrange": arrange}
            self._send(told, [pack_binding(each.subject.rig, each.name)])
            self._coloured.discard(number)
        if len(rigs) < len(self._rigs):
            self._send({"kind": "count", "count": len(rigs)}, [])
        self._rigs = rigs


def camera_facts(orbit: Orbit) -> dict[str, Any]:
    """A camera as the browser's module takes it."""
    return {
        "azimuth": float(orbit.view.azimuth),
        "elevation": float(orbit.view.elevation),
        "focus": np.asarray(orbit.focus, dtype=float).tolist(),
        "distance": float(orbit.distance),
    }


def _shown_facts(subject: Subject) -> dict[str, Any]:
    show, layout = subject.show, subject.rig.layout
    named, control = layout.control(subject.selected)
    piece = bent_piece(layout.ribbons[named], control.name)
    return {
        "ribbon": show.ribbon,
        "stations": show.stations,
        "controls": show.controls,
        "edges": show.edges,
        "rest": show.rest,
        "glass": show.glass and show.heat == "clay" and subject.spot is None,
        "stripes": twist_stripes(subject.rig, subject.pose) is not None,
        "chosen": subject.selected,
        "few": True,
        "named": named,
        "piece": None if piece is None else _seats(layout, named, piece),
        "place": None if show.place is None else _seats(layout, named, [show.place])[0],
        "guide": None if subject.guide is None else _guide_facts(subject.rig.mesh, subject.guide),
    }


def _on_the_left(subject: Subject) -> int:
    """Number of the layout on the left of the line between two: what was before."""
    return 0 if subject.beside is None else int(subject.beside[0].is_before)


def _seats(layout: Layout, ribbon: str, places: Sequence[float]) -> list[float]:
    """Places along a ribbon as the browser counts: in stations, over all ribbons."""
    first = 0
    for name, one in layout.ribbons.items():
        if name == ribbon:
            break
        first += len(one.stations)
    stations = layout.ribbons[ribbon].stations
    numbers = np.interp(places, stations, np.arange(len(stations)))
    return [round(first + float(number), 4) for number in numbers]


def _guide_facts(mesh: CreatureMesh, guide: DrawnGuide) -> dict[str, Any]:
    """A guide that is drawn, in stage units, its curve thinned out to fit a small message."""
    curve = np.empty((0, 3)) if guide.curve is None else guide.curve[::_THINNED]
    points = np.reshape(guide.points, (-1, 3))
    return {
        "points": np.round((points - mesh.centre) / mesh.diagonal, 6).tolist(),
        "chosen": guide.chosen,
        "curve": np.round((curve - mesh.centre) / mesh.diagonal, 4).tolist(),
    }
