"""What reaches the terminal: nothing in a name acts on it, and what it cannot show is spelled out.

References
----------
Unicode Standard Annex #9, section 2 (characters that turn the direction of text); ECMA-48
(control functions).
"""

from __future__ import annotations

import codecs
import contextlib
import json
import os
import sys
import unicodedata
from typing import Any

import click

_LAYOUT = "\n\t"
_PLAIN = {
    **{"−": "-", "–": "-", "—": "-", "×": "x", "→": "->", "≤": "<=", "≥": ">="},
    **{"…": "...", "°": " degrees", "±": "+-", "’": "'", "“": '"', "”": '"'},
}
_ERRORS = "ribbonsim.plain"


def harmless(text: str) -> str:
    r"""Show control characters and those that turn text about as ``\x1b`` or ``\u202e``."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_spelled(sign) if _acts(sign) else sign for sign in text)


def _acts(sign: str) -> bool:
    return sign not in _LAYOUT and unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp")


def _spelled(sign: str) -> str:
    number = ord(sign)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}"


def say(text: str, err: bool = False) -> None:
    """Print; a standard error that nobody can take stops no work."""
    if err:
        with contextlib.suppress(OSError, ValueError):
            click.echo(harmless(text), err=True)
        return
    click.echo(harmless(text))


def say_json(value: Any) -> None:
    """Print as JSON, which spells such characters its own way."""
    text = json.dumps(value, indent=2, ensure_ascii=False)
    if harmless(text) != text:
        text = json.dumps(value, indent=2)
    click.echo(text)


def open_streams() -> None:
    """See that there are three standard streams, and that none fails at a character.

    A stream that was closed leads nowhere; otherwise the next file that is opened would get its
    number, and what libraries print would end up in it.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    codecs.register_error(_ERRORS, _replaced)
    for name in ("stdout", "stderr"):
        stream: Any = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=_ERRORS)


def flush_output() -> None:
    """Hand over what was printed; if nobody takes it, nothing complains of that at the end."""
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        _close_output()
        raise


def _close_output() -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _replaced(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    words = (_PLAIN.get(sign, sign) for sign in signs)
    plain = "".join(word if word.isascii() else _spelled_all(word) for word in words)
    return plain, error.end


def _spelled_all(word: str) -> str:
    return word.encode("ascii", "backslashreplace").decode("ascii")
