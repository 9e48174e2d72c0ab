"""The creature itself inside a page: what its script needs, packed small."""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from importlib import resources

import numpy as np
from markupsafe import Markup

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.cases import Wish, wish_for
from ribbonsim.bendcheck.report import Report
from ribbonsim.inpage.creature_bytes import pack_binding, pack_creature
from ribbonsim.inpage.pose_bytes import pack_loop, pack_seats, pack_steps
from ribbonsim.inpage.source import view_source
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.pose import Pose
from ribbonsim.pages.html import Embedded, plain
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Take
from ribbonsim.show.shots import amount_words

# degrees from step to step of an amount; the page goes between them by a cubic
_DEGREES_A_STEP, _FEWEST, _MOST = 15.0, 9, 25
# frames a second of a motion; the page goes between them by a cubic too
_FPS = 10.0
# findings of a layout that the page lists
MOST_MARKS = 5


@dataclass(frozen=True)
class Mark:
    """Where a finding is on the creature, and in which pose it is seen.

    Parameters
    ----------
    layout, number : int
        Of the layout, and of the finding in its list; both from 0.
    vertex : int
    text : str
        Written beside it.
    """

    layout: int
    number: int
    pose: str
    vertex: int
    text: str


@dataclass(frozen=True)
class PoseButton:
    """A pose or a motion that can be chosen in the page."""

    name: str
    note: str


@dataclass(frozen=True, eq=False)
class PageCreature:
    """A creature as it stands in a page.

    Parameters
    ----------
    data : Markup
        JSON for the page's script.
    script : Markup
        The script itself.
    policy : str
        The only script that the page may run, as its content security policy names it.
    poses : tuple of PoseButton
    motions : tuple of PoseButton
    layouts : tuple of str
    still : Embedded
        Shown where the browser cannot draw, and on paper.
    """

    data: Markup
    script: Markup
    policy: str
    poses: tuple[PoseButton, ...]
    motions: tuple[PoseButton, ...]
    layouts: tuple[str, ...]
    still: Embedded


def page_creature(
    rigs: Sequence[Rig],
    names: Sequence[str],
    asked: Sequence[Wish],
    takes: Sequence[Take],
    marks: Sequence[Mark],
    method: Method,
    still: Embedded,
    progress: Progress,
) -> PageCreature:
    """Pack layouts of one creature with all poses for a page.

    Parameters
    ----------
    rigs : sequence of Rig
    names : sequence of str
        Of their layouts.
    asked : sequence of Wish
        The poses, as the first rig is asked for them.
    takes : sequence of Take
        Motions, on the first rig.
    marks : sequence of Mark
    method : {"linear", "dual_quaternion"}
    still : Embedded
    progress : callable
        As for :func:`ribbonsim.review_page`.

    Returns
    -------
    PageCreature
    """
    poses = []
    shown = [wish for wish in asked if not _is_rest(wish)]
    count = len(shown) + len(takes)
    for number, wish in enumerate(shown):
        progress("pack the creature", number, count)
        poses.append(_packed_pose(rigs, wish))
    for number, take in enumerate(takes, start=len(shown)):
        progress("pack the creature", number, count)
        poses.append(_packed_motion(rigs, take))
    facts = {
        "creature": _text(pack_creature(rigs[0].mesh, rigs[0].layout.up, small=True)),
        "layouts": [
            _text(pack_binding(rig, name, small=True))
            for rig, name in zip(rigs, names, strict=True)
        ],
        "names": list(names),
        "method": method,
        "rest": [_text(pack_steps(rig, lambda _: Pose(), [0.0, 1.0], True)) for rig in rigs],
        "seats": _once([_text(pack_seats(rig, small=True)) for rig in rigs if takes]),
        "poses": poses,
        "marks": [asdict(mark) for mark in marks],
    }
    progress("pack the creature", max(count, 1), max(count, 1))
    script = page_script()
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    buttons = [PoseButton("rest", ""), *(PoseButton(w.bare, amount_words(w)) for w in shown)]
    return PageCreature(
        # no text can end the element that holds it
        Markup(json.dumps(facts, separators=(",", ":")).replace("<", "\\u003c")),
        Markup(script),
        f"'sha256-{digest}'",
        tuple(buttons),
        tuple(PoseButton(plain(take.name), f"{take.seconds:g} s") for take in takes),
        tuple(names),
        still,
    )


@cache
def page_script() -> str:
    """The script of a page: the module that draws, and what the page does with it."""
    own = resources.files("ribbonsim.pages").joinpath("templates", "review.js").read_text("utf-8")
    return f"\n{view_source()}\n{own}"


def _is_rest(wish: Wish) -> bool:
    return wish.pose is not None and not wish.pose.controls


def _packed_pose(rigs: Sequence[Rig], wish: Wish) -> dict[str, object]:
    """A pose at steps from rest to all of it, for each layout, with the words for its amount."""
    low, high, unit, count = 0.0, 1.0, "", _FEWEST
    if wish.pose is None:
        known = ALL_TEST_POSES[wish.name]
        high = known.usual if wish.amount is None else wish.amount
        low = 1.0 if known.unit == "factor" else 0.0
        unit = {"degrees": "°", "turns": " turns", "factor": " ×"}[known.unit]
        turned = abs(high) * {"degrees": 1.0, "turns": 360.0, "factor": 0.0}[known.unit]
        count = int(np.clip(round(turned / _DEGREES_A_STEP) + 1, _FEWEST, _MOST))
    amounts = np.linspace(low, high, count).tolist()
    return {
        "name": wish.name,
        "words": wish.bare,
        "low": low,
        "high": high,
        "unit": unit,
        "share": wish.pose is not None,
        "steps": [
            _text(pack_steps(rig, _poser(rigs[0], rig, wish), amounts, True)) for rig in rigs
        ],
    }


def _packed_motion(rigs: Sequence[Rig], take: Take) -> dict[str, object]:
    """A loop for each layout; its amounts are shares of the loop."""
    loops = [take if rig is take.rig else take.on(rig) for rig in rigs]
    return {
        "name": take.name,
        "words": plain(take.name),
        "low": 0.0,
        "high": take.seconds,
        "unit": " s",
        "share": False,
        "seconds": take.seconds,
        "steps": [_text(pack_loop(loop, _FPS, small=True)) for loop in loops],
    }


def _poser(first: Rig, rig: Rig, wish: Wish) -> Callable[[float], Pose]:
    if wish.pose is None:
        return lambda amount: rig.pose_for(wish.name, amount)
    carried = wish_for(wish, first, rig).pose or Pose()
    return carried.scaled


def marks_of(reports: Sequence[Report]) -> list[Mark]:
    """A mark for each finding that the page lists and that is of one place."""
    marks = []
    for layout, report in enumerate(reports):
        for number, finding in enumerate(report.findings[:MOST_MARKS]):
            case = report.cases.get(finding.pose)
            if case is None or not len(finding.vertices):
                continue
            there = case.positions[finding.vertices]
            middle = int(np.argmin(np.linalg.norm(there - there.mean(axis=0), axis=1)))
            words = f"{number + 1}  {finding.kind}"
            vertex = int(finding.vertices[middle])
            marks.append(Mark(layout, number, finding.pose, vertex, words))
    return marks


def _once(texts: list[str]) -> list[str]:
    """The same with each that is as the first left empty."""
    return [text if i == 0 or text != texts[0] else "" for i, text in enumerate(texts)]


def _text(data: bytes) -> str:
    return base64.b64encode(zlib.compress(data, 9)).decode("ascii")
