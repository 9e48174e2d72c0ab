"""What the panel's sections share: the model, the viewer, and one way to change things."""

from __future__ import annotations

import html
import io
import logging
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import ipywidgets as widgets
from PIL import Image

from ribbonsim.bendcheck.figures import figure
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh import CreatureMesh
from ribbonsim.panel.model import PanelModel, Readout
from ribbonsim.panel.viewer import Frame, Viewer
from ribbonsim.rig import Rig
from ribbonsim.view.look import BACKGROUND_TOP

Source = str | os.PathLike[str] | CreatureMesh | Rig

_LOG = logging.getLogger(__name__)

_PATIENCE = 0.4
_TICK = 0.5


class Desk:
    """Model and viewer with the message line and the picture that all sections use.

    Parameters
    ----------
    size : (width, height)
        Of the picture, in pixels.
    """

    def __init__(self, size: tuple[int, int]) -> None:
        self.model = PanelModel()
        self.picture = widgets.Image(
            value=_empty_picture(), format="jpeg", width=size[0], height=size[1]
        )
        self.picture.add_class("rs-picture")
        self.readout = widgets.HTML()
        self.verdict = widgets.HTML()
        self.message = widgets.HTML()
        self.message.add_class("rs-message")
        self.viewer = self._make_viewer(size)
        self._lock = threading.RLock()
        self._refreshers: list[Callable[[], None]] = []
        # makes the browser count the places where the picture is seen
        self.picture._view_count = 0
        self.picture.observe(self._seen, "_view_count")
        self.say("")

    def _make_viewer(self, size: tuple[int, int]) -> Viewer:
        return Viewer(self.model, self._show_frame, self._show_numbers, self.complain, size)

    def on_change(self, refresh: Callable[[], None]) -> None:
        """Call back after every change of the model.

        Parameters
        ----------
        refresh : callable
        """
        self._refreshers.append(refresh)

    def open(self, source: Source) -> None:
        """Open a creature and stand where it fills the picture.

        Parameters
        ----------
        source : path, CreatureMesh or Rig

        Raises
        ------
        RibbonsimError
            If it cannot be read or laid out; what was open stays.
        """
        self.model.open(source)
        self.viewer.frame_all("three_quarter")

    @property
    def unsaved(self) -> bool:
        """Whether there are changes that opening another creature would lose."""
        return self.model.unsaved

    def act(self, change: Callable[[], object], says: str = "", doing: str = "") -> bool:
        """Make a change; what goes wrong is said in a sentence and changes nothing.

        Parameters
        ----------
        change : callable
        says : str
            Shown when it has worked.
        doing : str
            Shown, with the seconds, if it takes a while.

        Returns
        -------
        bool
            Whether it has worked.
        """
        with self._lock:
            try:
                with self._telling(doing):
                    change()
            except RibbonsimError as error:
                self.complain(str(error))
                self.refresh()
                return False
            except Exception as error:  # a defect: the work on the page must outlive it
                _LOG.debug("a change of the panel failed", exc_info=True)
                kind = type(error).__name__
                self.complain(f"this could not be done ({kind}: {error}); nothing was changed")
                self.refresh()
                return False
            self.say(says)
            self.refresh()
            self.viewer.ask()
            return True

    @contextmanager
    def holding(self) -> Iterator[None]:
        """Keep other threads from changing anything meanwhile."""
        with self._lock:
            yield

    @contextmanager
    def _telling(self, doing: str) -> Iterator[None]:
        """Say what goes on and for how long, once it takes longer than a blink."""
        if not doing:
            yield
            return
        begin, done = time.monotonic(), threading.Event()

        def tell() -> None:
            wait = _PATIENCE
            while not done.wait(wait):
                self.say(f"{doing} … {time.monotonic() - begin:.1f} s")
                wait = _TICK

        teller = threading.Thread(target=tell, name="ribbonsim-progress", daemon=True)
        teller.start()
        try:
            yield
        finally:
            done.set()
            teller.join()

    def refresh(self) -> None:
        """Let every section show the model as it is."""
        for refresh in self._refreshers:
            refresh()

    def say(self, text: str) -> None:
        """Show a message.

        Parameters
        ----------
        text : str
            Nothing clears the line.
        """
        # the line keeps its height when it is empty, so that nothing below it jumps
        shown = html.escape(text) if text else "&nbsp;"
        self._put(f'<div class="rs-says" role="status">{shown}</div>')

    def complain(self, text: str) -> None:
        """Show what went wrong.

        Parameters
        ----------
        text : str
        """
        sentence = text if text.endswith(".") else f"{text}."
        self._put(f'<div class="rs-says rs-wrong" role="alert">{html.escape(sentence)}</div>')

    def _put(self, text: str) -> None:
        if self.message.value != text:
            self.message.value = text

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
                self.picture.add_class("rs-fine")
            else:
                self.picture.remove_class("rs-fine")

    def _show_numbers(self, told: Readout) -> None:
        where = f"at station {told.station}" if told.girth < 0.995 else ""
        cells = (
            ("largest stretch", figure("stretch", told.stretch), ""),
            ("lowest girth", figure("pinch", told.girth), where),
            ("volume", figure("volume", told.volume - 1.0), ""),
            ("one update", f"{1e3 * told.seconds:.0f} ms", ""),
        )
        words = "".join(
            f"<div><span>{name}</span> <b>{value}</b> <span>{more}</span></div>"
            for name, value, more in cells
        )
        words = f"<div class='rs-readout'>{words}</div>"
        if self.readout.value != words:
            self.readout.value = words


def _empty_picture() -> bytes:
    """What stands in the picture's place until the first one is drawn: the ground alone."""
    stream = io.BytesIO()
    Image.new("RGB", (90, 60), BACKGROUND_TOP).save(stream, "JPEG")
    return stream.getvalue()
