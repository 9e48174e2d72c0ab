"""What the panel's sections share: the model, the viewer, and one way to change things."""

from __future__ import annotations

import html
import threading
from collections.abc import Callable

import ipywidgets as widgets

from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.model import PanelModel
from ribbonsim.panel.viewer import Frame, Viewer


class Desk:
    """Model and viewer with the message line and the picture that all sections use."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.model = PanelModel()
        self.picture = widgets.Image(format="jpeg", width=size[0], height=size[1])
        self.picture.add_class("rs-picture")
        self.readout = widgets.HTML()
        self.message = widgets.HTML()
        self.viewer = Viewer(self.model, self._show_frame, self.complain, size)
        self._lock = threading.RLock()
        self._refreshers: list[Callable[[], None]] = []

    def on_change(self, refresh: Callable[[], None]) -> None:
        """Call back after every change of the model.

        Parameters
        ----------
        refresh : callable
        """
        self._refreshers.append(refresh)

    def act(self, change: Callable[[], object], says: str = "") -> bool:
        """Make a change; what goes wrong is said in a sentence and changes nothing.

        Parameters
        ----------
        change : callable
        says : str
            Shown when it has worked.

        Returns
        -------
        bool
            Whether it has worked.
        """
        with self._lock:
            try:
                change()
            except RibbonsimError as error:
                self.complain(str(error))
                self.refresh()
                return False
            self.say(says)
            self.refresh()
            self.viewer.ask()
            return True

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
        self._put(f'<div class="rs-says" role="status">{html.escape(text)}</div>' if text else "")

    def complain(self, text: str) -> None:
        """Show what went wrong.

        Parameters
        ----------
        text : str
        """
        self._put(f'<div class="rs-says rs-wrong" role="alert">{html.escape(text)}</div>')

    def _put(self, text: str) -> None:
        if self.message.value != text:
            self.message.value = text

    def _show_frame(self, frame: Frame) -> None:
        told = frame.readout
        # one message for the picture and one for the words, only when the words differ
        self.picture.value = frame.jpeg
        words = (
            f"<div class='rs-readout'>"
            f"<div><span>largest stretch</span> <b>{told.stretch:.2f}</b></div>"
            f"<div><span>lowest girth</span> <b>{told.girth:.2f}</b>"
            f" <span>at station {told.station}</span></div>"
            f"<div><span>volume</span> <b>{100.0 * (told.volume - 1.0):+.1f} %</b></div>"
            f"<div><span>picture</span> <b>{1e3 * frame.seconds:.0f} ms</b></div></div>"
        )
        if not frame.fine and self.readout.value != words:
            self.readout.value = words
