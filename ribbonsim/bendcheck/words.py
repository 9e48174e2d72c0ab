"""A report as plain text."""

from __future__ import annotations

from collections.abc import Sequence

from ribbonsim.bendcheck.report import PoseMeasures, Report

_HEADS = ("pose", "stretch", "squeeze", "girth", "volume", "folds", "contacts", "kink", "shape")


def report_text(report: Report) -> str:
    """Verdict, a table of the measures, and the findings.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
    """
    rows = [_HEADS, *(_cells(name, numbers) for name, numbers in report.measures.items())]
    parts = [report.verdict, "", *_table(rows)]
    if report.findings:
        parts += ["", "Findings, the worst first:"]
        for i, finding in enumerate(report.findings, start=1):
            parts.append(f"{i:3}. {finding.statement}")
            if finding.advice:
                parts.append(f"     {finding.advice}")
    return "\n".join(parts)


def _cells(name: str, numbers: PoseMeasures) -> tuple[str, ...]:
    return (
        name.replace("_", " "),
        f"{numbers.stretch:.2f}",
        f"{numbers.squeeze:.2f}",
        f"{numbers.girth_low:.2f} to {numbers.girth_high:.2f}",
        f"{100.0 * (numbers.volume - 1.0):+.1f} %",
        str(numbers.folds),
        "-" if numbers.contacts is None else str(numbers.contacts),
        f"{numbers.kink:.2f}",
        "-" if numbers.shape_error is None else f"{100.0 * numbers.shape_error:.1f} %",
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
