"""The text of an OBJ file taken apart into statements, and the lists that statements fill."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np

from ribbonsim.arrays import Array, Bytes, Ints
from ribbonsim.mesh.contents import DEFAULT_NAME

LARGEST_INDEX = 1 << 40
_CHUNK_BYTES = 4 << 20
_MOST_DIGITS = 400

# The literal first, so that the search runs from one "#" to the next.
_COMMENT = re.compile(rb"#(?<=[ \t\n]#)[^\n]*")
_CONTINUED = re.compile(rb"^(?:[^\n]*\\[ \t]*\n)+[^\n]*\n?", re.MULTILINE)
_CONTINUATION = re.compile(rb"\\[ \t]*\n")
NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
NOT_FINITE = re.compile(
    rb"[+-]?(?:nan|inf|infinity)(?:\([^)]*\))?|[+-]?1\.#(?:ind|inf|[qs]nan)\d*", re.IGNORECASE
)
# Some runtimes print what is not a number as 1.#IND, 1.#INF or 1.#QNAN.
GLUED_COMMENT = re.compile(rb"#(?!ind|inf|[qs]nan).*", re.IGNORECASE)
CORNER = re.compile(rb"([+-]?\d+)(?:/([+-]?\d+)?(?:/([+-]?\d+)?)?)?")

_SPACE = np.zeros(256, dtype=bool)
_SPACE[list(b" \t\n\r\v\f")] = True
_DIGIT = np.zeros(256, dtype=bool)
_DIGIT[list(b"0123456789")] = True
_SIGN = np.zeros(256, dtype=bool)
_SIGN[list(b"+-")] = True
_SLASH = ord("/")

VERTEX, TEXCOORD, NORMAL, FACE, OTHER = range(1, 6)
# By the manual no material is white, and smoothing is off until it is turned on.
NO_MATERIAL, NO_SMOOTHING = "", "off"
_KEYWORDS = {VERTEX: b"v", TEXCOORD: b"vt", NORMAL: b"vn", FACE: b"f"}


def chunks(stream: BinaryIO) -> Iterator[bytes]:
    """Give the file in pieces of whole statements, with line ends made alike."""
    first = True
    while chunk := stream.read(_CHUNK_BYTES):
        chunk += stream.readline()
        while chunk.rstrip(b"\r\n \t").endswith(b"\\"):
            more = stream.read(_CHUNK_BYTES) + stream.readline()
            if not more:
                break
            chunk += more
        if first:
            chunk = chunk.removeprefix(b"\xef\xbb\xbf")
            first = False
        if b"\r" in chunk:
            chunk = chunk.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        yield chunk


def one_statement_a_line(chunk: bytes) -> bytes:
    """Drop comments and join continued lines; the number of line ends stays the same."""
    # Comments go first: a Windows path in one may end in a backslash.
    if b"#" in chunk:
        chunk = _COMMENT.sub(b"", b"\n" + chunk)[1:]
    if b"\\" in chunk and _CONTINUATION.search(chunk):
        chunk = _CONTINUED.sub(_joined, chunk)
    return chunk if chunk.endswith(b"\n") else chunk + b"\n"


def _joined(match: re.Match[bytes]) -> bytes:
    text = _CONTINUATION.sub(b" ", match[0])
    return text.rstrip(b"\n") + b"\n" * match[0].count(b"\n")


@dataclass(frozen=True, eq=False)
class Statements:
    """One chunk, taken apart into statements; line numbers here count from 0 in the chunk."""

    text: Bytes
    line_starts: Ints
    line_lengths: Ints
    tokens: Ints
    first_token: Ints
    token_counts: Ints
    kinds: Bytes

    @classmethod
    def of(cls, chunk: bytes) -> Statements:
        """Take a chunk apart that holds one statement a line."""
        text = np.frombuffer(chunk, dtype=np.uint8)
        solid = ~_SPACE[text]
        begins = solid.copy()
        begins[1:] &= ~solid[:-1]
        tokens = np.flatnonzero(begins)
        ends = np.flatnonzero(text == ord("\n"))
        line_starts = np.concatenate(([0], ends[:-1] + 1))
        first_token = np.searchsorted(tokens, line_starts)
        counts = np.diff(np.append(first_token, len(tokens)))
        kinds = np.zeros(len(ends), dtype=np.uint8)
        filled = np.flatnonzero(counts)
        at = tokens[first_token[filled]]
        # A chunk ends in a line end, so one byte after a token always exists; a second may not.
        one, two = text[at], text[at + 1]
        three = text[np.minimum(at + 2, len(text) - 1)]
        short, longer = _SPACE[two], _SPACE[three]
        kind = np.full(len(at), OTHER, dtype=np.uint8)
        kind[(one == ord("v")) & short] = VERTEX
        kind[(one == ord("f")) & short] = FACE
        kind[(one == ord("v")) & (two == ord("t")) & longer] = TEXCOORD
        kind[(one == ord("v")) & (two == ord("n")) & longer] = NORMAL
        kinds[filled] = kind
        return cls(text, line_starts, ends + 1 - line_starts, tokens, first_token, counts, kinds)

    def lines_of(self, kind: int) -> Ints:
        """Numbers of the lines with statements of one kind."""
        return np.flatnonzero(self.kinds == kind)

    def line(self, number: int) -> bytes:
        """The text of one line."""
        start = self.line_starts[number]
        return self.text[start : start + self.line_lengths[number]].tobytes()

    def arguments(self, kind: int, lines: Ints) -> Bytes:
        """Bytes of the lines of one kind, with the keywords blanked."""
        text = self.text.copy()
        keywords = self.tokens[self.first_token[lines]]
        for i in range(len(_KEYWORDS[kind])):
            text[keywords + i] = ord(" ")
        if len(lines) == len(self.kinds):
            return text
        return text[np.repeat(self.kinds == kind, self.line_lengths)]


def whole_number(digits: bytes) -> int:
    """A whole number; one with more digits than an index can have is too large in any case."""
    return int(digits) if len(digits) <= _MOST_DIGITS else LARGEST_INDEX + 1


def plain_faces(statements: Statements, lines: Ints) -> tuple[list[Ints], Ints] | None:
    """Read plain faces all at once.

    Returns the vertex, texture and normal index of every corner as written (0 for none) and the
    number of corners of each face; None if anything in the lines is out of the ordinary.
    """
    text = statements.arguments(FACE, lines)
    slash = text == _SLASH
    solid = ~_SPACE[text]
    digit, sign = _DIGIT[text], _SIGN[text]
    numeric = digit | sign
    if (solid & ~slash & ~numeric).any():
        return None
    begins = numeric.copy()
    begins[1:] &= ~numeric[:-1]
    signs = np.flatnonzero(sign)
    if not (begins[signs].all() and digit[signs + 1].all()):
        return None
    corner_begins = solid
    corner_begins[1:] &= _SPACE[text[:-1]]
    at_number, at_corner = np.flatnonzero(begins), np.flatnonzero(corner_begins)
    if not len(at_corner) or slash[at_corner].any():
        return None
    corner = np.searchsorted(at_corner, at_number, side="right") - 1
    slashes = np.cumsum(slash, dtype=np.int32)
    place = slashes[at_number] - slashes[at_corner][corner]
    if slash.any():
        text[slash] = ord(" ")
    numbers = np.fromstring(text.tobytes(), dtype=np.int64, sep=" ")
    last = np.append(at_corner[1:], len(text)) - 1
    # Beyond 64 bits numpy clips: what is so large is looked at by the letter.
    if len(numbers) and not (np.abs(numbers) <= LARGEST_INDEX).all():
        return None
    if len(numbers) != len(at_number) or (numbers == 0).any():
        return None
    if (slashes[last] - slashes[at_corner] > 2).any():
        return None
    fields = []
    for i in range(3):
        here = place == i
        index = np.zeros(len(at_corner), dtype=np.int64)
        index[corner[here]] = numbers[here]
        fields.append(index)
    return fields, statements.token_counts[lines] - 1


@dataclass
class NumberList:
    """A growing list of `v`, `vt` or `vn` statements."""

    values: list[Array] = field(default_factory=list)
    lines: list[Ints] = field(default_factory=list)
    count: int = 0

    def add(self, values: Array, lines: Ints) -> None:
        """Append values and the lines they stand on."""
        self.values.append(values)
        self.lines.append(lines)
        self.count += len(values)

    def array(self) -> Array | None:
        """All values; None if there are none."""
        return np.concatenate(self.values) if self.count else None

    def line_numbers(self) -> Ints:
        """Line of each value."""
        return np.concatenate(self.lines) if self.count else np.empty(0, dtype=np.int64)


@dataclass
class NameList:
    """Names in force from statement to statement, and the index each polygon got."""

    index: dict[str, int] = field(default_factory=dict)
    current: str = DEFAULT_NAME
    polygons: list[Ints] = field(default_factory=list)

    def assign(self, changes: list[tuple[int, str]], face_lines: Ints) -> None:
        """Give each face the name in force at its line; changes are (line, name) in order."""
        starts = [-1] + [line for line, _ in changes]
        names = [self.current] + [name for _, name in changes]
        which = np.searchsorted(starts, face_lines, side="right") - 1
        used, inverse = np.unique(which, return_inverse=True)
        numbers = [self.index.setdefault(names[i], len(self.index)) for i in used.tolist()]
        self.polygons.append(np.array(numbers, dtype=np.int64)[inverse.reshape(-1)])
        self.current = names[-1]
