"""The one door to pydicom: slices out of a folder or a zip, or one file of many frames, to one volume.

Headers and voxels are read as they are; nothing is decoded that the library cannot decode itself. Whatever it raises on a
damaged file becomes one sentence.
"""

from __future__ import annotations

import hashlib
import logging
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray

from kerfmark.errors import InputError, KerfmarkError, printable
from kerfmark.geometry.volume_files.content import VolumeFile, as_volume, check_shape
from kerfmark.intake.volumes.content import MARK, MARK_AT, is_dicom
from kerfmark.intake.volumes.files import SliceFile
from kerfmark.intake.volumes.slices import Slice, Stack, stack_of
from kerfmark.records import Remark
from kerfmark.settings import Limits

__all__ = ["read_frames", "read_series"]

logging.getLogger("pydicom").addHandler(logging.NullHandler())  # else its warnings go to standard error
SHOWN = 3


@dataclass(frozen=True, slots=True, eq=False)
class _Head:
    """A file with an image in it, without its voxels."""

    file: SliceFile
    series: str
    label: str
    data: Any


def read_series(
    files: Sequence[SliceFile], *, name: str, limits: Limits, series: str | None = None, deeper: bool = False
) -> VolumeFile:
    """One series of some files as a volume in LPS.

    Parameters
    ----------
    files : sequence of SliceFile
        Of a folder, or of a zip.
    name : str
        What messages call it, safe to show.
    limits : Limits
    series : str, optional
        Series Instance UID, or the number of the series, where the files are of several.
    deeper : bool
        There are further folders inside, which are not looked into.

    Raises
    ------
    InputError
        If there are no slices, several series of which none is chosen, or slices that make no whole volume.
    """
    with _in_words(name):
        heads, others = _heads(files, name=name, limits=limits, deeper=deeper)
        return _series(_chosen(heads, series, name=name), others, name=name, limits=limits)


def _series(chosen: Sequence[_Head], others: tuple[Remark, ...], *, name: str, limits: Limits) -> VolumeFile:
    slices = [_slice(head.data, head.file.name) for head in chosen]
    stack = stack_of(slices, name=name)
    shape = (*slices[0].shape, stack.count)
    check_shape(shape, _voxel_bytes([head.data for head in chosen]), name=name, limits=limits)
    digest, planes = hashlib.sha256(), []
    for index in stack.order:
        with chosen[index].file.open() as stream:
            data = stream.read()
        digest.update(hashlib.sha256(data).digest())
        planes.append(_plane(data, slices[index]))
    values = _stacked(planes, stack)
    return VolumeFile(as_volume(values, stack.matrix, name=name), digest.hexdigest(), (*others, *stack.remarks))


def read_frames(data: bytes, *, name: str, limits: Limits) -> VolumeFile:
    """The frames of one file (an enhanced CT), given whole, as a volume in LPS.

    Raises
    ------
    InputError
        If it holds a single slice, or frames that do not say where they lie.
    """
    with _in_words(name), _quietly():
        return _frames(data, name=name, limits=limits)


def _frames(data: bytes, *, name: str, limits: Limits) -> VolumeFile:
    head = pydicom.dcmread(BytesIO(data))
    count = _number(getattr(head, "NumberOfFrames", 1), "number of frames", name)
    if count < 2:
        raise InputError(
            f"{name}: is one DICOM slice, expected a folder that holds the whole series. Hand in the folder."
        )
    groups, shared = getattr(head, "PerFrameFunctionalGroupsSequence", None), _shared(head)
    if groups is None or len(groups) != count:
        raise InputError(
            f"{name}: holds {int(count)} frames and does not say where each lies, expected positions. Export it as single slices."
        )
    slices = [_frame(head, shared, group, f"frame {n + 1}", name=name) for n, group in enumerate(groups)]
    stack = stack_of(slices, name=name)
    check_shape((*slices[0].shape, stack.count), 4, name=name, limits=limits)
    frames = _pixels(head, name)
    if frames.shape != (len(slices), slices[0].shape[1], slices[0].shape[0]):
        raise InputError(f"{name}: its voxels do not fit its head, expected {count} frames. Export it again.")
    planes = [
        _rescaled(frames[i], *_scale(_part(shared, groups[i], "PixelValueTransformationSequence") or head, name))
        for i in stack.order
    ]
    volume = as_volume(_stacked(planes, stack), stack.matrix, name=name)
    return VolumeFile(volume, hashlib.sha256(data).hexdigest(), stack.remarks)


@contextmanager
def _in_words(name: str) -> Iterator[None]:
    """The library parses a value when it is asked for, and raises whatever its parts raise where the value is damaged."""
    try:
        yield
    except (KerfmarkError, OSError):
        raise
    except Exception as error:
        raise _damaged(name, error) from error


@contextmanager
def _quietly() -> Iterator[None]:
    """Without the library's own warnings, which are many on the files people have."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _damaged(name: str, error: Exception) -> InputError:
    reason = printable(" ".join(str(error).split()) or type(error).__name__, limit=90).rstrip(".")
    return InputError(f"{name}: cannot be read as DICOM ({reason}), expected a sound slice. Export or copy it again.")


def _heads(
    files: Sequence[SliceFile], *, name: str, limits: Limits, deeper: bool
) -> tuple[list[_Head], tuple[Remark, ...]]:
    """The images without their voxels, and a remark on what else there is."""
    if len(files) > limits.slices:
        raise InputError(
            f"{name}: holds {len(files)} files, expected at most limits.slices = {limits.slices}. Hand in one series or "
            "raise KERFMARK_LIMIT_SLICES."
        )
    heads, others = [], []
    for file in files:
        head = _image_head(file)
        if head is None:
            others.append(printable(file.name, limit=60))
        else:
            heads.append(head)
    if not heads:
        hint = "Hand in the folder that holds the slices themselves" if deeper else "Export the series again"
        raise InputError(f"{name}: holds no DICOM slices among {len(files)} files, expected a series. {hint}.")
    return heads, _passed_over(others, name)


def _passed_over(others: Sequence[str], name: str) -> tuple[Remark, ...]:
    if not others:
        return ()
    more = f" and {len(others) - SHOWN} more" if len(others) > SHOWN else ""
    words = f"passed over {', '.join(others[:SHOWN])}{more}: no DICOM image"
    return (Remark("files-passed-over", name, words),)


def _image_head(file: SliceFile) -> _Head | None:
    """A file's head where it is an image; None for anything else, an index (DICOMDIR) and reports too."""
    shown = printable(file.name, limit=60)
    with file.open() as stream:
        if not is_dicom(stream.read(MARK_AT + len(MARK))):
            return None
        stream.seek(0)
        try:
            with _quietly():
                data = pydicom.dcmread(stream, stop_before_pixels=True)
                if "Rows" not in data or "Columns" not in data:
                    return None
                uid = str(data.get("SeriesInstanceUID", "") or "")
                number, words = str(data.get("SeriesNumber", "") or ""), str(data.get("SeriesDescription", "") or "")
        except Exception as error:
            raise _damaged(shown, error) from error
    label = f"{printable(uid, limit=70)} (number {printable(number, limit=10) or 'none'}, {printable(words, limit=30) or 'no name'}"
    return _Head(file, uid, label, data)


def _chosen(heads: Sequence[_Head], series: str | None, *, name: str) -> list[_Head]:
    """The heads of one series."""
    groups: dict[str, list[_Head]] = {}
    for head in heads:
        groups.setdefault(head.series, []).append(head)
    listed = "; ".join(f"{members[0].label}, {len(members)} slices)" for members in list(groups.values())[:8])
    listed += f"; and {len(groups) - 8} more" if len(groups) > 8 else ""
    if series is None:
        if len(groups) > 1:
            raise InputError(
                f"{name}: holds {len(groups)} series, expected one: {listed}. "
                "Choose one by its UID or number: --series for a piece, [subject] series in an exercise, or a zip of one of them."
            )
        return list(heads)
    if series in groups:
        return groups[series]
    numbered = [m for m in groups.values() if str(m[0].data.get("SeriesNumber", "")) == series]
    if len(numbered) == 1:
        return numbered[0]
    raise InputError(
        f"{name}: has no series '{printable(series, limit=70)}', expected one of: {listed}. Choose one of these."
    )


def _slice(data: Any, file: str) -> Slice:
    """Where a slice lies."""
    shown = printable(file, limit=60)
    return Slice(
        shown,
        *_place(data, data, shown),
        spacing_mm=_spacing(data, shown),
        shape=_shape(data, shown),
        number=_instance(data),
    )


def _place(position: Any, orientation: Any, shown: str) -> tuple[Any, Any, Any]:
    """Position, and the directions along a row and along a column."""
    at = _numbers(position, "ImagePositionPatient", 3, shown)
    six = _numbers(orientation, "ImageOrientationPatient", 6, shown)
    along_row, along_column = six[:3], six[3:]
    if (
        abs(along_row @ along_row - 1.0) > 0.01
        or abs(along_column @ along_column - 1.0) > 0.01
        or abs(along_row @ along_column) > 0.01
    ):
        raise InputError(f"{shown}: its orientation is no pair of square directions, expected one. Export it again.")
    return at, along_row / np.linalg.norm(along_row), along_column / np.linalg.norm(along_column)


def _frame(head: Any, shared: Any, group: Any, frame: str, *, name: str) -> Slice:
    """Where a frame of a file lies, by its functional groups."""
    at = _part(shared, group, "PlanePositionSequence")
    turned = _part(shared, group, "PlaneOrientationSequence")
    measures = _part(shared, group, "PixelMeasuresSequence")
    if at is None or turned is None or measures is None:
        raise InputError(
            f"{name}: {frame} does not say where it lies, expected a position, a direction and a spacing. Export it again."
        )
    return Slice(
        frame, *_place(at, turned, f"{name}: {frame}"), spacing_mm=_spacing(measures, name), shape=_shape(head, name)
    )


def _shared(head: Any) -> Any:
    groups = getattr(head, "SharedFunctionalGroupsSequence", None)
    return groups[0] if groups else None


def _part(shared: Any, group: Any, keyword: str) -> Any:
    """The first item of a functional group, of the frame's own or else of the shared ones."""
    for place in (group, shared):
        items = None if place is None else getattr(place, keyword, None)
        if items:
            return items[0]
    return None


def _numbers(data: Any, keyword: str, count: int, shown: str) -> NDArray[np.float64]:
    try:
        values = np.array([float(v) for v in getattr(data, keyword)], dtype=float)
    except Exception:
        values = np.empty(0)
    if len(values) != count or not np.isfinite(values).all():
        raise InputError(
            f"{shown}: has no {keyword} of {count} numbers, expected every slice to say where it lies. Export it with its geometry."
        )
    return values


def _spacing(data: Any, shown: str) -> tuple[float, float]:
    rows, columns = _numbers(data, "PixelSpacing", 2, shown)
    if min(rows, columns) <= 0.0:
        raise InputError(f"{shown}: its PixelSpacing is not above 0, expected millimetres. Export it again.")
    return float(columns), float(rows)


def _shape(data: Any, shown: str) -> tuple[int, int]:
    return int(_number(data.Columns, "columns", shown)), int(_number(data.Rows, "rows", shown))


def _number(value: Any, what: str, shown: str) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        number = float("nan")
    if not np.isfinite(number):
        raise InputError(f"{shown}: its {what} is '{printable(value, limit=30)}', expected a number. Export it again.")
    return number


def _instance(data: Any) -> int | None:
    try:
        return int(data.InstanceNumber)
    except Exception:
        return None


def _voxel_bytes(heads: Sequence[Any]) -> int:
    """Two for whole greys as scanners store them, four where they are scaled by a fraction."""
    plain = all(
        _scale(h, "a slice")[0].is_integer() and _number(h.get("BitsAllocated", 16), "BitsAllocated", "a slice") <= 16
        for h in heads
    )
    return 2 if plain else 4


def _plane(data: bytes, one: Slice) -> NDArray[np.generic]:
    """One slice's greys, (columns, rows)."""
    try:
        with _quietly():
            head = pydicom.dcmread(BytesIO(data))
    except Exception as error:
        raise _damaged(one.name, error) from error
    pixels = _pixels(head, one.name)
    if pixels.shape != (one.shape[1], one.shape[0]):
        raise InputError(
            f"{one.name}: holds voxels of shape {pixels.shape}, expected one grey slice of {one.shape[1]} × {one.shape[0]}. Export it again."
        )
    return _rescaled(pixels, *_scale(head, one.name))


def _pixels(head: Any, shown: str) -> NDArray[Any]:
    try:
        with _quietly():
            return np.asarray(head.pixel_array)
    except Exception as error:
        packing = _packing(head)
        if packing is not None:
            raise InputError(
                f"{shown}: its voxels are packed as {packing} and cannot be unpacked here, "
                "expected plain or RLE. Export the series uncompressed."
            ) from error
        raise _damaged(shown, error) from error


def _packing(head: Any) -> str | None:
    """What the voxels are packed with, in words; None where they are plain or nothing sensible is said."""
    try:
        syntax = head.file_meta.TransferSyntaxUID
        return printable(syntax.name, limit=60) if syntax.is_encapsulated else None
    except Exception:
        return None


def _scale(data: Any, shown: str) -> tuple[float, float]:
    slope = _number(getattr(data, "RescaleSlope", 1.0) or 1.0, "RescaleSlope", shown)
    return slope, _number(getattr(data, "RescaleIntercept", 0.0) or 0.0, "RescaleIntercept", shown)


def _rescaled(pixels: NDArray[Any], slope: float, intercept: float) -> NDArray[np.generic]:
    """Greys in their scale's own numbers: whole ones stay whole, and 16 bits wide where they fit. Transposed to (columns, rows)."""
    turned = pixels.T
    if not (slope.is_integer() and intercept.is_integer()) or pixels.dtype.kind == "f":
        return np.asarray(turned.astype(np.float32) * np.float32(slope) + np.float32(intercept))
    whole = turned.astype(np.int64) * int(slope) + int(intercept)
    small = int(whole.min(initial=0)) >= -32768 and int(whole.max(initial=0)) <= 32767
    return np.asarray(whole.astype(np.int16 if small else np.int32))


def _stacked(planes: Sequence[NDArray[np.generic]], stack: Stack) -> NDArray[np.generic]:
    """The planes over each other; uneven ones read between their neighbours at even steps."""
    kind = np.result_type(*(plane.dtype for plane in planes))
    values = np.empty((*planes[0].shape, stack.count), dtype=kind, order="F")
    if stack.places is None:
        for k, plane in enumerate(planes):
            values[:, :, k] = plane
        return values
    for k in range(stack.count):
        below = min(max(int(np.searchsorted(stack.places, k + 1e-9, side="right")) - 1, 0), len(planes) - 2)
        low, high = stack.places[below], stack.places[below + 1]
        share = float(np.clip((k - low) / (high - low), 0.0, 1.0))
        between = (1.0 - share) * planes[below].astype(np.float32) + share * planes[below + 1].astype(np.float32)
        values[:, :, k] = np.rint(between) if kind.kind in "iu" else between
    return values
