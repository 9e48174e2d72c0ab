"""Names as the panel shows them."""

from __future__ import annotations


def short(name: str, longest: int = 26) -> str:
    """A name, cut where it would not fit."""
    return name if len(name) <= longest else f"{name[: longest - 1]}…"
