"""Reading numbers and faces from the bytes of text files, strictly and without making an object per word."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["gathered_words", "obj_counts", "obj_fill", "ply_rows", "stl_facets"]

Bytes = NDArray[np.uint8]
Spans = NDArray[np.int64]

WORDS = (b"facet", b"normal", b"outer", b"loop", b"vertex", b"endloop", b"endfacet", b"endsolid", b"solid")


@loop
def _is_space(c: int) -> bool:
    return c == 32 or (9 <= c <= 13)


@loop
def _word(data: Bytes, at: int, end: int) -> tuple[int, int]:
    """Where the next word from `at` begins and ends; both are `end` when there is none."""
    while at < end and _is_space(data[at]):
        at += 1
    stop = at
    while stop < end and not _is_space(data[stop]):
        stop += 1
    return at, stop


@loop
def _line_end(data: Bytes, at: int) -> int:
    while at < data.shape[0] and data[at] != 10 and data[at] != 13:
        at += 1
    return at


@loop
def _same(data: Bytes, start: int, stop: int, word: Bytes) -> bool:
    """Whether the word is `word` (given in lower case), either case."""
    if stop - start != word.shape[0]:
        return False
    for i in range(word.shape[0]):
        c = data[start + i]
        if 65 <= c <= 90:
            c += 32
        if c != word[i]:
            return False
    return True


@loop
def _number(data: Bytes, start: int, stop: int) -> tuple[float, int]:
    """A decimal number and 0; 1 where it needs slow exact reading, 2 where it is no number.

    With at most 15 digits and a power of ten up to 22 one division or product rounds correctly (Clinger 1990).
    """
    at, negative = start, False
    if at < stop and (data[at] == 43 or data[at] == 45):
        negative = data[at] == 45
        at += 1
    digits, value, power, seen, point = 0, 0.0, 0, False, False
    while at < stop:
        c = data[at]
        if 48 <= c <= 57:
            seen = True
            if digits > 0 or c != 48:
                digits += 1
            value = value * 10.0 + (c - 48)
            if point:
                power -= 1
        elif c == 46 and not point:
            point = True
        else:
            break
        at += 1
    if not seen:
        return np.nan, 2
    if at < stop and (data[at] == 101 or data[at] == 69):
        at += 1
        down = False
        if at < stop and (data[at] == 43 or data[at] == 45):
            down = data[at] == 45
            at += 1
        if at == stop:
            return np.nan, 2
        exponent = 0
        while at < stop and 48 <= data[at] <= 57:
            exponent = min(exponent * 10 + data[at] - 48, 100000)
            at += 1
        power += -exponent if down else exponent
    if at < stop:
        return np.nan, 2
    if digits > 15 or power > 22 or power < -22:
        return np.nan, 1
    value = value / 10.0**-power if power < 0 else value * 10.0**power
    return -value if negative else value, 0


@loop
def _whole(data: Bytes, start: int, stop: int) -> tuple[int, bool]:
    """A whole number and whether it is one."""
    at, negative = start, False
    if at < stop and (data[at] == 43 or data[at] == 45):
        negative = data[at] == 45
        at += 1
    if at == stop or stop - at > 12:
        return 0, False
    value = 0
    while at < stop:
        if not 48 <= data[at] <= 57:
            return 0, False
        value = value * 10 + (data[at] - 48)
        at += 1
    return -value if negative else value, True


@loop
def _numbers(data: Bytes, at: int, end: int, out: FloatArray, spans: Spans, first: int, count: int) -> int:
    """Read `count` numbers into out[first:]; where each stands goes to `spans` if it needs slow reading. −1: no number."""
    for k in range(count):
        start, stop = _word(data, at, end)
        value, state = _number(data, start, stop)
        if state == 2:
            return -1
        out[first + k] = value
        if state == 1:
            spans[first + k, 0] = start
            spans[first + k, 1] = stop
        at = stop
    return at


@loop
def stl_facets(data: Bytes, words: Bytes, word_ends: Spans, out: FloatArray, spans: Spans) -> tuple[int, int]:
    """Read the facets of an ASCII STL into `out` (9 numbers each); how many, and where reading failed (−1: nowhere).

    `words` holds facet, normal, outer, loop, vertex, endloop, endfacet, endsolid, solid, one after the other.
    """
    facet, normal, outer = words[: word_ends[0]], words[word_ends[0] : word_ends[1]], words[word_ends[1] : word_ends[2]]
    loop, vertex = words[word_ends[2] : word_ends[3]], words[word_ends[3] : word_ends[4]]
    endloop, endfacet = words[word_ends[4] : word_ends[5]], words[word_ends[5] : word_ends[6]]
    endsolid, solid = words[word_ends[6] : word_ends[7]], words[word_ends[7] : word_ends[8]]
    end, at, count, inside = data.shape[0], 0, 0, False
    while True:
        start, stop = _word(data, at, end)
        if start == end:
            return count, start if inside else -1
        if not inside:
            if not _same(data, start, stop, solid):
                return count, start
            inside = True
            at = _line_end(data, stop)
            continue
        if _same(data, start, stop, endsolid):
            inside = False
            at = _line_end(data, stop)
            continue
        if not _same(data, start, stop, facet) or 9 * count + 9 > out.shape[0]:
            return count, start
        start, stop = _word(data, stop, end)
        if _same(data, start, stop, normal):
            # A normal is never used, so any three words will do: writers put nan where a face has no area.
            for _ in range(3):
                start, stop = _word(data, stop, end)
            start, stop = _word(data, stop, end)
        if not _same(data, start, stop, outer):
            return count, start
        start, stop = _word(data, stop, end)
        if not _same(data, start, stop, loop):
            return count, start
        for k in range(3):
            start, stop = _word(data, stop, end)
            if not _same(data, start, stop, vertex):
                return count, start
            after = _numbers(data, stop, end, out, spans, 9 * count + 3 * k, 3)
            if after < 0:
                return count, start
            stop = after
        start, stop = _word(data, stop, end)
        if not _same(data, start, stop, endloop):
            return count, start
        start, stop = _word(data, stop, end)
        if not _same(data, start, stop, endfacet):
            return count, start
        count += 1
        at = stop


@loop
def _obj_kind(data: Bytes, start: int, stop: int) -> int:
    """1 a vertex, 2 a face, 0 something else."""
    if stop - start != 1:
        return 0
    return 1 if data[start] == 118 else (2 if data[start] == 102 else 0)


@loop
def obj_counts(data: Bytes) -> tuple[int, int]:
    """How many vertices and (fanned) triangles an OBJ file holds."""
    at, vertices, triangles = 0, 0, 0
    while at < data.shape[0]:
        end = _line_end(data, at)
        start, stop = _word(data, at, end)
        kind = _obj_kind(data, start, stop)
        if kind == 1:
            vertices += 1
        elif kind == 2:
            corners = 0
            start, stop = _word(data, stop, end)
            while start < end and data[start] != 35:
                corners += 1
                start, stop = _word(data, stop, end)
            triangles += max(corners - 2, 0)
        at = end + 1
    return vertices, triangles


@loop
def obj_fill(data: Bytes, vertices: FloatArray, spans: Spans, faces: IntArray) -> tuple[int, int]:
    """Read vertices (3 n) and fanned faces (m, 3); what failed (0 nothing, 1 a vertex, 2 a face, 3 its index) and where.

    An index may be negative: counted back from the last vertex before it. What follows "/" is passed over.
    """
    at, known, made, total = 0, 0, 0, vertices.shape[0] // 3
    while at < data.shape[0]:
        end = _line_end(data, at)
        start, stop = _word(data, at, end)
        kind = _obj_kind(data, start, stop)
        if kind == 1:
            if _numbers(data, stop, end, vertices, spans, 3 * known, 3) < 0:
                return 1, start
            known += 1
        elif kind == 2:
            line, corners, first, previous = start, 0, 0, 0
            start, stop = _word(data, stop, end)
            while start < end and data[start] != 35:
                slash = start
                while slash < stop and data[slash] != 47:
                    slash += 1
                index, whole = _whole(data, start, slash)
                if not whole:
                    return 2, line
                if index == 0:
                    return 3, line
                index = index - 1 if index > 0 else known + index
                if index < 0 or index >= total:
                    return 3, line
                if corners == 0:
                    first = index
                if corners >= 2:
                    faces[made, 0], faces[made, 1], faces[made, 2] = first, previous, index
                    made += 1
                previous = index
                corners += 1
                start, stop = _word(data, stop, end)
            if corners < 3:
                return 2, line
        at = end + 1
    return 0, -1


@loop
def ply_rows(
    data: Bytes, at: int, rows: int, kinds: IntArray, out: FloatArray, spans: Spans, indices: IntArray, starts: Spans
) -> tuple[int, int]:
    """Read the rows of one element of an ASCII PLY: where reading ended (−1: it failed) and how many indices were found.

    `kinds` says what each property is: 0–2 a coordinate, 3 passed over, 4 a list passed over, 5 the list of indices.
    """
    end, found = data.shape[0], 0
    for row in range(rows):
        starts[row] = found
        for p in range(kinds.shape[0]):
            start, stop = _word(data, at, end)
            if start == end:
                return -1, row
            kind = kinds[p]
            if kind < 3:
                if _numbers(data, at, end, out, spans, 3 * row + kind, 1) < 0:
                    return -1, row
            elif kind > 3:
                count, whole = _whole(data, start, stop)
                if not whole or count < 0 or count > end - stop:
                    return -1, row
                for _ in range(count):
                    start, stop = _word(data, stop, end)
                    if start == end:
                        return -1, row
                    if kind == 5:
                        index, whole = _whole(data, start, stop)
                        if not whole or found >= indices.shape[0]:
                            return -1, row
                        indices[found] = max(min(index, 2147483647), -1)
                        found += 1
            at = stop
    starts[rows] = found
    return at, found


@loop
def gathered_words(data: Bytes, spans: Spans) -> Bytes:
    """The words at `spans` (n, 2), each followed by a space."""
    total = 0
    for i in range(spans.shape[0]):
        total += spans[i, 1] - spans[i, 0] + 1
    out = np.empty(total, np.uint8)
    at = 0
    for i in range(spans.shape[0]):
        for k in range(spans[i, 0], spans[i, 1]):
            out[at] = data[k]
            at += 1
        out[at] = 32
        at += 1
    return out
