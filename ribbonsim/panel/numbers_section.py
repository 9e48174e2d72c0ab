"""Numbers beside the tiles: the pose compared once it rests, all test poses when asked."""

from __future__ import annotations

import html
import logging
import time

import ipywidgets as widgets

from ribbonsim.bendcheck.cases import PoseList
from ribbonsim.bendcheck.compare import Comparison, Progress, compare
from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.bench import Bench
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import button, row
from ribbonsim.panel.inspector import CHECKS

_REST = 0.6
_LOG = logging.getLogger(__name__)


class _StoppedError(Exception):
    """The comparison was stopped."""


class NumbersSection:
    """Compares the layouts of a bench, and shows the table.

    Parameters
    ----------
    desk : Desk
        Says what goes wrong.
    bench : Bench
    """

    def __init__(self, desk: Desk, bench: Bench) -> None:
        self._desk, self._bench = desk, bench
        self._ticket = 0
        self._compared: tuple[object, ...] = ()
        self._changed_at = 0.0
        self.table = widgets.HTML()
        self.progress = widgets.HTML()
        self._stop = button("Stop", self.stop, "stop comparing")
        self._stop.disabled = True
        self.box = widgets.VBox(
            [row(button("Compare in all test poses", self.compare_all), self._stop), self.progress]
        )
        self._tell("")

    def refresh(self) -> None:
        """Compare in the pose as it is now, once it rests, if anything has changed."""
        bench = self._bench
        each = tuple((e.name, e.model.rig, e.model.method) for e in bench.entries)
        asked = (bench.asked, each)
        if asked != self._compared:
            self._compared, self._changed_at = asked, time.monotonic()
            self._ticket += 1
            CHECKS.ask_later(self, self._compare_rested, _REST)

    def compare_all(self) -> None:
        """Compare in all test poses."""
        self._ticket += 1
        ticket = self._ticket
        self._stop.disabled = False
        self._tell("Waiting …")
        CHECKS.ask(self, lambda: self._weigh(None, 0, ticket))

    def stop(self) -> None:
        """Stop what goes on."""
        self._ticket += 1

    def close(self) -> None:
        """Stop what goes on, for good."""
        self._ticket += 1

    # -- on the checking thread ----------------------------------------------------------------

    def _compare_rested(self) -> None:
        left = self._changed_at + _REST - time.monotonic()
        if left > 0.01:
            CHECKS.ask_later(self, self._compare_rested, left)
            return
        with self._desk.holding():
            poses, posed, ticket = self._bench.wanted(), self._bench.posed, self._ticket
        self._weigh(poses, posed, ticket)

    def _weigh(self, poses: PoseList, posed: int, ticket: int) -> None:
        begin = time.perf_counter()

        def progress(what: str, done: int, total: int) -> None:
            if ticket != self._ticket:
                raise _StoppedError
            seconds = time.perf_counter() - begin
            self._tell(f"{what}: {done} of {total} poses … {seconds:.1f} s")

        self._stop.disabled = False
        try:
            found = self._compare(poses, posed, progress)
            self._show(found, time.perf_counter() - begin)
        except _StoppedError:
            self._tell("Stopped.")
        except RibbonsimError as error:
            self._desk.complain(str(error))
            self._tell("")
        except Exception as error:  # nothing above this but the thread of all panels
            _LOG.debug("a comparison failed", exc_info=True)
            self._desk.complain(f"this could not be compared ({type(error).__name__}: {error})")
            self._tell("")
        finally:
            self._stop.disabled = True

    def _compare(self, poses: PoseList, posed: int, progress: Progress) -> Comparison:
        with self._desk.holding():
            entries = [(e.model.rig, e.name, e.model.method) for e in self._bench.entries]
        rigs, names, methods = zip(*entries, strict=True)
        return compare(rigs, poses, names, progress=progress, methods=methods, posed=posed)

    def _show(self, found: Comparison, seconds: float) -> None:
        count = len(found.poses)
        where = f"{count} test poses" if count > 1 else found.poses[0].replace("_", " ")
        self.table.value = table_html(found, f"Measured in {where}.")
        self._desk.verdict.value = (
            f'<div class="rs-verdict rs-whole">{html.escape(found.differences[0])}</div>'
        )
        self._tell(f"Compared in {where} in {seconds:.1f} s.")

    def _tell(self, words: str) -> None:
        self.progress.value = (
            f'<div class="rs-facts" role="status">{html.escape(words) or "&nbsp;"}</div>'
        )


def table_html(found: Comparison, where: str) -> str:
    """Measures by layout and what sets them apart; the best and worst are said in words.

    Parameters
    ----------
    found : Comparison
    where : str
        What was compared in.

    Returns
    -------
    str
        HTML; every name is escaped.
    """
    heads = "".join(f"<th>{html.escape(label)}</th>" for label in found.labels)
    lines = []
    for line in found.table:
        cells = []
        for i, text in enumerate(line.texts):
            rank = "best" if i in line.best else "worst" if i in line.worst else ""
            sign = {"best": "▲ best", "worst": "▽ worst", "": ""}[rank]
            over = "" if line.holds(i) else " beyond the limit"
            place = html.escape(line.places[i].removeprefix("in ")) if i < len(line.places) else ""
            cells.append(
                f'<td class="rs-{rank or "even"}" title="{place}{over}">'
                f"<b>{html.escape(text)}{'' if line.holds(i) else ' !'}</b> <i>{sign}</i></td>"
            )
        limit = html.escape(line.limit_text)
        lines.append(f"<tr><th>{html.escape(line.title)}</th><td>{limit}</td>{''.join(cells)}</tr>")
    words = "".join(f"<li>{html.escape(each)}</li>" for each in found.differences)
    notes = "".join(f"<p>{html.escape(each)}</p>" for each in found.notes)
    return (
        f'<div class="rs-compared"><p>{html.escape(where)}</p>'
        f"<table><thead><tr><th>measure</th><th>limit</th>{heads}</tr></thead><tbody>{''.join(lines)}</tbody></table>"
        f"<p>! beyond the limit; rest the pointer on a number to see where.</p>"
        f"<ul>{words}</ul>{notes}</div>"
    )
