"""What appendages and proposals are, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.body.propose import (
    Proposal,
)
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.layout.layout import Layout
from ribbonsim.rig.mirror import MirrorReport


def report_words(report: MirrorReport) -> str:
    """What a mirrored layout matches and what it does not, in sentences."""
    words = []
    if report.made:
        words.append(f"Mirrored onto {_listed(report.made)}.")
    if report.pairs:
        words.append(f"Paired: {', '.join(f'{a} with {b}' for a, b in report.pairs)}.")
    if report.middle:
        words.append(f"In the middle: {_listed(report.middle)}.")
    if report.unmatched:
        words.append(f"Without a partner: {_listed(report.unmatched)}.")
    if report.loose_vertices:
        words.append(f"{report.loose_vertices:,} vertices have none opposite.")
    return " ".join(words)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def station_near(layout: Layout, ribbon: str, at: float) -> int:
    """Number of the station nearest to a share of a ribbon's length."""
    carrier = layout.ribbons[ribbon]
    lengths = carrier.ribbon.arc_length(carrier.stations)
    return int(np.argmin(np.abs(lengths - at * carrier.ribbon.length))) + 1


def proposal_words(layout: Layout, proposal: Proposal) -> str:
    """What a proposal is, in words."""
    station = station_near(layout, proposal.rides_on, proposal.at)
    where = "" if proposal.rides_on == BODY else f"on {proposal.rides_on} "
    return (
        f"{proposal.length:.3g} long, {proposal.girth:.2g} wide, {where}at station {station} "
        f"({proposal.at:.0%} along), {proposal.confidence:.0%} sure"
    )


def appendage_words(layout: Layout, appendage: Appendage) -> str:
    """What an appendage is, in words."""
    station = station_near(layout, appendage.rides_on, appendage.at)
    pair_words = f", pair of {appendage.partner}" if appendage.partner else ""
    return f"on {appendage.rides_on} at station {station}{pair_words}"
