"""Rows of a comparison, and the sentences that follow from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ribbonsim.bendcheck.figures import figure, figures, size_figure

EXCUSED = (
    "A figure beyond its limit that has no such mark is what an exact ribbon does in that pose too."
)
Better = Literal["high", "low"]

# Differences below this share of the way from right to the limit are not worth a sentence.
_SMALL = 0.1

# What the best does: of one layout, of several, and the rest of the words.
_LEAST = {
    "pinch": ("pinches", "pinch", "least"),
    "bulge": ("bulges", "bulge", "least"),
    "stretch": ("stretches", "stretch", "the skin least"),
    "squeeze": ("squeezes", "squeeze", "the skin least"),
    "volume": ("changes", "change", "the volume least"),
    "off": ("leaves", "leave", "the ribbon least"),
    "tear": ("tears", "tear", "the skin open least"),
    "fold": ("turns", "turn", "over the fewest triangles"),
    "contact": ("cuts", "cut", "through the skin least"),
    "kink": ("kinks", "kink", "least"),
    "shape": ("comes", "come", "closest to the shapes asked for"),
    "bleed": ("bleeds", "bleed", "least"),
    "asymmetry": ("treats", "treat", "left and right most alike"),
    "roughness": ("has", "have", "the smoothest weights"),
}
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
            "eleven", "twelve")  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One measure over all layouts.

    Parameters
    ----------
    key : str
        The kind of finding it belongs to, or ``findings``, ``roughness``.
    better : {"high", "low"}
        Of a change, ``low`` means near to nothing.
    texts : tuple of str
        The values as they are shown.
    places : tuple of str
        Where each layout is at its worst; may be empty.
    best, worst : tuple of int
        Layouts, from 0; those that show the same value share it. Both are empty if all do.
    broken : tuple of int
        Layouts that break the limit as a check counts it: against what an exact ribbon does.
    """

    key: str
    title: str
    better: Better
    limit: float | None
    values: tuple[float | None, ...]
    texts: tuple[str, ...]
    places: tuple[str, ...]
    best: tuple[int, ...]
    worst: tuple[int, ...]
    broken: tuple[int, ...]

    @classmethod
    def of(
        cls,
        key: str,
        title: str,
        better: Better,
        limit: float | None,
        values: Sequence[float | None],
        places: Sequence[str],
        broken: Sequence[int] | None = None,
    ) -> Row:
        """Make a row and find who is best and who is worst.

        Who breaks the limit is seen from the values if it is left out.
        """
        beyond = tuple(
            i
            for i, v in enumerate(values)
            if v is not None and limit is not None and not _keeps(better, v, limit)
        )
        texts = tuple(
            # what is beyond the limit must not read like the limit
            figures(key, v, limit)[0]
            if i in beyond and v is not None and limit is not None
            else figure(key, v)
            for i, v in enumerate(values)
        )
        goodness = {i: _goodness(better, v) for i, v in enumerate(values) if v is not None}
        best: tuple[int, ...] = ()
        worst: tuple[int, ...] = ()
        if goodness:
            # a change counts alike in both directions
            shown = [text.lstrip("+\N{MINUS SIGN}") for text in texts]
            first = shown[max(goodness, key=lambda i: goodness[i])]
            last = shown[min(goodness, key=lambda i: goodness[i])]
            if first != last:
                best = tuple(i for i in goodness if shown[i] == first)
                worst = tuple(i for i in goodness if shown[i] == last)
        over = beyond if broken is None else tuple(broken)
        held = tuple(values), texts, tuple(places)
        return cls(key, title, better, limit, *held, best, worst, over)

    @property
    def limit_text(self) -> str:
        """The limit as it is shown; empty without one."""
        if self.limit is None:
            return ""
        return size_figure(self.key, self.limit)

    def holds(self, layout: int) -> bool:
        """Whether a layout keeps the limit, as a check counts it."""
        return layout not in self.broken

    def excuses(self, layout: int) -> bool:
        """Whether a layout is beyond the plain limit where an exact ribbon is too."""
        value = self.values[layout]
        if self.limit is None or value is None or not self.holds(layout):
            return False
        return not _keeps(self.better, value, self.limit)

    @property
    def weight(self) -> float:
        """Best against worst, in shares of the way from right to the limit."""
        known = [v for v in self.values if v is not None]
        if not known:
            return 0.0
        right = 1.0 if self.key in ("pinch", "bulge", "stretch", "squeeze", "kink") else 0.0
        away = [abs(v - right) for v in known]
        if self.limit is None:
            return (max(away) - min(away)) / max(max(away), 1e-12)
        return (max(away) - min(away)) / max(abs(self.limit - right), 1e-2)

    def to_dict(self, letters: Sequence[str]) -> dict[str, object]:
        """Return plain numbers and words, layouts by their letters."""
        return {
            "measure": self.key,
            "title": self.title,
            "better": self.better,
            "limit": self.limit,
            "values": dict(zip(letters, self.values, strict=True)),
            "places": dict(zip(letters, self.places, strict=True)),
            "best": [letters[i] for i in self.best],
            "worst": [letters[i] for i in self.worst],
            "broken": [letters[i] for i in self.broken],
        }


def _keeps(better: Better, value: float, limit: float) -> bool:
    return value >= limit if better == "high" else abs(value) <= limit


def _goodness(better: Better, value: float) -> float:
    return value if better == "high" else -abs(value)


def comparison_text(
    rows: Sequence[Row], names: Sequence[str], differences: Sequence[str], notes: Sequence[str]
) -> str:
    """Layouts by letter, a table with the best ``*``, the worst ``!`` and limits broken ``x``."""
    letters = [chr(ord("A") + i) for i in range(len(names))]
    lines = [f"{letter}  {name}" for letter, name in zip(letters, names, strict=True)]
    marks = [
        ["*" if i in row.best else "!" if i in row.worst else " " for i in range(len(names))]
        for row in rows
    ]
    table = [["", *(f"{letter}  " for letter in letters), "limit"]]
    for row, signs in zip(rows, marks, strict=True):
        cells = [
            f"{text}{sign}{' ' if row.holds(i) else 'x'}"
            for i, (text, sign) in enumerate(zip(row.texts, signs, strict=True))
        ]
        table.append([row.title, *cells, row.limit_text])
    widths = [max(len(line[k]) for line in table) for k in range(len(table[0]))]
    lines.append("")
    for line in table:
        shown = [line[0].ljust(widths[0])]
        shown += [cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True)]
        lines.append("  ".join(shown).rstrip())
    legend = ["* is best, ! is worst, x breaks the limit."]
    if any(row.excuses(i) for row in rows for i in range(len(names))):
        legend.append(EXCUSED)
    return "\n".join([*lines, "", *legend, "", *notes, *differences])


# -- sentences -----------------------------------------------------------------------------------


def differences_of(
    rows: Sequence[Row], labels: Sequence[str], controls: Sequence[int], stations: Sequence[int]
) -> list[str]:
    """Say in sentences what sets layouts apart, the weightiest first."""
    costs = _Costs(labels, controls, stations)
    sentences = [_limits_sentence(rows, labels)]
    apart = [row for row in rows if row.key != "findings" and row.best and row.weight >= _SMALL]
    for row in sorted(apart, key=lambda row: -row.weight):
        sentences.append(_row_sentence(row, labels, costs))
    sentences += _nowhere_better(rows, labels, costs)
    if not apart:
        sentences.append("No measure differs by more than a tenth of the way to its limit.")
    return [sentence for sentence in sentences if sentence]


def _limits_sentence(rows: Sequence[Row], labels: Sequence[str]) -> str:
    counts = next(row.values for row in rows if row.key == "findings")
    if not any(counts):
        return f"{'Both' if len(labels) == 2 else 'All'} layouts keep all limits."
    groups: dict[int, list[str]] = {}
    for label, count in zip(labels, counts, strict=True):
        groups.setdefault(int(count or 0), []).append(label)
    parts = [
        f"{_joined(group)} {'breaks' if len(group) == 1 else 'break'} {_limits(count)}"
        f"{' each' if len(group) > 1 and count else ''}"
        for count, group in sorted(groups.items())
    ]
    return "; ".join(parts) + "."


def _limits(count: int) -> str:
    return "no limit" if count == 0 else f"{_number(count)} {'limit' if count == 1 else 'limits'}"


def _row_sentence(row: Row, labels: Sequence[str], costs: _Costs) -> str:
    last = row.worst[0]
    where = f", {row.places[last]}" if row.places[last] else ""
    against = f"{row.texts[last]} for {_joined([labels[i] for i in row.worst])}{where}"
    first = row.best[0]
    one, many, rest = _LEAST[row.key]
    verb = one if len(row.best) == 1 else many
    winners = _joined([labels[i] for i in row.best])
    text = f"{winners} {verb} {rest}: {row.texts[first]} against {against}"
    if len(row.best) > 1:
        return f"{text}."
    between = _second(row, first)
    if between is not None and between not in row.worst:
        text += (
            f"{',' if where else ''} and {row.texts[between]} for {labels[between]}, the next best"
        )
    clauses = []
    rivals = [i for i in range(len(labels)) if i != first]
    if row.limit is not None and row.holds(first) and not any(row.holds(i) for i in rivals):
        alone = "keeps" if len(rivals) == 1 else "alone keeps"
        clauses.append(f"it {alone} the limit of {row.limit_text}")
    cost = costs.against(first, last if between is None else between)
    if cost:
        clauses.append(cost)
    return "; ".join([text, ", ".join(clauses)] if clauses else [text]) + "."


def _second(row: Row, first: int) -> int | None:
    """The next best layout after the first."""
    known = {i: v for i, v in enumerate(row.values) if v is not None and i != first}
    return max(known, key=lambda i: _goodness(row.better, known[i]), default=None)


def _nowhere_better(rows: Sequence[Row], labels: Sequence[str], costs: _Costs) -> list[str]:
    """Layouts that another one equals or beats throughout, at no higher cost."""
    sentences = []
    for i, label in enumerate(labels):
        for j, other in enumerate(labels):
            if i != j and costs.no_dearer(j, i) and _beats(rows, j, i):
                more = costs.phrase(i, j)
                tail = f", and needs {more}" if more else ""
                sentences.append(f"{label} is nowhere better than {other}{tail}.")
                break
    return sentences


def _beats(rows: Sequence[Row], one: int, other: int) -> bool:
    better = False
    for row in rows:
        a, b = row.values[one], row.values[other]
        if a is None or b is None or row.texts[one] == row.texts[other]:
            continue
        if _goodness(row.better, a) < _goodness(row.better, b):
            return False
        better = True
    return better


class _Costs:
    """What one layout needs more or fewer of than another."""

    def __init__(
        self, labels: Sequence[str], controls: Sequence[int], stations: Sequence[int]
    ) -> None:
        self._labels, self._counts = labels, {"control": controls, "station": stations}

    def no_dearer(self, one: int, other: int) -> bool:
        return all(counts[one] <= counts[other] for counts in self._counts.values())

    def phrase(self, one: int, other: int) -> str:
        """As ``two controls more``; empty if they need the same."""
        more: list[str] = []
        fewer: list[str] = []
        for noun, counts in self._counts.items():
            apart = counts[one] - counts[other]
            if apart:
                words = f"{_number(abs(apart))} {noun}{'' if abs(apart) == 1 else 's'}"
                (more if apart > 0 else fewer).append(words)
        parts = [f"{' and '.join(more)} more"] if more else []
        parts += [f"{' and '.join(fewer)} fewer"] if fewer else []
        return " and ".join(parts)

    def against(self, one: int, other: int) -> str:
        """As ``but it needs two controls more than A``."""
        words = self.phrase(one, other)
        if not words:
            return ""
        joint = "but" if " more" in words else "and"
        return f"{joint} it needs {words} than {self._labels[other]}"


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def _joined(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
