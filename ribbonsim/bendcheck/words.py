"""A report as plain text."""

from __future__ import annotations

from collections.abc import Sequence

from ribbonsim.bendcheck.figures import figure
from ribbonsim.bendcheck.report import PoseMeasures, Report

MEASURE_TITLES = (
    "largest stretch",
    "smallest stretch",
    "girth",
    "volume",
    "folds",
    "contacts",
    "kink",
    "shape error",
)
_HEADS = ("pose", "stretch", "squeeze", "girth", "volume", "folds", "contacts", "kink", "shape")


def report_text(report: Report) -> str:
    """Verdict, a table of the measures, and the findings."""
    rows = [_HEADS, *(_cells(name, numbers) for name, numbers in report.measures.items())]
    parts = [report.verdict, "", *_table(rows)]
    if report.causes:
        parts += ["", "Findings, the worst first:"]
        for i, cause in enumerate(report.causes, start=1):
            parts.append(f"{i:3}. {cause.statement}")
            if cause.advice:
                parts.append(f"     {cause.advice}")
    parts += ["", *report.unmeasured] if report.unmeasured else []
    if report.untried:
        parts.append(f"Left out, as it would take long: changes for {report.untried} of these.")
    if report.floors:
        parts += ["", "No layout can:", *(f"  -  {note}" for note in report.floors)]
    if report.other_drive is not None:
        parts += ["", report.other_drive.sentence]
    return "\n".join(parts)


def _cells(name: str, numbers: PoseMeasures) -> tuple[str, ...]:
    return (
        name.replace("_", " "),
        *measure_figures(numbers),
    )


def measure_figures(numbers: PoseMeasures) -> tuple[str, ...]:
    """The measures of a pose in the order of :data:`MEASURE_TITLES`, as they stand in a table."""
    girths = (figure("pinch", numbers.girth_low), figure("bulge", numbers.girth_high))
    return (
        figure("stretch", numbers.stretch),
        figure("squeeze", numbers.squeeze),
        " to ".join(girths),
        figure("volume", numbers.volume - 1.0),
        figure("fold", numbers.folds),
        figure("contact", numbers.contacts),
        figure("kink", numbers.kink),
        figure("shape", numbers.shape_error),
    )


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if k == 0 else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
