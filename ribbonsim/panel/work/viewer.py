"""The panel's picture: what is shown, from where, and how fine."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import Pose
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.state.beside import asked_of_both
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.work.bare import draw_bare
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.panel.work.live import LiveSender, Shown
from ribbonsim.panel.work.marks import Marker
from ribbonsim.panel.work.painting import Painted, Painter, encode, heat_of, measured
from ribbonsim.panel.work.seen_marks import make_marks, spotted
from ribbonsim.panel.work.subject import MEASURED, Frame, Orbit, Subject
from ribbonsim.panel.work.trouble import Trouble, trouble_of
from ribbonsim.panel.work.two_sides import TwoSides
from ribbonsim.panel.work.vantage import Vantage
from ribbonsim.panel.work.worker import PICTURES

_REST_BEFORE_FINE = 0.18
# the picture that stays in a saved notebook: while a browser draws, nobody waits for it
_REST_BEFORE_STILL = 1.5
_OLD_NUMBERS = 0.25
_PICTURE_OUT = 0.012


class Viewer(Vantage):
    """Draws a panel's model.

    Parameters
    ----------
    deliver : callable
        Takes each finished :class:`Frame`, on the drawing thread.
    tell : callable
        Takes the numbers beside the view, on the drawing thread.
    fail : callable
        Takes what went wrong, on the drawing thread.
    size : (width, height)
        Pixels, until a page tells how large it shows the picture.
    """

    tells = True  # whether numbers are told beside the view

    def __init__(
        self,
        model: PanelModel,
        deliver: Callable[[Frame], None],
        tell: Callable[[Readout], None],
        fail: Callable[[Trouble], None],
        size: tuple[int, int] = (900, 600),
    ) -> None:
        super().__init__(model, Canvas(size))
        self.live: LiveSender | None = None  # what draws in the browser instead
        self.sides = TwoSides()  # before and after, where another layout stands beside
        self.asked_at = -np.inf  # when a picture was asked for last, by the monotonic clock
        self.painter = Painter(self)
        self._deliver, self._tell, self._fail = deliver, tell, fail
        self._told_at = -np.inf
        self._marker = Marker(self.canvas)
        self._settled: Orbit | None = None
        self._last: tuple[Subject, Painted] | None = None  # the last fine picture
        self._closed = False

    def ask(self) -> None:
        """Ask for a picture of the state as it is now; a fine one follows when it rests."""
        if self._closed or not self.model.is_open:
            return
        if self.orbit.view.up != self.up:  # another way up was chosen or taken back
            self.frame_all()
        self.asked_at = time.monotonic()
        subject = self.subject_of(self.model)
        PICTURES.ask(self, lambda: self._draw(subject))

    def subject_of(self, model: PanelModel) -> Subject:
        """All that a picture of a model depends on, as it is now."""
        drawn, pose = None, model.pose
        if self.draft is not None and self.draft.mesh is model.rig.mesh:
            drawn, pose = self.draft.drawn(), Pose()  # a guide is drawn in the creature at rest
        beside = None
        if model.beside is not None and drawn is None:
            beside = model.beside, asked_of_both(model, model.beside)
        return Subject(
            *(model, model.rig, pose, model.method, model.selected),
            *(self.show, self.orbit, self.spot, drawn),
            *(beside, self.canvas, self.pointed),
        )

    def preview(self, mesh: CreatureMesh) -> None:
        """Show a mesh as it is read, before anything is found in it."""
        PICTURES.ask(self, lambda: self._draw_bare(mesh))

    def _draw_bare(self, mesh: CreatureMesh) -> None:
        if self._closed:
            return
        begin, canvas = time.perf_counter(), self.canvas
        try:
            picture = draw_bare(self.painter.stage_for(mesh, canvas, canvas), canvas.aspect)
        except Exception as error:  # nothing above this but the thread of all panels
            self._fail(trouble_of(error, "the mesh could not be drawn"))
            return
        jpeg = encode(picture, None, canvas, fine=True)
        self._deliver(Frame(jpeg, time.perf_counter() - begin, fine=False))

    def rest(self) -> None:
        """Free the drawing context until a picture is asked for again."""
        PICTURES.ask(self, self._drop)

    def close(self) -> None:
        """Free the drawing context for good."""
        self._closed = True
        self.spot = self.draft = None
        PICTURES.ask(self, self._drop)

    def _drop(self) -> None:
        self.painter.drop()
        self._last = None

    def _draw(self, subject: Subject, fine: bool = False) -> None:
        if self._closed:
            return
        live = self.live
        try:
            if live is None or fine:
                fine = self._make(subject, fine) or fine
            else:
                self._send(subject, live)
        except Exception as error:  # nothing above this but the thread of all panels
            failed = "the picture could not be drawn"
            self._fail(trouble_of(error, failed, "the last one stays"))
            return
        if not fine:
            rest = _REST_BEFORE_FINE if live is None else _REST_BEFORE_STILL
            PICTURES.ask_later(self, lambda: self._draw(subject, fine=True), rest)

    def _send(self, subject: Subject, live: LiveSender) -> None:
        """Let the browser draw: the pose goes out first, then what is measured of it."""
        begin = time.perf_counter()
        shown = self._shown(subject)
        live.pose(shown, self._front(subject))
        spent = time.perf_counter() - begin
        PICTURES.pause(self, _PICTURE_OUT)
        for number, each in enumerate(shown):
            if PICTURES.waits(self):
                return
            measures = None
            if each.subject.show.heat in MEASURED:
                measures = measured(each.subject)
            live.colour(number, heat_of(each.subject, measures), measures is not None)
            if self.tells and number == self._front(subject) and self._may_measure():
                begin = time.perf_counter()
                measures = measures or measured(each.subject)
                self._tell(Readout.of(measures, spent + time.perf_counter() - begin))

    def _shown(self, subject: Subject) -> list[Shown]:
        """The layouts that are to be seen."""
        if subject.beside is None:
            return [Shown(subject, subject.rig.layout.name)]
        here, there = self.sides.names(subject)
        return [Shown(subject, here), Shown(self.sides.other(subject), there)]

    def _front(self, subject: Subject) -> int:
        """The number of the chosen one of them."""
        return 0

    def choose_layout(self, number: int) -> None:
        """Choose one of the layouts that are seen."""

    def _make(self, subject: Subject, fine: bool) -> bool:
        """Draw and deliver a picture, and tell what it measures; whether it was a fine one."""
        begin, last = time.perf_counter(), self._last
        if last is not None and subject.same_skin(last[0]):  # only what is marked has changed
            self._deliver_marked(subject, last[1], None, True, begin)
            return True
        self._last = None
        canvas = subject.canvas if fine else subject.canvas.quick
        stage = self.painter.stage_for(subject.rig.mesh, subject.canvas, canvas)
        other = None
        if subject.beside is not None:
            other = self.painter.paint(stage, self.sides.other(subject), fine)
            if other is None:
                return False
        done = self.painter.paint(stage, subject, fine)
        if done is None:
            return False
        spent = self._deliver_marked(subject, done, other, fine, begin)
        if fine:
            self._last = subject, done
            return True
        # the picture goes out first: Python runs one thread at a time
        PICTURES.pause(self, _PICTURE_OUT)
        if self._may_measure():
            begin, measures = time.perf_counter(), done.measures
            if measures is None:
                measures = subject.model.measures_of(
                    subject.rig, done.positions, done.ribbons[BODY], done.joints
                )
            self._tell(Readout.of(measures, spent + time.perf_counter() - begin))
        return False

    def _deliver_marked(
        self, subject: Subject, done: Painted, other: Painted | None, fine: bool, begin: float
    ) -> float:
        """Mark and deliver a picture, joined with that of another layout; the seconds it took."""
        canvas, positions = subject.canvas if fine else subject.canvas.quick, done.positions
        stage = self.painter.stage_for(subject.rig.mesh, subject.canvas, canvas)
        stage.set_camera(subject.orbit.camera(canvas.aspect))
        self._marker.canvas = canvas
        marks = make_marks(stage, subject, done.ribbons, positions)
        if subject.spot is not None:
            marks = spotted(stage, subject.spot, positions, done.picture, marks)
        if fine:
            body = stage.project(positions[:: max(1, len(positions) // 4000)])
            self._marker.settle(marks, body, self._settled is not subject.orbit)
            self._settled = subject.orbit
        if other is None:
            picture = self._marker.draw(done.picture, marks)
        else:
            pictures = done.picture, other.picture
            picture = self.sides.join(subject, self._marker, pictures, marks)
        jpeg = encode(picture, done.scale, canvas, fine)
        spent = time.perf_counter() - begin
        self._deliver(Frame(jpeg, spent, fine))
        return spent

    def _may_measure(self) -> bool:
        """Whether there is time for the numbers: if nothing waits, or they are old."""
        now = time.monotonic()
        if PICTURES.waits(self) and now - self._told_at < _OLD_NUMBERS:
            return False
        self._told_at = now
        return True
