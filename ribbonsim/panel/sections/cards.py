"""Findings as short cards: the number against its limit, and what a remedy gains and costs."""

from __future__ import annotations

import ipywidgets as widgets

from ribbonsim.bendcheck.figures import figures
from ribbonsim.bendcheck.findings import Finding

# the bar is full at this severity; 1 is at the limit
_FULL = 3.0
_STEPS = 24
_BARS = [f"rs-bar-{step}" for step in range(_STEPS + 1)]


def card_text(finding: Finding) -> str:
    """A finding in two or three short lines."""
    value, limit = figures(finding.kind, finding.value, finding.limit)
    pose = finding.asked or finding.pose.replace("_", " ")
    where = f"{finding.place}" + (f", in {pose}" if pose else "")
    lines = [f"{finding.kind} {value} · limit {limit.lstrip('+')}", where]
    tried = finding.tried
    if tried is not None:
        before, after, _ = figures(finding.kind, tried.before, tried.after, finding.limit)
        costs = f"; costs: {tried.costs}" if tried.costs else "; costs nothing else"
        lines.append(f"remedy: {before} becomes {after}{costs}")
    elif finding.attempts:
        lines.append("no remedy that was tried keeps all limits")
    return "\n".join(lines)


def bar_step(severity: float) -> int:
    """How long the bar of a card is, in steps."""
    return round(_STEPS * min(max(severity, 0.0), _FULL) / _FULL)


def show_card(card: widgets.Button, finding: Finding, chosen: bool) -> None:
    """Put a finding on a card."""
    text = card_text(finding)
    if card.description != text:
        card.description, card.tooltip = text, finding.statement
    bar = _BARS[bar_step(finding.severity)]
    classes = ["rs-card-row", bar, *(["rs-chosen"] if chosen else [])]
    if list(card._dom_classes) != classes:
        card._dom_classes = classes


def bar_styles() -> str:
    """The style of every length of bar; the mark on it is the limit."""
    return "".join(
        f".rs-panel .rs-findings .jupyter-button.rs-bar-{step}"
        f"{{--rs-share:{100.0 * step / _STEPS:.1f}%}}"
        for step in range(_STEPS + 1)
    )
