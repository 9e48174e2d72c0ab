"""Wavefront OBJ, read and written with polygons and vertex order as they stand in the file.

General mesh loaders split vertices where texture or normal indices differ; a rig needs the
vertices the file has. Here positions, texture coordinates and normals keep their own lists, and
every corner of a polygon holds an index into each.

Polygons, texture coordinates, normals, vertex colours, groups and objects are read; names of
materials and smoothing groups are kept to be written again. Lines, points and free-form curves
and surfaces are not read.

References
----------
Wavefront Technologies, *Advanced Visualizer Manual*, Appendix B1, "Object Files (.obj)".
"""

import contextlib
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
from numpy.typing import NDArray

from ribbonsim.contents import DEFAULT_NAME, LARGEST_COORDINATE, MeshContents, Shading
from ribbonsim.errors import RibbonsimError
from ribbonsim.files import write_file

if TYPE_CHECKING:
    from ribbonsim.mesh import CreatureMesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Mask = NDArray[np.bool_]

_LARGEST_INDEX = 1 << 40

_CHUNK_BYTES = 4 << 20
_WRITE_ROWS = 50_000

# The literal first, so that the search runs from one "#" to the next.
_COMMENT = re.compile(rb"#(?<=[ \t\n]#)[^\n]*")
_CONTINUED = re.compile(rb"^(?:[^\n]*\\[ \t]*\n)+[^\n]*\n?", re.MULTILINE)
_CONTINUATION = re.compile(rb"\\[ \t]*\n")
_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_NOT_FINITE = re.compile(
    rb"[+-]?(?:nan|inf|infinity)(?:\([^)]*\))?|[+-]?1\.#(?:ind|inf|[qs]nan)\d*", re.IGNORECASE
)
# Some runtimes print what is not a number as 1.#IND, 1.#INF or 1.#QNAN.
_GLUED_COMMENT = re.compile(rb"#(?!ind|inf|[qs]nan).*", re.IGNORECASE)
_CORNER = re.compile(rb"([+-]?\d+)(?:/([+-]?\d+)?(?:/([+-]?\d+)?)?)?")

_SPACE = np.zeros(256, dtype=bool)
_SPACE[list(b" \t\n\r\v\f")] = True
_DIGIT = np.zeros(256, dtype=bool)
_DIGIT[list(b"0123456789")] = True
_SIGN = np.zeros(256, dtype=bool)
_SIGN[list(b"+-")] = True
_SLASH = ord("/")

_VERTEX, _TEXCOORD, _NORMAL, _FACE, _OTHER = range(1, 6)
_KEYWORDS = {_VERTEX: b"v", _TEXCOORD: b"vt", _NORMAL: b"vn", _FACE: b"f"}
_LIST_NAMES = ("vertex", "texture coordinate", "normal")
_FREE_FORM = {b"curv", b"curv2", b"surf"}
# By the manual no material is white, and smoothing is off until it is turned on.
_NO_MATERIAL, _NO_SMOOTHING = "", "off"


def read_obj(path: str | os.PathLike[str]) -> MeshContents:
    """Read an OBJ file.

    Parameters
    ----------
    path : path
        The file.

    Returns
    -------
    MeshContents

    Raises
    ------
    RibbonsimError
        If the file cannot be opened, is not text, is empty or cut short, has no faces, or holds a
        number or an index that cannot be meant; the sentence names the line.
    """
    path = Path(path)
    reader = _Reader(str(path))
    try:
        with path.open("rb") as stream:
            for chunk in _chunks(stream):
                reader.read(chunk)
    except FileNotFoundError:
        raise RibbonsimError(f"{path}: there is no such file; check the path.") from None
    except IsADirectoryError:
        raise RibbonsimError(f"{path}: this is a folder; name an OBJ file in it.") from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise RibbonsimError(
            f"{path}: the file cannot be read ({reason}); check its permissions."
        ) from None
    return reader.finish()


def _chunks(stream: BinaryIO) -> Iterator[bytes]:
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


def _one_statement_a_line(chunk: bytes) -> bytes:
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


@dataclass
class _Numbers:
    """A growing list of `v`, `vt` or `vn` statements."""

    values: list[Floats] = field(default_factory=list)
    lines: list[Ints] = field(default_factory=list)
    count: int = 0

    def add(self, values: Floats, lines: Ints) -> None:
        self.values.append(values)
        self.lines.append(lines)
        self.count += len(values)

    def array(self) -> Floats | None:
        return np.concatenate(self.values) if self.count else None

    def line_numbers(self) -> Ints:
        return np.concatenate(self.lines) if self.count else np.empty(0, dtype=np.int64)


@dataclass
class _Names:
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


@dataclass(frozen=True, eq=False)
class _Statements:
    """One chunk, taken apart into statements; line numbers here count from 0 in the chunk."""

    text: Bytes
    line_starts: Ints
    line_lengths: Ints
    tokens: Ints
    first_token: Ints
    token_counts: Ints
    kinds: NDArray[np.uint8]

    @classmethod
    def of(cls, chunk: bytes) -> "_Statements":
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
        kind = np.full(len(at), _OTHER, dtype=np.uint8)
        kind[(one == ord("v")) & short] = _VERTEX
        kind[(one == ord("f")) & short] = _FACE
        kind[(one == ord("v")) & (two == ord("t")) & longer] = _TEXCOORD
        kind[(one == ord("v")) & (two == ord("n")) & longer] = _NORMAL
        kinds[filled] = kind
        return cls(text, line_starts, ends + 1 - line_starts, tokens, first_token, counts, kinds)

    def lines_of(self, kind: int) -> Ints:
        return np.flatnonzero(self.kinds == kind)

    def line(self, number: int) -> bytes:
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


class _Reader:
    """Takes the statements of a file chunk by chunk; lists grow, nothing is kept as text."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.positions = _Numbers()
        self.colours: list[Floats] = []
        self.coloured = 0
        self.texcoords = _Numbers()
        self.normals = _Numbers()
        self.corners: tuple[list[Ints], list[Ints], list[Ints]] = ([], [], [])
        self.sizes: list[Ints] = []
        self.polygon_lines: list[Ints] = []
        self.groups = _Names()
        self.objects = _Names()
        self.materials = _Names(current=_NO_MATERIAL)
        self.smoothing = _Names(current=_NO_SMOOTHING)
        self.libraries: list[str] = []
        self.free_form: list[int] = []
        self.odd: dict[str, list[int]] = {}
        self.lines_done = 0
        self.bytes_done = 0
        self.ends_cleanly = True

    def read(self, chunk: bytes) -> None:
        """Take in whole lines."""
        if b"\0" in chunk:
            line = self.lines_done + chunk[: chunk.index(b"\0")].count(b"\n") + 1
            raise self._error(
                line, "the file is binary or not in UTF-8", "export the mesh as a text OBJ"
            )
        self.bytes_done += len(chunk)
        self.ends_cleanly = chunk.endswith(b"\n")
        statements = _Statements.of(_one_statement_a_line(chunk))
        vertices_before = self.positions.count, self.texcoords.count, self.normals.count
        self._read_vertices(statements)
        for kind, store, wanted in ((_TEXCOORD, self.texcoords, 2), (_NORMAL, self.normals, 3)):
            self._read_vectors(statements, kind, store, wanted)
        self._read_names(statements, self._read_faces(statements, vertices_before))
        self.lines_done += len(statements.kinds)

    def _error(self, line: int, what: str, remedy: str, unfinished: bool = False) -> RibbonsimError:
        if unfinished:
            what += ", and the file ends there without a line end: it seems cut short"
            remedy = "export or copy it again"
        return RibbonsimError(f"{self.source}, line {line}: {what}; {remedy}.")

    def _unfinished(self, statements: _Statements, line: int) -> bool:
        """Tell whether a line is the last of a file that breaks off within it."""
        return not self.ends_cleanly and line >= int(np.flatnonzero(statements.kinds)[-1])

    def _values(self, statements: _Statements, kind: int, lines: Ints) -> tuple[Floats, Ints]:
        """All numbers of the lines of one kind, and where each line begins among them."""
        counts = statements.token_counts[lines] - 1
        starts = np.concatenate(([0], np.cumsum(counts)))
        total = int(starts[-1])
        # Text without a number reads as -1 in numpy, so it is not asked.
        if total:
            with contextlib.suppress(ValueError, DeprecationWarning):
                values = np.fromstring(statements.arguments(kind, lines).tobytes(), sep=" ")
                if len(values) == total:
                    return values, starts
        return self._values_one_by_one(statements, lines)

    def _values_one_by_one(self, statements: _Statements, lines: Ints) -> tuple[Floats, Ints]:
        values: list[float] = []
        starts = [0]
        for line in lines.tolist():
            for word in _GLUED_COMMENT.sub(b"", statements.line(line)).split()[1:]:
                if _NUMBER.fullmatch(word):
                    values.append(float(word))
                elif _NOT_FINITE.fullmatch(word):
                    values.append(float("nan"))
                else:
                    raise self._error(
                        self.lines_done + line + 1,
                        f"{_shown(word)} is not a number",
                        "correct it or export the mesh again",
                        self._unfinished(statements, line),
                    )
            starts.append(len(values))
        return np.array(values, dtype=np.float64), np.array(starts, dtype=np.int64)

    def _read_vertices(self, statements: _Statements) -> None:
        lines = statements.lines_of(_VERTEX)
        if not len(lines):
            return
        values, starts = self._values(statements, _VERTEX, lines)
        counts = np.diff(starts)
        self._check_counts(statements, lines, counts, 3, "vertex")
        positions = values[starts[:-1, None] + np.arange(3)]
        self._check_positions(lines, positions)
        numbers = self.lines_done + lines + 1
        self.positions.add(positions, numbers)
        # A fourth number alone is a weight for free-form geometry, a seventh an opacity.
        coloured = counts >= 6
        self._note_odd("vertex", numbers[(counts == 5) | (counts > 7)])
        colours = np.full((len(lines) if coloured.any() else 0, 3), np.nan)
        if coloured.any():
            colours[coloured] = values[starts[:-1][coloured, None] + np.arange(3, 6)]
            bad = coloured & ~np.isfinite(colours).all(axis=1)
            if bad.any():
                raise self._error(
                    int(numbers[bad][0]),
                    "the vertex colour is not a finite number",
                    "correct it or export the mesh without vertex colours",
                )
            self.coloured += int(coloured.sum())
        self.colours.append(colours)

    def _read_vectors(
        self, statements: _Statements, kind: int, store: _Numbers, wanted: int
    ) -> None:
        lines = statements.lines_of(kind)
        if not len(lines):
            return
        values, starts = self._values(statements, kind, lines)
        counts = np.diff(starts)
        name = _LIST_NAMES[1] if kind == _TEXCOORD else _LIST_NAMES[2]
        # The specification lets a texture coordinate have one number: the second is then 0.
        self._check_counts(statements, lines, counts, 1 if kind == _TEXCOORD else 3, name)
        places = starts[:-1, None] + np.arange(wanted)
        there = np.arange(wanted) < counts[:, None]
        vectors = np.where(there, values[np.minimum(places, len(values) - 1)], 0.0)
        numbers = self.lines_done + lines + 1
        bad = ~np.isfinite(vectors).all(axis=1)
        vectors[bad] = 0.0
        self._note_odd(name, numbers[bad])
        store.add(vectors, numbers)

    def _check_counts(
        self, statements: _Statements, lines: Ints, counts: Ints, least: int, name: str
    ) -> None:
        short = np.flatnonzero(counts < least)
        if len(short):
            line, count = int(lines[short[0]]), int(counts[short[0]])
            raise self._error(
                self.lines_done + line + 1,
                f"the {name} has {_plural(count, 'number')}, fewer than the {least} needed",
                "correct it or export the mesh again",
                self._unfinished(statements, line),
            )

    def _check_positions(self, lines: Ints, positions: Floats) -> None:
        bad = np.flatnonzero(~(np.abs(positions) <= LARGEST_COORDINATE).all(axis=1))
        if len(bad):
            finite = np.isfinite(positions[bad[0]]).all()
            raise self._error(
                self.lines_done + int(lines[bad[0]]) + 1,
                f"a coordinate of the vertex is larger than {LARGEST_COORDINATE:g}"
                if finite
                else "a coordinate of the vertex is not a finite number",
                "correct it or export the mesh again",
            )

    def _note_odd(self, name: str, numbers: Ints) -> None:
        if len(numbers):
            self.odd.setdefault(name, []).extend(numbers.tolist())

    def _read_faces(self, statements: _Statements, before: tuple[int, int, int]) -> Ints:
        """Read the `f` lines; return them. ``before`` counts the lists ahead of this chunk."""
        lines = statements.lines_of(_FACE)
        if not len(lines):
            return lines
        parsed = _parse_faces(statements, lines)
        fields, sizes = parsed or self._parse_faces_one_by_one(statements, lines)
        few = np.flatnonzero(sizes < 3)
        if len(few):
            line = int(lines[few[0]])
            raise self._error(
                self.lines_done + line + 1,
                f"the face has {_plural(int(sizes[few[0]]), 'corner')}",
                "give it at least three or delete the line",
                self._unfinished(statements, line),
            )
        self._resolve(statements, lines, fields, sizes, before)
        self.sizes.append(sizes)
        self.polygon_lines.append(self.lines_done + lines + 1)
        return lines

    def _resolve(
        self,
        statements: _Statements,
        lines: Ints,
        fields: list[Ints],
        sizes: Ints,
        before: tuple[int, int, int],
    ) -> None:
        """Turn indices as written into indices from 0, -1 where there is none."""
        for i, kind in enumerate((_VERTEX, _TEXCOORD, _NORMAL)):
            if not fields[i].any():
                # A view that takes no room.
                self.corners[i].append(np.broadcast_to(np.int64(-1), fields[i].shape))
                continue
            index = fields[i] - 1
            negative = np.flatnonzero(fields[i] < 0)
            if len(negative):
                # Negative indices count back from the end of the list as read so far.
                so_far = before[i] + np.cumsum(statements.kinds == kind)[lines]
                owner = np.searchsorted(np.cumsum(sizes), negative, side="right")
                index[negative] = so_far[owner] + fields[i][negative]
                early = np.flatnonzero(index[negative] < 0)
                if len(early):
                    raise self._error(
                        self.lines_done + int(lines[owner[early[0]]]) + 1,
                        f"the face counts back to {_LIST_NAMES[i]} {fields[i][negative[early[0]]]} "
                        f"where only {so_far[owner[early[0]]]} stand before it",
                        "correct the index or export the mesh again",
                    )
            self.corners[i].append(index)

    def _parse_faces_one_by_one(
        self, statements: _Statements, lines: Ints
    ) -> tuple[list[Ints], Ints]:
        """Read faces by the letter, to name what is wrong with one or to accept it after all."""
        corners: list[tuple[int, ...]] = []
        sizes = []
        for line in lines.tolist():
            words = _GLUED_COMMENT.sub(b"", statements.line(line)).split()[1:]
            sizes.append(len(words))
            for word in words:
                match = _CORNER.fullmatch(word)
                numbers = [int(part) for part in match.groups() if part] if match else []
                if match is None or 0 in numbers or max(map(abs, numbers)) > _LARGEST_INDEX:
                    raise self._error(
                        self.lines_done + line + 1,
                        f"{_shown(word)} holds the index 0, and OBJ counts from 1"
                        if 0 in numbers
                        else f"{_shown(word)} is not a corner of a face",
                        "correct it or export the mesh again",
                        self._unfinished(statements, line),
                    )
                corners.append(tuple(int(part or 0) for part in match.groups()))
        table = np.array(corners, dtype=np.int64).reshape(-1, 3)
        return [table[:, 0], table[:, 1], table[:, 2]], np.array(sizes, dtype=np.int64)

    def _read_names(self, statements: _Statements, face_lines: Ints) -> None:
        named = {
            b"g": (self.groups, DEFAULT_NAME),
            b"o": (self.objects, DEFAULT_NAME),
            b"usemtl": (self.materials, _NO_MATERIAL),
            b"s": (self.smoothing, _NO_SMOOTHING),
        }
        changes: dict[bytes, list[tuple[int, str]]] = {keyword: [] for keyword in named}
        for line in statements.lines_of(_OTHER).tolist():
            keyword, *words = statements.line(line).split()
            text = _decoded(b" ".join(words))
            if keyword in named:
                if keyword == b"s" and text == "0":  # says the same
                    text = _NO_SMOOTHING
                changes[keyword].append((line, text or named[keyword][1]))
            elif keyword == b"mtllib" and text and text not in self.libraries:
                self.libraries.append(text)
            elif keyword in _FREE_FORM:
                self.free_form.append(self.lines_done + line + 1)
        for keyword, (names, _) in named.items():
            names.assign(changes[keyword], face_lines)

    def finish(self) -> MeshContents:
        """Check what can only be known at the end, and hand over the lists."""
        self._check_something_there()
        sizes = np.concatenate(self.sizes)
        offsets = np.concatenate(([0], np.cumsum(sizes)))
        polygon_lines = np.concatenate(self.polygon_lines)
        corners: list[Ints | None] = []
        stores = (self.positions, self.texcoords, self.normals)
        for i, store in enumerate(stores):
            if i and not store.count and not any(block.strides[0] for block in self.corners[i]):
                corners.append(None)
                continue
            index = np.concatenate(self.corners[i])
            self.corners[i].clear()
            beyond = np.flatnonzero(index >= store.count)
            if len(beyond):
                polygon = int(np.searchsorted(offsets, beyond[0], side="right")) - 1
                has = _plural(store.count, _LIST_NAMES[i], plural=_plural_name(i))
                raise self._error(
                    int(polygon_lines[polygon]),
                    f"the face uses {_LIST_NAMES[i]} {index[beyond[0]] + 1} where the file has "
                    f"{has}",
                    "correct the index, or export the mesh again if the file was cut short",
                )
            corners.append(index)
        notes = self._notes()
        positions = self.positions.array()
        if positions is None or corners[0] is None:
            raise self._error(1, "there is no vertex", "export the mesh again")
        return MeshContents(
            positions=positions,
            colours=self._all_colours(notes),
            texcoords=self.texcoords.array(),
            normals=self.normals.array(),
            offsets=offsets,
            corner_vertices=corners[0],
            corner_texcoords=corners[1],
            corner_normals=corners[2],
            group_names=tuple(self.groups.index),
            polygon_groups=np.concatenate(self.groups.polygons),
            object_names=tuple(self.objects.index),
            polygon_objects=np.concatenate(self.objects.polygons),
            vertex_lines=self.positions.line_numbers(),
            polygon_lines=polygon_lines,
            notes=tuple(notes),
            shading=self._shading(),
        )

    def _shading(self) -> Shading | None:
        materials, smoothing = tuple(self.materials.index), tuple(self.smoothing.index)
        if not self.libraries and materials == (_NO_MATERIAL,) and smoothing == (_NO_SMOOTHING,):
            return None
        return Shading(
            libraries=tuple(self.libraries),
            material_names=materials,
            polygon_materials=np.concatenate(self.materials.polygons),
            smoothing_names=smoothing,
            polygon_smoothing=np.concatenate(self.smoothing.polygons),
        )

    def _check_something_there(self) -> None:
        if self.sizes:
            return
        last = max(self.lines_done, 1)
        if not self.bytes_done:
            raise self._error(1, "the file is empty", "export the mesh again")
        if self.free_form:
            raise self._error(
                self.free_form[0],
                "the file holds free-form curves or surfaces and no polygon faces",
                "turn them into polygons before exporting",
            )
        raise self._error(
            last,
            "the file ends without one face",
            "export a polygon mesh as OBJ, or copy the file again if it was cut short",
        )

    def _all_colours(self, notes: list[str]) -> Floats | None:
        if not self.coloured:
            return None
        # Blocks without a colour were stored empty, to cost nothing in files that have none.
        blocks = [
            block if len(block) else np.full((len(values), 3), np.nan)
            for block, values in zip(self.colours, self.positions.values, strict=True)
        ]
        colours = np.concatenate(blocks)
        if self.coloured < len(colours):
            plain = len(colours) - self.coloured
            notes.append(f"{_plural(plain, 'vertex', 'vertices')} without a colour became white.")
        if np.nanmax(colours) > 1:
            notes.append("Vertex colours were read as 0 to 255.")
            colours /= 255
        return np.clip(np.where(np.isnan(colours), 1.0, colours), 0.0, 1.0)

    def _notes(self) -> list[str]:
        notes = []
        for name, lines in self.odd.items():
            if name == "vertex":
                vertices = _plural(len(lines), "vertex has", "vertices have")
                what = f"{vertices} more numbers than a position and a colour, which were left out"
            else:
                what = f"{_plural(len(lines), name)} without finite numbers became zero"
            notes.append(f"{what} (line {lines[0]}).")
        if self.free_form:
            pieces = _plural(
                len(self.free_form),
                "free-form curve or surface was",
                "free-form curves and surfaces were",
            )
            notes.append(
                f"{pieces} left out, as only polygons are read (line {self.free_form[0]})."
            )
        return notes


def _parse_faces(statements: _Statements, lines: Ints) -> tuple[list[Ints], Ints] | None:
    """Read plain faces all at once.

    Returns the vertex, texture and normal index of every corner as written (0 for none) and the
    number of corners of each face; None if anything in the lines is out of the ordinary.
    """
    text = statements.arguments(_FACE, lines)
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
    if len(numbers) and not (np.abs(numbers) <= _LARGEST_INDEX).all():
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


def _decoded(name: bytes) -> str:
    try:
        return name.decode("utf-8")
    except UnicodeDecodeError:
        return name.decode("latin-1")


def _shown(word: bytes) -> str:
    text = _decoded(word[:40])
    return repr(text + ("…" if len(word) > 40 else ""))


def _plural(count: int, one: str, plural: str = "") -> str:
    return f"{count} {one if count == 1 else plural or one + 's'}"


def _plural_name(i: int) -> str:
    return ("vertices", "texture coordinates", "normals")[i]


def write_obj(
    mesh: "CreatureMesh",
    path: str | os.PathLike[str],
    positions: Floats | None = None,
    force: bool = False,
) -> None:
    """Write a mesh as OBJ, with the polygons and the vertex order it was read with.

    The file appears whole or not at all. Numbers are written so that they read back bit for bit.

    Parameters
    ----------
    mesh : CreatureMesh
        The mesh: polygons, texture coordinates, normals, colours, groups and objects are written,
        and the names of its materials and smoothing groups.
    path : path
        Where to.
    positions : (V, 3) float array, optional
        Positions to write in place of the mesh's own. The mesh's normals are then left out, as
        they belong to its own shape.
    force : bool
        Write over a file that is already there.

    Raises
    ------
    RibbonsimError
        If the file is there already and `force` is not set, if the place cannot be written to, or
        if the positions do not fit the mesh.
    """
    shape = mesh if positions is None else mesh.with_positions(positions)
    text = _obj_text(shape, with_normals=positions is None)
    write_file(path, b"".join(part.encode() for part in text), force)


class PosedObj:
    """A mesh's OBJ text with its vertices elsewhere; all but their lines is made once.

    Parameters
    ----------
    mesh : CreatureMesh
        Its normals are left out, as they belong to its own shape.
    remarks : iterable of str
        Comments for the head of the file, a line each.
    """

    def __init__(self, mesh: "CreatureMesh", remarks: Iterable[str] = ()) -> None:
        self._mesh = mesh
        self._head = "".join([_HEAD, *(f"# {remark}\n" for remark in remarks)])
        self._rest = "".join(_after_vertices(mesh, with_normals=False))

    def text(self, positions: Floats) -> str:
        """Give the whole file.

        Parameters
        ----------
        positions : (V, 3) float array
            Numbers are written so that they read back bit for bit.

        Returns
        -------
        str

        Raises
        ------
        RibbonsimError
            If the positions do not fit the mesh.
        """
        shape = self._mesh.with_positions(positions)
        return "".join([self._head, *_vertices(shape), self._rest])


_HEAD = "# polygon mesh; indices count from 1\n"


def _obj_text(mesh: "CreatureMesh", with_normals: bool) -> Iterator[str]:
    yield _HEAD
    yield from _vertices(mesh)
    yield from _after_vertices(mesh, with_normals)


def _vertices(mesh: "CreatureMesh") -> Iterator[str]:
    vertices = mesh.positions
    if mesh.colours is not None:
        vertices = np.column_stack([vertices, mesh.colours])
    yield from _rows("v", vertices)


def _after_vertices(mesh: "CreatureMesh", with_normals: bool) -> Iterator[str]:
    if mesh.texcoords is not None:
        yield from _rows("vt", mesh.texcoords)
    if with_normals and mesh.normals is not None:
        yield from _rows("vn", mesh.normals)
    normals = mesh.corner_normals if with_normals else None
    first = [
        ("o", mesh.object_names, mesh.polygon_objects),
        ("g", mesh.group_names, mesh.polygon_groups),
    ]
    in_force = {"o": DEFAULT_NAME, "g": DEFAULT_NAME, "usemtl": _NO_MATERIAL, "s": _NO_SMOOTHING}
    shading = mesh.shading
    if shading is not None:
        yield from (f"mtllib {library}\n" for library in shading.libraries)
        first.append(("usemtl", shading.material_names, shading.polygon_materials))
        first.append(("s", shading.smoothing_names, shading.polygon_smoothing))
    for start, stop in _name_runs(*(which for _, _, which in first)):
        for keyword, names, which in first:
            name = names[which[start]]
            if name != in_force[keyword]:
                in_force[keyword] = name
                yield f"{keyword} {name}\n"
        for block in range(start, stop, _WRITE_ROWS):
            yield _face_lines(mesh, normals, block, min(block + _WRITE_ROWS, stop))


def _rows(keyword: str, values: Floats) -> Iterator[str]:
    pattern = keyword + " %r" * values.shape[1] + "\n"
    for start in range(0, len(values), _WRITE_ROWS):
        rows = values[start : start + _WRITE_ROWS]
        yield pattern * len(rows) % tuple(rows.ravel().tolist())


def _name_runs(*labels: Ints) -> Iterable[tuple[int, int]]:
    """Stretches of polygons over which none of the labels changes."""
    changes = np.any([np.diff(label) != 0 for label in labels], axis=0)
    cuts = [0, *(np.flatnonzero(changes) + 1).tolist(), len(labels[0])]
    return pairwise(cuts)


def _face_lines(mesh: "CreatureMesh", normals: Ints | None, start: int, stop: int) -> str:
    offsets = mesh.polygon_offsets[start : stop + 1]
    span = slice(int(offsets[0]), int(offsets[-1]))
    words = [str(index) for index in (mesh.corner_vertices[span] + 1).tolist()]
    if mesh.corner_texcoords is not None or normals is not None:
        none = np.full(len(words), -1, dtype=np.int64)
        texcoords = none if mesh.corner_texcoords is None else mesh.corner_texcoords[span]
        bent = none if normals is None else normals[span]
        words = [
            word
            + (f"/{texture + 1}" if texture >= 0 else "/" if normal >= 0 else "")
            + (f"/{normal + 1}" if normal >= 0 else "")
            for word, texture, normal in zip(words, texcoords.tolist(), bent.tolist(), strict=True)
        ]
    cuts = (offsets - offsets[0]).tolist()
    return "".join(f"f {' '.join(words[a:b])}\n" for a, b in pairwise(cuts))
