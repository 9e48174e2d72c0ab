"""Causes: findings of several poses and measures that are one thing going wrong at one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ribbonsim.bendcheck.findings import Finding, FindingKind
from ribbonsim.layout.layout import Layout

# what a bend does to the skin at a place shows in several measures
_FAMILIES: dict[FindingKind, str] = {
    "kink": "midline",
    "shape": "midline",
    "tear": "tear",
    "bleed": "weights",
    "asymmetry": "sides",
    "contact": "contact",
    "volume": "volume",
}
# stations apart within which findings are at one place, as a share of all of them
_NEAR, _LEAST_NEAR = 0.15, 2


@dataclass(frozen=True, eq=False)
class Cause:
    """One thing going wrong at one place, in as many poses and measures as it shows.

    Parameters
    ----------
    findings : tuple of Finding
        The worst first; what was tried is with that one.
    """

    findings: tuple[Finding, ...]

    @property
    def worst(self) -> Finding:
        """The worst of its findings."""
        return self.findings[0]

    @property
    def poses(self) -> tuple[str, ...]:
        """Poses it shows in, the worst first, each once; none if it is of the layout itself."""
        return tuple(dict.fromkeys(one.pose for one in self.findings if one.pose))

    @property
    def shown(self) -> tuple[Finding, ...]:
        """The worst of each pose, the worst pose first."""
        first: dict[str, Finding] = {}
        for one in self.findings:
            first.setdefault(one.pose, one)
        return tuple(first.values())

    @property
    def statement(self) -> str:
        """The worst finding in a sentence, and where else it shows."""
        return f"{self.worst.statement} {self.elsewhere}".strip()

    @property
    def elsewhere(self) -> str:
        """Other poses and measures it shows in, as a sentence; empty if there are none."""
        first = self.worst
        here = list(
            dict.fromkeys(
                _NOUNS[one.kind]
                for one in self.findings
                if one.pose == first.pose and one.kind != first.kind
            )
        )
        others = list(
            dict.fromkeys(
                one.asked or one.pose.replace("_", " ")
                for one in self.findings
                if one.pose not in ("", first.pose)
            )
        )
        parts = []
        if here:
            parts.append(f"there also as {_joined(here)}")
        if others:
            parts.append(f"also in {_joined(others)}")
        text = "; ".join(parts)
        return f"{text[:1].upper()}{text[1:]}." if text else ""

    @property
    def advice(self) -> str:
        """What to do about it."""
        return self.worst.advice

    def to_dict(self, numbers: dict[int, int]) -> dict[str, object]:
        """Return words, and the numbers of its findings, fit for JSON."""
        return {
            "kind": self.worst.kind,
            "poses": list(self.poses),
            "statement": self.statement,
            "advice": self.advice,
            "findings": [numbers[id(one)] for one in self.findings],
        }


_NOUNS: dict[FindingKind, str] = {
    "fold": "folds",
    "contact": "contacts",
    "pinch": "a pinch",
    "bulge": "a bulge",
    "off": "skin off the ribbon",
    "tear": "a tear",
    "stretch": "stretch",
    "squeeze": "squeeze",
    "volume": "a change of volume",
    "kink": "a kink",
    "shape": "a missed shape",
    "bleed": "bleeding weights",
    "asymmetry": "unlike sides",
}


def causes_of(findings: Sequence[Finding], layout: Layout) -> list[Cause]:
    """Group findings by place and by what shows at it; the worst first."""
    groups: list[list[Finding]] = []
    for finding in sorted(findings, key=lambda one: -one.severity):
        near = [group for group in groups if _belongs(finding, group, layout)]
        if near:
            near[0].append(finding)
        else:
            groups.append([finding])
    return [Cause(tuple(group)) for group in groups]


def with_same_remedy(causes: Sequence[Cause]) -> list[Cause]:
    """Make one cause of those that the same change ends."""
    merged: dict[str, Cause] = {}
    for number, cause in enumerate(causes):
        tried = cause.worst.tried
        key = tried.change if tried is not None else str(number)
        if key in merged:
            rest = merged[key].findings[1:] + cause.findings
            ordered = sorted(rest, key=lambda one: -one.severity)
            merged[key] = replace(merged[key], findings=(merged[key].worst, *ordered))
        else:
            merged[key] = cause
    return list(merged.values())


def _belongs(finding: Finding, group: Sequence[Finding], layout: Layout) -> bool:
    """Whether a finding is what the worst of a group is, seen in another pose or measure."""
    worst, family = group[0], _FAMILIES.get(finding.kind, "skin")
    partners = {one.name: one.partner for one in layout.appendages}
    if worst.place.ribbon not in (finding.place.ribbon, partners.get(finding.place.ribbon)):
        return False
    alike = [one for one in group if _FAMILIES.get(one.kind, "skin") == family]
    if family in ("midline", "tear", "weights", "sides"):
        return bool(alike)  # a shape is missed as a whole
    count = len(layout.ribbons[finding.place.ribbon].stations)
    room = max(_LEAST_NEAR, _NEAR * count)
    if family == "volume":  # of the whole body, and there is one cause where the skin shows it
        here = [one for one in group if one.pose == finding.pose]
        return bool(alike) or any(_FAMILIES.get(one.kind, "skin") == "skin" for one in here)
    # a contact is where skin that folds meets, or where the body comes back to itself
    mixed = {"skin": ("contact",), "contact": ("skin",)}[family]
    return any(abs(finding.place.station - one.place.station) <= room for one in alike) or any(
        one.pose == finding.pose
        and _FAMILIES.get(one.kind, "skin") in mixed
        and abs(finding.place.station - one.place.station) <= room
        for one in group
    )


def _joined(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
