"""A panel on the page: the one that a cell showed before is closed, and a still stays behind."""

from __future__ import annotations

import base64
import contextlib
import ctypes
import gc
import html
import io
import time
import weakref
from collections.abc import Callable, Sequence
from typing import Any, Protocol

import ipywidgets as widgets
from ipywidgets.widgets.widget import _instances
from PIL import Image

from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.kernel_lost import KernelLost
from ribbonsim.panel.sections.number_box import hear_refusals
from ribbonsim.panel.sections.tabs import Part
from ribbonsim.panel.sections.typed_text import TypedText
from ribbonsim.panel.work.read_before import MeshFile, leave

_BETWEEN = 2.0
_STILL_WIDE, _STILL_QUALITY = 1280, 90
# the still is seen where the panel itself cannot be: in a notebook whose kernel has ended
_HIDES = (
    "<style>"
    ".jp-OutputArea-child:has(.rs-still):has(+ .jp-OutputArea-child .rs-panel){display:none}"
    ".jp-OutputArea-child:has(.rs-still)+.jp-OutputArea-child:not(:has(.rs-panel)){display:none}"
    "</style>"
)


class Section(Protocol):
    """What has to be told when its panel is closed."""

    def close(self) -> None:
        """Stop what goes on."""


class PanelBox(widgets.VBox):
    """A panel on the page, which frees all that it held once it is closed."""

    _holds: tuple[str, ...] = ()  # names of what else it holds

    def __init__(self) -> None:
        take_place(self)
        self._before, self._own = widgets_now(), set[str]()
        self._held: Desk | None = None
        self._sections: tuple[Section, ...] = ()
        self._still: Still | None = None
        super().__init__([])
        self.add_class("rs-panel")

    def _put(
        self, desk: Desk, parts: Sequence[widgets.Widget], sections: Sequence[Section] = ()
    ) -> None:
        """Put parts on the page."""
        self._held, self._sections = desk, tuple(sections)
        self.children = (KernelLost(), *parts, TypedText())
        hear_refusals(self, desk.complain)
        self._own = widgets_now() - self._before

    def _add(self, make: Callable[[], Part]) -> Part:
        """Have a section made that stands on the page later than the others."""
        desk, before = self._desk, widgets_now()
        part = desk.made_late(make)
        hear_refusals(part.box, desk.complain)
        self._own |= widgets_now() - before
        return part

    @property
    def _desk(self) -> Desk:
        if self._held is None:
            raise RibbonsimError("this panel is closed: run its cell again")
        return self._held

    @property
    def file(self) -> MeshFile | None:
        """The mesh that is open, if it was read from a file."""
        return None if self._held is None else self._held.file

    def _ipython_display_(self) -> None:
        """Show the panel in a notebook, with the still that a saved notebook keeps of it."""
        from IPython.display import display

        if self._still is not None:
            self._still.show()
        if self._repr_mimebundle_ is not None:
            display(self._repr_mimebundle_(), raw=True)

    def close(self) -> None:
        """Take the panel off the page, stop what goes on and free what it holds."""
        held, self._held = self._held, None
        if held is None:
            return
        for section in self._sections:
            section.close()
        held.close()
        close_widgets(self._own, self)
        super().close()
        # the notebook remembers what its cells gave: the rest must not hang on it
        self._sections, self._still, self.children = (), None, ()
        for name in self._holds:
            self.__dict__.pop(name, None)
        free_memory()


_SHOWN: dict[str, tuple[str, list[weakref.ref[Any]]]] = {}


def take_place(panel: Any) -> None:
    """Close the panels that the running cell made when it ran before.

    A panel that is not closed keeps its widgets and its creature in memory, seen or not.
    """
    cell, run = _running()
    if not cell:
        return
    before, made = _SHOWN.get(cell, ("", []))
    if before != run:
        for reference in made:
            old = reference()
            if old is not None:
                known = old.file
                old.close()
                if known is not None:  # most often the next one opens the same
                    leave(known)
        made = []
    _SHOWN[cell] = run, [*made, weakref.ref(panel)]


def _running() -> tuple[str, str]:
    """The cell that is run now and the number of its run; empty outside a notebook."""
    try:
        from IPython.core.getipython import get_ipython

        parent: Any = getattr(get_ipython(), "kernel").get_parent()  # noqa: B009
        return str(parent["metadata"]["cellId"]), str(parent["header"]["msg_id"])
    except (ImportError, AttributeError, KeyError, TypeError):
        return "", ""


class Still:
    """A picture with facts that stands in a saved notebook where the panel was.

    Parameters
    ----------
    facts : callable
        Lines about the creature and its layout, as they are now.
    """

    def __init__(self, facts: Callable[[], list[str]]) -> None:
        self._facts = facts
        self._handle: Any = None
        self._jpeg = b""
        self._next = 0.0

    def show(self) -> None:
        """Put it on the page, above the panel, which hides it while it is there."""
        from IPython.display import HTML, display

        self._handle = display(HTML(self.markup()), display_id=True)

    def update(self, jpeg: bytes) -> None:
        """Take a picture that has come to rest."""
        self._jpeg = jpeg
        now = time.monotonic()
        if self._handle is None or now < self._next:
            return
        from IPython.display import HTML

        self._next = now + _BETWEEN
        self._handle.update(HTML(self.markup()))

    def markup(self) -> str:
        """The still as HTML."""
        data = base64.b64encode(smaller(self._jpeg)).decode()
        image = (
            f'<img alt="the creature" style="max-width:100%" src="data:image/jpeg;base64,{data}">'
        )
        lines = "".join(f"<div>{html.escape(line)}</div>" for line in self._facts())
        how = f"Run the cell to go on from here (ribbonsim {html.escape(version())})."
        return f'{_HIDES}<div class="rs-still">{image if data else ""}{lines}<div>{how}</div></div>'


def smaller(jpeg: bytes) -> bytes:
    """A picture no wider than a saved notebook has use for."""
    if not jpeg:
        return jpeg
    picture = Image.open(io.BytesIO(jpeg))
    wide, high = picture.size
    if wide <= _STILL_WIDE:
        return jpeg
    size = _STILL_WIDE, round(high * _STILL_WIDE / wide)
    picture.draft("RGB", size)  # reads no more of it than is needed
    stream = io.BytesIO()
    picture.resize(size, Image.Resampling.BOX).save(stream, "JPEG", quality=_STILL_QUALITY)
    return stream.getvalue()


def widgets_now() -> set[str]:
    """The widgets that there are, by number."""
    return set(_instances)


def close_widgets(numbers: set[str], *tops: widgets.Widget) -> None:
    """Close widgets by number, and others with all that is on them."""
    waiting: list[Any] = [*tops, *(_instances.get(number) for number in numbers)]
    done: set[int] = set()
    while waiting:
        part = waiting.pop()
        if not isinstance(part, widgets.Widget) or id(part) in done:
            continue
        done.add(id(part))
        if isinstance(part, PanelBox):
            waiting += part.children
            continue
        # a part may be on the page only now, such as a line of a list
        waiting += [*getattr(part, "children", ()), getattr(part, "layout", None)]
        waiting += [getattr(part, "style", None), *vars(part).values()]
        part.close()


def free_memory() -> None:
    """Give back what closed panels held; the C library keeps large pieces otherwise."""
    gc.collect()
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
