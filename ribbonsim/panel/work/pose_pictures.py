"""Small pictures of poses, each judged by the limits of the check, while nothing else is done.

Poses are measured by the worker of the checks and drawn by that of all pictures, one at a time:
checks that are asked for and live pictures go first. No widgets here.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from PIL import Image

from ribbonsim.bendcheck.cases import Case, Wish, measure_case, with_amounts
from ribbonsim.bendcheck.findings import Finding
from ribbonsim.bendcheck.look import findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.work.job import Fail
from ribbonsim.panel.work.trouble import trouble_of
from ribbonsim.panel.work.worker import CHECKS, PICTURES
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.view.camera import named_view
from ribbonsim.view.scene import Stage

SIZE = (150, 96)  # twice what it is shown at
_FINE, _FILL, _QUALITY = 2, 0.9, 88
_REST = 0.7  # seconds without a change and without a live picture before a pose is measured
_BETWEEN = 0.02
# on denser skins contacts take seconds a pose
_MOST_FOR_CONTACTS = 120_000
_FAILED = "the small pictures of the poses could not be made"


@dataclass(frozen=True, eq=False)
class PosePicture:
    """A pose in small.

    Parameters
    ----------
    tag : object
        What was given with the order.
    wish : Wish
        With its amount.
    jpeg : bytes
        Empty if the layout cannot take the pose.
    findings : tuple of Finding
        The limits that it breaks, the worst first.
    contacts : bool
        Whether contacts were looked for.
    trouble : str
        Why the layout cannot take the pose.
    """

    tag: object
    wish: Wish
    jpeg: bytes
    findings: tuple[Finding, ...] = ()
    contacts: bool = True
    trouble: str = ""


@dataclass(eq=False)
class _Order:
    """What is still to be made."""

    rig: Rig
    method: Method
    left: list[Wish]
    tag: object


class PosePictures:
    """Makes small pictures of poses, the latest order alone.

    Parameters
    ----------
    deliver : callable
        Takes each :class:`PosePicture`, on the drawing thread.
    fail : callable
        Takes what went wrong, on a working thread.
    last_asked : callable
        When the live picture was asked for last, by the monotonic clock.
    """

    def __init__(
        self,
        deliver: Callable[[PosePicture], None],
        fail: Fail,
        last_asked: Callable[[], float],
    ) -> None:
        self._deliver, self._fail, self._last_asked = deliver, fail, last_asked
        self._order: _Order | None = None
        self._gauge: Gauge | None = None
        self._stage: Stage | None = None
        self._changed_at = 0.0

    def ask(self, rig: Rig, method: Method, wishes: Sequence[Wish], tag: object) -> None:
        """Ask for pictures, once nothing has changed for a while; what was asked is dropped."""
        self._changed_at = time.monotonic()
        self._order = _Order(rig, method, list(wishes), tag)
        CHECKS.ask_later(self, self._measure, _REST)

    def stop(self) -> None:
        """Give up what is left to do."""
        self._order = self._gauge = None
        PICTURES.ask_long(self, self._drop)

    def _measure(self) -> None:
        """Measure one pose, if the picture has come to rest, and have it drawn."""
        order = self._order
        if order is None or not order.left:
            return
        since = time.monotonic() - max(self._changed_at, self._last_asked())
        if since < _REST:
            CHECKS.ask_later(self, self._measure, _REST - since)
            return
        wish = order.left.pop(0)
        try:
            made = self._case(order, wish)
        except Exception as error:  # nothing above this but the thread of all panels
            order.left.clear()
            self._fail(trouble_of(error, _FAILED))
            return
        PICTURES.ask_long((self, wish.name), lambda: self._draw(order, made))
        if order.left:
            CHECKS.ask_later(self, self._measure, _BETWEEN)
        else:
            self._gauge = None
            PICTURES.ask_long(self, self._drop)

    def _case(self, order: _Order, wish: Wish) -> Case | PosePicture:
        """The pose measured, or why it cannot be."""
        if self._gauge is None or self._gauge.rig is not order.rig:
            self._gauge = Gauge(order.rig)
        contacts = len(order.rig.mesh.positions) <= _MOST_FOR_CONTACTS
        try:
            (wish,) = with_amounts([wish], self._gauge)
            return measure_case(order.rig, self._gauge, wish, order.method, contacts)
        except RibbonsimError as error:
            return PosePicture(order.tag, wish, b"", trouble=str(error))

    def _draw(self, order: _Order, made: Case | PosePicture) -> None:
        if order is not self._order:
            return
        if isinstance(made, PosePicture):
            self._deliver(made)
            return
        try:
            findings = tuple(findings_of(made, order.rig.layout.limits))
            jpeg = self._picture(made)
        except Exception as error:  # nothing above this but the thread of all panels
            self._fail(trouble_of(error, _FAILED))
            return
        looked = made.contacts is not None
        self._deliver(PosePicture(order.tag, made.wish, jpeg, findings, looked))

    def _picture(self, case: Case) -> bytes:
        mesh = case.rig.mesh
        if self._stage is None or self._stage.mesh is not mesh:
            self._drop()
            size = SIZE[0] * _FINE, SIZE[1] * _FINE
            self._stage = Stage(mesh, size, smooth_edges=False)
        stage = self._stage
        stage.hurry(False)
        stage.show_clay()
        stage.update(case.positions)
        view = replace(named_view("three_quarter"), up=case.rig.layout.up)
        stage.set_view(view, fill=_FILL)
        stream = io.BytesIO()
        Image.fromarray(stage.image(labels=False)).reduce(_FINE).save(
            stream, "JPEG", quality=_QUALITY
        )
        return stream.getvalue()

    def _drop(self) -> None:
        if self._stage is not None:
            self._stage.close()
            self._stage = None
