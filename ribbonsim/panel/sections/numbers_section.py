"""Numbers beside the tiles: the pose compared once it rests, all test poses when asked."""

from __future__ import annotations

import html
import time

import ipywidgets as widgets

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.cases import PoseList, Wish, wish_for, wishes
from ribbonsim.bendcheck.compare import Comparison, compare
from ribbonsim.bendcheck.differences import Row
from ribbonsim.bendcheck.other_drive import UnderOtherDrive, under_other_drive
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import JobFields, button, facts, row, show_html
from ribbonsim.panel.state.bench import Bench
from ribbonsim.panel.work.job import Job
from ribbonsim.panel.work.worker import CHECKS
from ribbonsim.rig.rig import Rig

_REST = 0.6
_ALIKE = 0.1


class NumbersSection:
    """Compares the layouts of a bench, and shows the table.

    Parameters
    ----------
    desk : Desk
        Says what goes wrong.
    """

    def __init__(self, desk: Desk, bench: Bench) -> None:
        self._desk, self._bench = desk, bench
        self._compared: tuple[object, ...] = ()
        self._changed_at = 0.0
        self._rest_awaited = False
        self.table = widgets.HTML()
        self.others = widgets.HTML()  # what the other drive makes of each layout
        tell, failed = desk.handed(self._show_progress), "this could not be compared"
        self._comparing = Job(CHECKS, tell, desk.complain, failed, "Stopped.", unit=" poses")
        self._job = JobFields(self._comparing.stop, "stop comparing")
        every = button("Compare in all test poses", self.compare_all)
        self.box = widgets.VBox([row(every, self._job.stop), self._job.words])

    def refresh(self) -> None:
        """Compare in the pose as it is now, once it rests, if anything has changed."""
        bench = self._bench
        each = tuple((e.name, e.model.rig, e.model.method) for e in bench.entries)
        asked = (bench.asked, each)
        if asked != self._compared:
            self._compared, self._changed_at = asked, time.monotonic()
            self._comparing.stop()
            self._rest_awaited = True
            self._ask_rested(_REST)

    def _ask_rested(self, wait: float) -> None:
        CHECKS.ask_later((self, "rest"), self._desk.handed(self._compare_rested), wait)

    def compare_all(self) -> None:
        """Compare in all test poses; it takes the place of a comparison that waits for rest."""
        self._rest_awaited = False
        self._compare(None, 0)

    def close(self) -> None:
        """Stop what goes on."""
        self._comparing.stop()

    def _compare_rested(self) -> None:
        if not self._rest_awaited:
            return
        left = self._changed_at + _REST - time.monotonic()
        if left > 0.01:
            self._ask_rested(left)
        else:
            self._rest_awaited = False
            self._compare(self._bench.wanted(), self._bench.posed)

    def _compare(self, poses: PoseList, posed: int) -> None:
        entries = [(e.model.rig, e.name, e.model.method) for e in self._bench.entries]
        rigs, names, methods = zip(*entries, strict=True)

        def work(progress: Progress) -> tuple[Comparison, list[UnderOtherDrive | None]]:
            found = compare(rigs, poses, names, progress=progress, methods=methods, posed=posed)
            asked = [_each(rig, poses, rigs[posed]) for rig in rigs]
            others = [under_other_drive(*each) for each in zip(rigs, asked, strict=True)]
            return found, others

        self._comparing.start(work, self._desk.handed(self._show))

    def _show_progress(self, words: str, share: float) -> None:
        self._job.show(words, share, self._comparing.going)

    def _show(self, done: tuple[Comparison, list[UnderOtherDrive | None]], seconds: float) -> None:
        found, others = done
        count = len(found.poses)
        where = f"{count} test poses" if count > 1 else found.poses[0].replace("_", " ")
        told = [
            f"{label}: {other.sentence}"
            for label, other in zip(found.labels, others, strict=True)
            if other is not None
        ]
        self.table.value = table_html(found, f"Measured in {where}.")
        show_html(self.others, "".join(facts(each) for each in told))
        self._desk.verdict.value = (
            f'<div class="rs-verdict">{html.escape(found.differences[0])}</div>'
        )
        self._show_progress(f"Compared in {where} in {seconds:.1f} s.", 0.0)


def _each(rig: Rig, poses: PoseList, posed: Rig) -> list[Wish]:
    """What is asked of one of the layouts."""
    return [wish_for(wish, posed, rig) for wish in wishes(poses, rig.layout)]


def _rank(line: Row, layout: int) -> str:
    """Whether a layout is best or worst; what differs by less than a tenth is alike."""
    if line.weight < _ALIKE:
        return ""
    return "best" if layout in line.best else "worst" if layout in line.worst else ""


def table_html(found: Comparison, where: str) -> str:
    """Measures by layout and what sets them apart; the best and worst are said in words."""
    heads = "".join(f"<th>{html.escape(label)}</th>" for label in found.labels)
    lines = []
    for line in found.table:
        cells = []
        for i, text in enumerate(line.texts):
            rank = _rank(line, i)
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
