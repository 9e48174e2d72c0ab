"""Wavefront OBJ, read with polygons and vertex order as they stand in the file.

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

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import open_input
from ribbonsim.mesh.contents import DEFAULT_NAME, LARGEST_COORDINATE, MeshContents, Shading
from ribbonsim.mesh.obj_lines import (
    CORNER,
    FACE,
    GLUED_COMMENT,
    LARGEST_INDEX,
    NO_MATERIAL,
    NO_SMOOTHING,
    NORMAL,
    NOT_FINITE,
    NUMBER,
    OTHER,
    TEXCOORD,
    VERTEX,
    NameList,
    NumberList,
    Statements,
    chunks,
    one_statement_a_line,
    plain_faces,
    whole_number,
)

_LIST_NAMES = ("vertex", "texture coordinate", "normal")
_FREE_FORM = {b"curv", b"curv2", b"surf"}


def read_obj(path: str | os.PathLike[str]) -> MeshContents:
    """Read an OBJ file.

    Parameters
    ----------
    path : path
        The file.

    Raises
    ------
    RibbonsimError
        If the file cannot be opened, is not text, is empty or cut short, has no faces, or holds a
        number or an index that cannot be meant; the sentence names the line.
    """
    path = Path(path)
    reader = _Reader(str(path))
    try:
        with open_input(path) as stream:
            for chunk in chunks(stream):
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


class _Reader:
    """Takes the statements of a file chunk by chunk; lists grow, nothing is kept as text."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.positions = NumberList()
        self.colours: list[Array] = []
        self.coloured = 0
        self.texcoords = NumberList()
        self.normals = NumberList()
        self.corners: tuple[list[Ints], list[Ints], list[Ints]] = ([], [], [])
        self.sizes: list[Ints] = []
        self.polygon_lines: list[Ints] = []
        self.groups = NameList()
        self.objects = NameList()
        self.materials = NameList(current=NO_MATERIAL)
        self.smoothing = NameList(current=NO_SMOOTHING)
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
        statements = Statements.of(one_statement_a_line(chunk))
        vertices_before = self.positions.count, self.texcoords.count, self.normals.count
        self._read_vertices(statements)
        for kind, store, wanted in ((TEXCOORD, self.texcoords, 2), (NORMAL, self.normals, 3)):
            self._read_vectors(statements, kind, store, wanted)
        self._read_names(statements, self._read_faces(statements, vertices_before))
        self.lines_done += len(statements.kinds)

    def _error(self, line: int, what: str, remedy: str, unfinished: bool = False) -> RibbonsimError:
        if unfinished:
            what += ", and the file ends there without a line end: it seems cut short"
            remedy = "export or copy it again"
        return RibbonsimError(f"{self.source}, line {line}: {what}; {remedy}.")

    def _unfinished(self, statements: Statements, line: int) -> bool:
        """Tell whether a line is the last of a file that breaks off within it."""
        return not self.ends_cleanly and line >= int(np.flatnonzero(statements.kinds)[-1])

    def _values(self, statements: Statements, kind: int, lines: Ints) -> tuple[Array, Ints]:
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

    def _values_one_by_one(self, statements: Statements, lines: Ints) -> tuple[Array, Ints]:
        values: list[float] = []
        starts = [0]
        for line in lines.tolist():
            for word in GLUED_COMMENT.sub(b"", statements.line(line)).split()[1:]:
                if NUMBER.fullmatch(word):
                    values.append(float(word))
                elif NOT_FINITE.fullmatch(word):
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

    def _read_vertices(self, statements: Statements) -> None:
        lines = statements.lines_of(VERTEX)
        if not len(lines):
            return
        values, starts = self._values(statements, VERTEX, lines)
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
        self, statements: Statements, kind: int, store: NumberList, wanted: int
    ) -> None:
        lines = statements.lines_of(kind)
        if not len(lines):
            return
        values, starts = self._values(statements, kind, lines)
        counts = np.diff(starts)
        name = _LIST_NAMES[1] if kind == TEXCOORD else _LIST_NAMES[2]
        # The specification lets a texture coordinate have one number: the second is then 0.
        self._check_counts(statements, lines, counts, 1 if kind == TEXCOORD else 3, name)
        places = starts[:-1, None] + np.arange(wanted)
        there = np.arange(wanted) < counts[:, None]
        vectors = np.where(there, values[np.minimum(places, len(values) - 1)], 0.0)
        numbers = self.lines_done + lines + 1
        bad = ~np.isfinite(vectors).all(axis=1)
        vectors[bad] = 0.0
        self._note_odd(name, numbers[bad])
        store.add(vectors, numbers)

    def _check_counts(
        self, statements: Statements, lines: Ints, counts: Ints, least: int, name: str
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

    def _check_positions(self, lines: Ints, positions: Array) -> None:
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

    def _read_faces(self, statements: Statements, before: tuple[int, int, int]) -> Ints:
        """Read the `f` lines; return them. ``before`` counts the lists ahead of this chunk."""
        lines = statements.lines_of(FACE)
        if not len(lines):
            return lines
        parsed = plain_faces(statements, lines)
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
        statements: Statements,
        lines: Ints,
        fields: list[Ints],
        sizes: Ints,
        before: tuple[int, int, int],
    ) -> None:
        """Turn indices as written into indices from 0, -1 where there is none."""
        for i, kind in enumerate((VERTEX, TEXCOORD, NORMAL)):
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
        self, statements: Statements, lines: Ints
    ) -> tuple[list[Ints], Ints]:
        """Read faces by the letter, to name what is wrong with one or to accept it after all."""
        corners: list[tuple[int, ...]] = []
        sizes = []
        for line in lines.tolist():
            words = GLUED_COMMENT.sub(b"", statements.line(line)).split()[1:]
            sizes.append(len(words))
            for word in words:
                match = CORNER.fullmatch(word)
                numbers = [whole_number(part) for part in match.groups() if part] if match else []
                if match is None or 0 in numbers or max(map(abs, numbers)) > LARGEST_INDEX:
                    raise self._error(
                        self.lines_done + line + 1,
                        f"{_shown(word)} holds the index 0, and OBJ counts from 1"
                        if 0 in numbers
                        else f"{_shown(word)} is not a corner of a face",
                        "correct it or export the mesh again",
                        self._unfinished(statements, line),
                    )
                corners.append(tuple(whole_number(part or b"0") for part in match.groups()))
        table = np.array(corners, dtype=np.int64).reshape(-1, 3)
        return [table[:, 0], table[:, 1], table[:, 2]], np.array(sizes, dtype=np.int64)

    def _read_names(self, statements: Statements, face_lines: Ints) -> None:
        named = {
            b"g": (self.groups, DEFAULT_NAME),
            b"o": (self.objects, DEFAULT_NAME),
            b"usemtl": (self.materials, NO_MATERIAL),
            b"s": (self.smoothing, NO_SMOOTHING),
        }
        changes: dict[bytes, list[tuple[int, str]]] = {keyword: [] for keyword in named}
        for line in statements.lines_of(OTHER).tolist():
            keyword, *words = statements.line(line).split()
            text = _decoded(b" ".join(words))
            if keyword in named:
                if keyword == b"s" and text == "0":  # says the same
                    text = NO_SMOOTHING
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
        if not self.libraries and materials == (NO_MATERIAL,) and smoothing == (NO_SMOOTHING,):
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

    def _all_colours(self, notes: list[str]) -> Array | None:
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
