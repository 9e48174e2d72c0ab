"""Findings: one thing that bends wrong, where and how much, and what was tried against it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ribbonsim.arrays import Ints
from ribbonsim.bendcheck.figures import figure, figures
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.rig.rig import Method

FindingKind = Literal[
    "fold",
    "contact",
    "pinch",
    "bulge",
    "off",
    "tear",
    "stretch",
    "squeeze",
    "volume",
    "kink",
    "shape",
    "bleed",
    "asymmetry",
]


@dataclass(frozen=True)
class Place:
    """Where a finding is.

    Parameters
    ----------
    station : int
        Number, from 1 at the root end.
    control : str
        The control nearest along the ribbon, by its name in the whole creature.
    part : str
        The group that most of the faces there belong to; empty if the mesh has one group.
    ribbon : str
        Name of the ribbon.
    against : str
        For contacts between two ribbons' skin, the other ribbon.
    alike : str
        The partner on the other side, where the same is found.
    """

    station: int
    control: str
    part: str = ""
    ribbon: str = BODY
    against: str = ""
    alike: str = ""

    def __str__(self) -> str:
        of = "" if self.ribbon == BODY else f" of {self.ribbon}"
        part = f" on {self.part}" if self.part and self.part != self.ribbon else ""
        meets = f", where {self.ribbon} meets {self.against}" if self.against else ""
        alike = f", and alike on {self.alike}" if self.alike else ""
        return f"at station {self.station}{of} by {self.control}{part}{meets}{alike}"


@dataclass(frozen=True, eq=False)
class Tried:
    """A change that was made on a copy and measured.

    Parameters
    ----------
    change : str
        What was changed, as an instruction.
    before, after : float
        The finding's value without and with it.
    clears : bool
        Whether the limit holds with it.
    layout : Layout
        The changed layout.
    method : {"linear", "dual_quaternion"}
        The blending it was tried with.
    costs : str
        What it does to other measures, and what it needs more of.
    """

    change: str
    before: float
    after: float
    clears: bool
    layout: Layout
    method: Method
    costs: str = ""

    def to_dict(self) -> dict[str, object]:
        """Return words and numbers, fit for JSON."""
        return {
            "change": self.change,
            "before": self.before,
            "after": self.after,
            "clears": self.clears,
            "method": self.method,
            "costs": self.costs,
        }


@dataclass(frozen=True, eq=False)
class Finding:
    """One thing that bends wrong.

    Parameters
    ----------
    pose : str
        The pose it was found in; empty if it is of the layout itself.
    severity : float
        1 at the limit; twice as far beyond rest is 2.
    vertices : (m,) int array
        The vertices it concerns, counted from 0.
    faces : (n, 2) int array
        For contacts, pairs of triangles; empty otherwise.
    tried : Tried or None
        What keeps all limits; None if nothing was tried or does.
    attempts : tuple of Tried
        What was measured on the whole skin: what keeps all limits or comes nearest, then others.
    asked : str
        The pose with its amount, as it stands in sentences; its name if left out.
    floor : float or None
        What an exact ribbon does there, where that was measured.
    ask : str
        How much of the pose the layout does, where nothing that was tried does all of it.
    """

    kind: FindingKind
    pose: str
    place: Place
    value: float
    limit: float
    severity: float
    vertices: Ints
    faces: Ints
    tried: Tried | None = None
    attempts: tuple[Tried, ...] = ()
    asked: str = ""
    floor: float | None = None
    ask: str = ""

    @property
    def sentence(self) -> str:
        """What is wrong, where, how much, the limit, and what to try."""
        return f"{self.statement} {self.advice}".strip()

    @property
    def statement(self) -> str:
        """The sentence without the advice."""
        words = _words(self)
        lead = f"In {self.asked or self.pose.replace('_', ' ')} " if self.pose else ""
        text = f"{lead}{words}"
        return f"{text[0].upper()}{text[1:]}."

    @property
    def advice(self) -> str:
        """What was tried and what came of it."""
        if self.tried is not None:
            tried = self.tried
            before, after, _ = figures(self.kind, tried.before, tried.after, self.limit)
            costs = f" ({tried.costs})" if tried.costs else ""
            return f"Try this: {tried.change}; {before} becomes {after}, within the limit{costs}."
        if not self.attempts:
            return ""
        nearest = self.attempts[0]
        before, after = figure(self.kind, nearest.before), figure(self.kind, nearest.after)
        came = f": nearest comes to {nearest.change} ({before} becomes {after})"
        if abs(nearest.after - self.limit) > 0.9 * abs(nearest.before - self.limit):
            came = ""
        ask = f"; {self.ask}" if self.ask else ""
        return f"Nothing that was tried, up to three changes at once, keeps all limits{came}{ask}."


# -- words -------------------------------------------------------------------------------------


def _count(finding: Finding) -> str:
    number = len(finding.vertices)
    return f"{number:,} {'vertex' if number == 1 else 'vertices'}"


def _pairs(finding: Finding) -> str:
    shown = ", ".join(f"{a + 1} with {b + 1}" for a, b in finding.faces[:3])
    more = "" if len(finding.faces) <= 3 else ", ..."
    return f"triangles {shown}{more}"


def _words(finding: Finding) -> str:
    """What is wrong, where, how much and the limit, without the pose."""
    # a limit of volume stands for both directions, so it is shown without a sign
    value, limit = figures(finding.kind, finding.value, finding.limit)
    limit = limit.lstrip("+")
    ribbon = "the body" if finding.place.ribbon == BODY else finding.place.ribbon
    return _WORDS[finding.kind].format(
        value=value,
        limit=limit,
        place=finding.place,
        count=_count(finding),
        pairs=_pairs(finding),
        ribbon=ribbon,
        exact="" if finding.floor is None else _exact(finding),
        turned=f"{value} triangle{' turns' if value == '1' else 's turn'} over",
        met=f"{value} pair{'' if value == '1' else 's'} of triangles",
    )


def _exact(finding: Finding) -> str:
    shown = figure(finding.kind, finding.floor)
    return f", where an exact ribbon has {shown}"


_ASKED = "of what it should be there ({count}); the limit is {limit}"
_SKIN = "{place} to {value} of what the pose asks for ({count}){exact}; the limit is {limit}"
_WORDS: dict[FindingKind, str] = {
    "fold": "{turned} {place} ({count}); {limit} are allowed",
    "contact": "the skin cuts itself {place}: {met} ({pairs}); {limit} are allowed",
    "pinch": "{ribbon} pinches {place}: girth is {value} " + _ASKED,
    "bulge": "{ribbon} bulges {place}: girth is {value} " + _ASKED,
    "off": "the skin leaves {ribbon}'s ribbon {place}: the middle of its ring is {value} radii off "
    "({count}); the limit is {limit}",
    "tear": "the skin tears open {place}: {count} of one place part by up to {value} of the body's "
    "length; the limit is {limit}",
    "stretch": "the skin stretches " + _SKIN,
    "squeeze": "the skin is squeezed " + _SKIN,
    "volume": "the volume changes by {value}, most {place}; the limit is {limit}",
    "kink": "the midline of {ribbon} kinks {place}: it bends {value} times as sharply as it should "
    "anywhere; the limit is {limit}",
    "shape": "{ribbon} misses the shape by {value} of its length, most {place}; "
    "the limit is {limit}",
    "bleed": "weights bleed {place}: {count} hold up to {value} from far along the body; "
    "the limit is {limit}",
    "asymmetry": "left and right differ {place}: weights of mirrored vertices by up to {value} "
    "({count}); the limit is {limit}",
}
