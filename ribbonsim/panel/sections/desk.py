"""What the panel's sections share: the model, the viewer, and one way to change things."""

from __future__ import annotations

import html
import io
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import ipywidgets as widgets
from PIL import Image

from ribbonsim import threads
from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.figures import figure
from ribbonsim.panel.sections.fields import JobFields, row, show_html
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.opening import Source, open_source
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.state.session import Session
from ribbonsim.panel.work.dispatch import Dispatcher, Params
from ribbonsim.panel.work.opening import Opening
from ribbonsim.panel.work.read_before import MeshFile, path_of, read_already
from ribbonsim.panel.work.session_files import SessionFiles, stamp_of
from ribbonsim.panel.work.subject import Frame, Spot
from ribbonsim.panel.work.trouble import Trouble, trouble_of
from ribbonsim.panel.work.viewer import Viewer
from ribbonsim.view.look import BACKGROUND_TOP

Made = TypeVar("Made")
AnySessions = SessionFiles[Any]

_PATIENCE = 0.4
_TICK = 0.5


class Desk:
    """Model and viewer with the message line and the picture that all sections use.

    Parameters
    ----------
    size : (width, height)
        Of the picture, in pixels.
    sessions : Path, optional
        The folder in which what is done is kept.
    """

    def __init__(self, size: tuple[int, int], sessions: Path | None = None) -> None:
        self.model = PanelModel()
        self.picture = widgets.Image(
            value=_empty_picture(), format="jpeg", width=size[0], height=size[1]
        )
        self.picture.add_class("rs-picture")
        self.readout = widgets.HTML()
        self.verdict = widgets.HTML()
        self.other = widgets.HTML()  # what the other drive makes of it
        self.message = widgets.HTML()
        self.message.add_class("rs-message")
        self._lock = threading.RLock()
        self._dispatcher = Dispatcher(self._lock, self._show_trouble)
        self._complain = self.handed(self._show_trouble)
        self.opening = Opening(self._dispatcher, self._show_opening, self._show_trouble)
        self._opens = JobFields(self.opening.stop, "stop opening; what is open stays")
        self.opens = row(self._opens.words, self._opens.stop)
        self.opens.layout.display = "none"
        self.sessions = self._make_sessions(sessions)
        self._keeps = False
        self.file: MeshFile | None = None  # what is open, if it was read from a file
        self.viewer = self._make_viewer(size)
        self._refreshers: list[Callable[[], None]] = []
        self._mark_hearers: list[Callable[[Spot | None], None]] = []
        self._still_takers: list[Callable[[bytes], None]] = []
        # makes the browser count the places where the picture is seen
        self.picture._view_count = 0
        self.picture.observe(self._seen, "_view_count")
        self.say("")

    def _make_sessions(self, folder: Path | None) -> AnySessions:
        return SessionFiles(Session, folder, self.handed(self.say), self.complain)

    def _make_viewer(self, size: tuple[int, int]) -> Viewer:
        return Viewer(self.model, *self._answers(), size)

    def _answers(
        self,
    ) -> tuple[Callable[[Frame], None], Callable[[Readout], None], Callable[[Trouble], None]]:
        """What the viewer calls: a picture, its numbers, what went wrong."""
        return self.handed(self._show_frame), self.handed(self.show_numbers), self.complain

    def mark(self, spot: Spot | None) -> None:
        """Colour some vertices instead of what the skin showed; None ends that."""
        if spot is not self.viewer.spot:
            self.viewer.spot = spot
            for hear in self._mark_hearers:
                hear(spot)

    def on_mark(self, hear: Callable[[Spot | None], None]) -> None:
        """Call back when other vertices are marked, or none."""
        self._mark_hearers.append(hear)

    def on_still(self, take: Callable[[bytes], None]) -> None:
        """Call back with every picture that has come to rest."""
        self._still_takers.append(take)

    def close(self) -> None:
        """Stop what goes on, keep what was done, and let go of the creature."""
        self.opening.stop()
        self.sessions.flush()
        self.viewer.close()
        self._refreshers, self._still_takers, self._mark_hearers = [], [], []
        self.file = None
        self.model = self.viewer.model = PanelModel()

    def on_change(self, refresh: Callable[[], None]) -> None:
        """Call back after every change of the model."""
        self._refreshers.append(refresh)

    def made_late(self, make: Callable[[], Made]) -> Made:
        """Make a section while the others are there already, and show it the model as it is."""
        before = len(self._refreshers)
        made = make()
        for refresh in self._refreshers[before:]:
            refresh()
        return made

    @property
    def has_loop(self) -> bool:
        """Whether there is an event loop, which answers the widgets."""
        return self._dispatcher.has_loop

    def later(self, seconds: float, call: Callable[[], object]) -> None:
        """Call after a while where widgets are answered; at once in a script."""
        self._dispatcher.later(seconds, call)

    def open(
        self, source: Source, then: Callable[[], None] = lambda: None, by_hand: bool = True
    ) -> None:
        """Open a creature, beside what goes on; what is open stays until it is there.

        Parameters
        ----------
        then : callable
            Called when it is there.
        by_hand : bool
            Whether the user chose it: then it is what is opened the next time.
        """
        path = path_of(source)
        stamp = None if path is None else stamp_of(path)

        def take(came: Any) -> None:
            def change() -> None:
                self._take_opened(came)
                mesh = self.model.rig.mesh
                self.file = None if path is None else MeshFile(path, stamp, mesh)
                then()

            self._keeps = by_hand
            if self.act(change):
                self._say_opened(came)

        self.opening.start(lambda progress: self._read(read_already(source), progress), take)

    def _read(self, source: Source, progress: Progress) -> Any:
        """Read and prepare a creature, on a thread of its own."""
        show = self.viewer.preview if self.has_loop else lambda _: None
        return open_source(source, self.sessions, progress, show)

    def _take_opened(self, came: Any) -> None:
        """Take what was prepared, and stand where it fills the picture."""
        self.model.take(came)
        self.viewer.frame_all("three_quarter")

    def _say_opened(self, came: Any) -> None:
        """Say what the user has to know of what was opened."""
        words = list(came.says)
        if came.session is not None and self.sessions.path is not None:
            words.insert(0, f"Taken up as you left it, from {self.sessions.path.name}.")
        if words:
            self.say(" ".join(words))

    def _show_opening(self, words: str, going: bool) -> None:
        self._opens.show(words, 0.0, going)
        self.opens.layout.display = "" if words else "none"
        (self.picture.add_class if going else self.picture.remove_class)("rs-busy")
        if not going and self.model.is_open:
            self.viewer.ask()  # a picture of what was being opened makes room

    @property
    def unsaved(self) -> bool:
        """Whether there are changes that opening another creature would lose."""
        return self.model.unsaved

    def act(self, change: Callable[[], object], says: str = "", doing: str = "") -> bool:
        """Make a change; what goes wrong is said in a sentence and changes nothing.

        Parameters
        ----------
        says : str
            What is said when it is done.
        doing : str
            What takes its time; then the change is made on another thread, and touches no
            widgets.
        """
        with self._lock:
            try:
                if doing:
                    self._while_telling(change, doing)
                else:
                    change()
            except Exception as error:  # a defect: the work on the page must outlive it
                failed = "this could not be done"
                self.complain(trouble_of(error, failed, "nothing was changed"))
                self.refresh()
                return False
            self.say(says)
            self.refresh()
            self.viewer.ask()
            return True

    def pose(self, change: Callable[[], object]) -> bool:
        """Take a pose as :meth:`act` does; who saw the whole creature sees all of it again."""
        viewer = self.viewer
        whole = self.model.is_open and viewer.shows_all()
        done = self.act(change)
        if done and whole and not viewer.shows_all():  # who looks at a part keeps looking at it
            self.act(viewer.frame_all)
        return done

    @contextmanager
    def holding(self) -> Iterator[None]:
        """Keep other threads from changing anything meanwhile."""
        with self._lock:
            yield

    def _while_telling(self, change: Callable[[], object], doing: str) -> None:
        """Say what goes on and for how long, once it takes longer than a blink."""
        begin = time.monotonic()
        wrong: list[Exception] = []

        def make() -> None:
            try:
                change()
            except Exception as error:  # given on to the thread that waits
                wrong.append(error)

        maker = threads.begin("change", make)
        maker.join(_PATIENCE)
        while maker.is_alive():  # only this thread, which answers the widgets, sets them
            self.say(f"{doing} … {time.monotonic() - begin:.1f} s")
            maker.join(_TICK)
        if wrong:
            raise wrong[0]

    def refresh(self) -> None:
        """Let every section show the model as it is."""
        for refresh in self._refreshers:
            refresh()
        self._keep()

    def _keep(self) -> None:
        """Have what is done written to the session file, once there is anything."""
        if self.sessions.folder is None or not self.model.is_open:
            return
        if self._keeps or self.sessions.path is not None or self._has_changed():
            self.sessions.keep(self._session())

    def _session(self) -> Any:
        return self.model.session()

    def _has_changed(self) -> bool:
        """Whether there is anything to be kept that the opening alone would not give."""
        return self.model.can_undo

    def start_afresh(self) -> str:
        """Go back to what there was at first; what is said of it."""
        self.model.start_afresh()
        return "Started afresh; the layout that was there is kept under Keep. Undo goes back."

    def say(self, text: str) -> None:
        """Show a message."""
        # the line keeps its height when it is empty, so that nothing below it jumps
        shown = html.escape(text) if text else "&nbsp;"
        self._put(f'<div class="rs-says" role="status">{shown}</div>')

    def complain(self, trouble: Trouble | str) -> None:
        """Show what went wrong, on any thread; a defect's details can be opened and sent."""
        self._complain(trouble if isinstance(trouble, Trouble) else Trouble(trouble))

    def _show_trouble(self, trouble: Trouble) -> None:
        text = trouble.sentence
        sentence = html.escape(text if text.endswith(".") else f"{text}.")
        details = ""
        if trouble.details:
            details = (
                "<details><summary>Details, to copy and send</summary>"
                f"<pre>{html.escape(trouble.details)}</pre></details>"
            )
        self._put(f'<div class="rs-says rs-wrong" role="alert">{sentence}{details}</div>')

    def handed(self, call: Callable[Params, object]) -> Callable[Params, None]:
        """A function for workers to call: what it does, it does where widgets are answered."""
        return self._dispatcher.handed(call)

    def _put(self, text: str) -> None:
        show_html(self.message, text)

    def _seen(self, change: dict[str, int]) -> None:
        """Free the drawing context while nobody looks, such as after a cell was run again."""
        if change["new"] == 0:
            self.viewer.rest()
        elif change["old"] == 0:
            self.viewer.ask()

    def _show_frame(self, frame: Frame) -> None:
        with self.picture.hold_sync():  # one message: each makes the browser decode the picture
            self.picture.value = frame.jpeg
            if frame.fine:
                for take in self._still_takers:
                    take(frame.jpeg)
                self.picture.add_class("rs-fine")
            else:
                self.picture.remove_class("rs-fine")

    def show_numbers(self, numbers: Readout) -> None:
        """Show the numbers beside the picture."""
        where = f"at station {numbers.station}" if numbers.girth < 0.995 else ""
        cells = (
            ("largest stretch", figure("stretch", numbers.stretch), ""),
            ("lowest girth", figure("pinch", numbers.girth), where),
            ("volume", figure("volume", numbers.volume - 1.0), ""),
            ("measured at", numbers.moment, "")
            if numbers.moment
            else ("one update", f"{1e3 * numbers.seconds:.0f} ms", ""),
        )
        words = "".join(
            f"<div><span>{name}</span> <b>{value}</b> <span>{more}</span></div>"
            for name, value, more in cells
        )
        words = f"<div class='rs-readout'>{words}</div>"
        show_html(self.readout, words)


def _empty_picture() -> bytes:
    """What stands in the picture's place until the first one is drawn: the ground alone."""
    stream = io.BytesIO()
    Image.new("RGB", (90, 60), BACKGROUND_TOP).save(stream, "JPEG")
    return stream.getvalue()
