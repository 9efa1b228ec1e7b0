"""A session: samples come one by one, force and events go back at once, and the piece at the end is the replay's own."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.exercise.prepared import Prepared
from kerfmark.exercise.tables import Source
from kerfmark.instruments import instrument
from kerfmark.intake.motions.stretches import FASTEST_MM_S, LONGEST_GAP_S, MOVED_SHARE
from kerfmark.intake.motions.turning import quaternion_of
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.contact import block_removed, touch
from kerfmark.live.log import Log
from kerfmark.live.shell import point_shell
from kerfmark.live.tissues import labels_of, stiffness_of
from kerfmark.recorded import Recorded, piece_of
from kerfmark.records import CutField, FloatArray, Motion, Piece
from kerfmark.replay.poses import NextPoses, Poses, run_of_poses
from kerfmark.replay.replaying import STEP_VOXELS, field_of
from kerfmark.replay.sweep import Sweep

__all__ = ["LiveEvent", "Session", "Step"]

ROOM_BLOCKS = 65_536
"""Blocks there is room for from the start, 270 MB of addresses: memory is taken as they are written to, and no step has to move them."""
BLOCKS_A_STEP = 2


@dataclass(frozen=True, slots=True)
class LiveEvent:
    """Something that began: `contact` and `released` (of a tissue), `first_cut` (of a tissue, within 0.1 s)."""

    kind: str
    tissue: str
    time_s: float


@dataclass(frozen=True, slots=True)
class Step:
    """What a sample met: force on the device (N, the exercise's files' axes), deepest overlap, tissue there, events."""

    force_n: tuple[float, float, float]
    depth_mm: float
    tissue: str | None
    events: tuple[LiveEvent, ...] = ()


class Session:
    """Cutting as it happens, on one subject with one instrument.

    Force first: a sample is felt in what is left before it cuts. The tool hangs on the device by a spring (a virtual coupling),
    so that no device feels a stiffness above `felt_n_mm`. With a physical damping b (N·s/mm) and a period T (s) that has to stay below
    2 b / T, less twice the damping asked for here (Colgate & Schenkel 1997).

    Parameters
    ----------
    prepared : Prepared
    name : str
        The instrument, as the exercise resolves it.
    rate_hz : float
        How often `step` will be called; sets how long a gap is noticed.
    grid_um : float
    hardest_n_mm, coupling_n_mm : float
        Stiffness of the hardest tissue against the head's whole cross-section, and of the spring.
    damping_n_s_mm : float
        Of the device while it touches.

    Examples
    --------
    >>> session = Session(prepared, "round 1.0")            # doctest: +SKIP
    >>> step = session.step(0.001, tip_mm, orientation, spindle_rpm=200_000)   # doctest: +SKIP
    """

    def __init__(
        self, prepared: Prepared, name: str, *, rate_hz: float = 1000.0, grid_um: float = 50.0, hardest_n_mm: float = 4.0,
        coupling_n_mm: float = 1.5, damping_n_s_mm: float = 0.0,
    ) -> None:  # fmt: skip
        if not (rate_hz > 0.0 and hardest_n_mm > 0.0 and coupling_n_mm > 0.0 and damping_n_s_mm >= 0.0):
            raise InputError(
                f"live session: rate {rate_hz:g} Hz, stiffness {hardest_n_mm:g} and {coupling_n_mm:g} N/mm, damping "
                f"{damping_n_s_mm:g} N·s/mm, expected more than 0 and a damping of at least 0. Correct them."
            )
        own: Mapping[str, object] = {entry.name: entry.profile_mm for entry in prepared.exercise.instruments}
        self.tool = instrument(name, own=own)  # type: ignore[arg-type]
        self.prepared, self.rate_hz, self.grid_um = prepared, rate_hz, grid_um
        self.names = (*prepared.layers, "other")
        self._log, self._poses = Log(), 0
        self._prepare_sweep(grid_um / 1e3)
        self._stiffness = stiffness_of(tuple(prepared.layers), hardest_n_mm)
        self.hardest_n_mm, self.coupling_n_mm, self.damping_n_s_mm = hardest_n_mm, coupling_n_mm, damping_n_s_mm
        self._offset, self._out, self._pose = np.zeros(3), np.zeros(5), np.zeros(7)
        self._weighed = np.zeros(BLOCKS_A_STEP, dtype=np.int32)
        self._weights = np.zeros((BLOCKS_A_STEP, len(self.names)))
        self._next = NextPoses(
            origin_mm=self._sweep.origin_mm, reach_mm=self._reach, step_mm=STEP_VOXELS * self._sweep.spacing_mm
        )
        self._bind()
        self._sweep.make_ready(self._next())
        self._tissue: str | None = None
        self._before: tuple[float, FloatArray, FloatArray, bool] | None = None
        self._first_s = 0.0

    @property
    def felt_n_mm(self) -> float:
        """Greatest stiffness a device can feel square onto the hardest tissue: contact and coupling in series."""
        return self.hardest_n_mm * self.coupling_n_mm / (self.hardest_n_mm + self.coupling_n_mm)

    def _prepare_sweep(self, spacing_mm: float) -> None:
        subject = self.prepared.subject_grid
        self._sweep = Sweep(subject, [self.tool], spacing_mm=spacing_mm, threads=1, even_steps=True)
        self._sweep.reserve(ROOM_BLOCKS)
        self._values = read_only(subject.values, np.float32)
        self._labels = read_only(labels_of(subject, self.prepared.layer_grids), np.uint8)
        self._shift = self._sweep.origin_mm - subject.origin_mm
        self._shell = point_shell(self.tool)
        self._reach = self._sweep.heads[0].reach_mm
        self._frame = self.prepared.frame
        w, x, y, z = quaternion_of(self._frame[:3, :3]).tolist()
        self._turn = np.array([[w, -x, -y, -z], [x, w, -z, y], [y, z, w, -x], [z, -y, x, w]])
        self._waiting: deque[int] = deque()
        self._queued = np.zeros(self._sweep.most, dtype=bool)
        self._volumes = np.zeros((self._sweep.most, len(self.names)))
        self._total = np.zeros(len(self.names))

    def _bind(self) -> None:
        """Tie the loops of a step to where the cells are now: they move only when more room is taken."""
        sweep, step = self._sweep, self.prepared.subject_grid.spacing_mm
        cells = sweep.cells.reshape(-1)
        self._touch = touch.bound(
            self._shell, self._pose, self._values, self._labels, self._shift, step, cells, sweep.index, sweep.spacing_mm,
            sweep.band_mm, self._stiffness, self.coupling_n_mm, self._offset, self._out,
        )  # fmt: skip
        self._weigh_some = {
            count: block_removed.bound(
                cells, sweep.places, self._weighed[:count], sweep.spacing_mm, self._values, self._labels, self._shift, step,
                self._weights[:count],
            )
            for count in range(1, BLOCKS_A_STEP + 1)
        }  # fmt: skip
        self._felt_in = sweep.cells

    def step(self, time_s: float, tip_mm: ArrayLike, orientation: ArrayLike, spindle_rpm: float = 1.0) -> Step:
        """Take one sample: what it meets, and then what it cuts.

        Parameters
        ----------
        time_s : float
            Later than the one before.
        tip_mm : (3,) float array
            In the exercise's files' frame.
        orientation : (4,) float array
            Quaternion w, x, y, z.
        spindle_rpm : float
            Cutting where above 0.

        Raises
        ------
        InputError
            If time does not rise, or the pose holds something else than finite numbers. The sample is left out.
        """
        tip, turn = self._checked(time_s, tip_mm, orientation)
        force, depth = self._feel(time_s, tip, turn)
        cutting = bool(spindle_rpm > 0.0)
        joined, cuts = self._judge(time_s, tip, turn, cutting)
        if cuts:
            self._cut(time_s, tip, turn)
        events = (*self._touching(time_s, depth), *self._weigh(time_s))
        self._log.add(time_s, tip, turn, joined, cutting)
        self._before = time_s, tip, turn, cuts
        return Step(force, depth, self._tissue, events)

    def _checked(self, time_s: float, tip_mm: ArrayLike, orientation: ArrayLike) -> tuple[FloatArray, FloatArray]:
        point, q = np.asarray(tip_mm, dtype=float), np.asarray(orientation, dtype=float)
        length = math.sqrt(float(q @ q)) if q.shape == (4,) else math.nan
        sound = point.shape == (3,) and math.isfinite(float(point.sum())) and 0.5 <= length <= 2.0
        if not sound or not math.isfinite(time_s) or (self._before is not None and time_s <= self._before[0]):
            raise InputError(
                f"live sample at {time_s:g} s: expected a later time than the one before, a finite tip and a quaternion "
                "within a factor 2 of unit length. The sample is left out; send the next."
            )
        if self._before is None:
            self._first_s = time_s
        return self._frame[:3, :3] @ point + self._frame[:3, 3], self._turn @ (q / length)

    def _judge(self, time_s: float, tip: FloatArray, turn: FloatArray, cutting: bool) -> tuple[bool, bool]:
        """Whether the stretch to here may be swept, and whether it cuts; the first sample cuts where it stands."""
        if self._before is None:
            return False, cutting
        then, was, turned, _ = self._before
        way = tip - was
        back = way + self.tool.length_mm * (_axis(turn) - _axis(turned))
        moved = math.sqrt(max(float(way @ way), float(back @ back)))
        passed = time_s - then
        gap = passed > LONGEST_GAP_S * (1.0 + 1e-9) and moved > MOVED_SHARE * self.tool.diameter_mm
        joined = not gap and moved <= FASTEST_MM_S * passed
        return joined, joined and cutting and self._log.last_cutting

    def _cut(self, time_s: float, tip: FloatArray, turn: FloatArray) -> None:
        run = self._stretch(time_s, tip, turn)
        self._sweep.take(run)
        self._poses += run.swept
        new = self._sweep.swept[~self._queued[self._sweep.swept]]
        if len(new):
            self._queued[new] = True
            self._waiting.extend(new.tolist())

    def _stretch(self, time_s: float, tip: FloatArray, turn: FloatArray) -> Poses:
        """The poses from the sample before to this one; of the first sample, that one."""
        if self._before is None:
            return run_of_poses(
                tip[None], turn[None], np.array([time_s - self._first_s]), np.array([True]), np.array([0]), instrument=0,
                origin_mm=self._sweep.origin_mm, reach_mm=self._reach, step_mm=STEP_VOXELS * self._sweep.spacing_mm,
            )  # fmt: skip
        then, was, turned, had_cut = self._before
        make = self._next
        make.tip_mm[0], make.tip_mm[1] = was, tip
        make.orientation[0], make.orientation[1] = turned, turn
        make.seconds[0], make.seconds[1] = then - self._first_s, time_s - self._first_s
        make.cuts[0] = had_cut
        return make()

    def _feel(self, time_s: float, tip: FloatArray, turn: FloatArray) -> tuple[tuple[float, float, float], float]:
        """Force on the device in the files' axes, and the deepest overlap; the offset of the tool moves on."""
        self._pose[:3], self._pose[3:] = tip - self._sweep.origin_mm, turn
        if self._sweep.cells is not self._felt_in:
            self._bind()
        self._touch()
        force, depth = self._out[:3].copy(), float(self._out[3])
        if depth > 0.0 and self.damping_n_s_mm and self._before is not None:
            force -= self.damping_n_s_mm * (tip - self._before[1]) / (time_s - self._before[0])
        x, y, z = (force @ self._frame[:3, :3]).tolist()
        return (x, y, z), depth

    def _touching(self, time_s: float, depth: float) -> tuple[LiveEvent, ...]:
        """Contact begun, changed to another tissue, or ended."""
        now = self.names[int(self._out[4])] if depth > 0.0 else None
        if now == self._tissue:
            return ()
        was, self._tissue = self._tissue, now
        ended = () if was is None else (LiveEvent("released", was, time_s),)
        return ended if now is None else (*ended, LiveEvent("contact", now, time_s))

    def _weigh(self, time_s: float) -> tuple[LiveEvent, ...]:
        """Bring the volumes of a few blocks up to date."""
        if not self._waiting:
            return ()
        count = min(BLOCKS_A_STEP, len(self._waiting))
        slots, volumes = self._weighed[:count], self._weights[:count]
        slots[:] = [self._waiting.popleft() for _ in range(count)]
        self._queued[slots] = False
        if self._sweep.cells is not self._felt_in:
            self._bind()
        self._weigh_some[count]()
        none_yet = self._total <= 0.0
        self._total += (volumes - self._volumes[slots]).sum(axis=0)
        self._volumes[slots] = volumes
        begun = np.flatnonzero(none_yet & (self._total > 0.0))
        return tuple(LiveEvent("first_cut", self.names[n], time_s) for n in begun)

    def readings(self) -> dict[str, float]:
        """Volume removed by tissue (mm³) and `all`, as of at most a tenth of a second ago.

        Each voxel counts to the tissue at its centre; the exact shares are those of the finished piece.
        """
        return {"all": float(self._total.sum()), **dict(zip(self.names, self._total.tolist(), strict=True))}

    def motion(self) -> Motion:
        """What was recorded so far, in the tooth frame."""
        return self._log.motion(self.tool.name)

    def field(self) -> CutField:
        """What was cut so far; the same, bit for bit, as replaying `motion()`."""
        motion = self.motion()
        return field_of(self._sweep, motion, self.prepared.subject_grid, [self.tool], poses=self._poses)

    def finish(self, source: Source | None = None) -> Piece:
        """The piece, as `kerfmark assess` would make it of the record.

        Raises
        ------
        InputError
            If no sample came.
        """
        recorded = Recorded(self.motion(), None)
        return piece_of(
            recorded,
            self.prepared,
            source=source or self.prepared.exercise.source,
            grid_um=self.grid_um,
            cut=self.field(),
        )


def _axis(turn: FloatArray) -> FloatArray:
    """Where a unit quaternion carries +z."""
    w, x, y, z = turn.tolist()
    return np.array([2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)])
