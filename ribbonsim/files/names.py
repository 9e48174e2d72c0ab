"""Names that files can have, and cells of tables that nothing takes for a formula."""

from __future__ import annotations

import re
from collections.abc import Iterable


def cell(value: object) -> object:
    """A cell of a CSV file; a text that a spreadsheet would take for a formula is quoted."""
    live = isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r"))
    return f"'{value}" if live else value


_LONGEST = 64
_LEAST_LEAD = 16


def file_names(stems: Iterable[str], ending: str = ".png", lead: str = "") -> list[str]:
    """Turn names into file names that never meet, whatever they hold.

    Parameters
    ----------
    stems : iterable of str
        What a file's name cannot hold becomes ``_``.
    lead : str
        Stands before each stem, with ``_`` between. If both are too long, it is cut and the
        stem kept.
    """
    found: list[str] = []
    taken: set[str] = set()
    for stem in stems:
        plain = _plain(stem, _LONGEST)
        if lead:
            plain = f"{_plain(lead, max(_LEAST_LEAD, _LONGEST - 1 - len(plain)))}_{plain}"
        name, count = f"{plain}{ending}", 2
        while name.casefold() in taken:
            name, count = f"{plain}_{count}{ending}", count + 1
        taken.add(name.casefold())
        found.append(name)
    return found


def _plain(text: str, longest: int) -> str:
    """What a file's name can hold of a text; the middle is cut, as ends tell names apart."""
    plain = re.sub(r"[^\w.-]+", "_", text).lstrip(".") or "_"
    if len(plain) <= longest:
        return plain
    return plain[: longest - longest // 2] + plain[-(longest // 2) :]
