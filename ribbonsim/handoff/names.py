"""Names that every format can hold: safe, unique, in the letters they were given in."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable


def safe_name(name: str) -> str:
    """Make a name that formats with strict rules can hold.

    Letters, digits and marks of any script stay; everything else becomes ``_``, and a name
    that does not begin with a letter gets a ``_`` in front.

    References
    ----------
    Unicode Standard Annex 31, "Unicode Identifiers and Syntax": ``XID_Start`` and
    ``XID_Continue``, which USD's prim names follow too.

    Examples
    --------
    >>> safe_name("left barbel.joint1"), safe_name("угорь"), safe_name("3 fins")
    ('left_barbel_joint1', 'угорь', '_3_fins')
    """
    composed = unicodedata.normalize("NFC", name)
    kept = "".join(letter if f"_{letter}".isidentifier() else "_" for letter in composed)
    return kept if kept.isidentifier() else f"_{kept}"


def unique_names(names: Iterable[str], taken: Iterable[str] = ()) -> list[str]:
    """Make names safe and different from each other and from those taken, whatever their case.

    The first to ask for a name has it; those after it are numbered from 2.
    """
    used = {_folded(name) for name in taken}
    found = []
    for wanted in names:
        stem = name = safe_name(wanted)
        number = 2
        while _folded(name) in used:
            name, number = f"{stem}_{number}", number + 1
        used.add(_folded(name))
        found.append(name)
    return found


def _folded(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()
