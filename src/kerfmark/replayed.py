"""A recorded motion replayed on an exercise: what `kerfmark replay` says and writes."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from kerfmark.errors import printable
from kerfmark.exercise.folder import load_exercise
from kerfmark.exercise.prepared import Prepared, prepare
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.geometry.mesh import transformed
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.recorded import Recorded, check_grid_um, read_recorded, tools_held
from kerfmark.records import CutField, CutSurface, Remark, Removal, ShankContact
from kerfmark.replay import Device, Keeper, cut_surface, removal, replay, write_field
from kerfmark.settings import Settings, read_settings
from kerfmark.version import __version__

__all__ = ["Replayed", "replay_motion"]

NEVER = -1.0
"""Stands for no time in files that cannot hold NaN."""


def _silent(_stage: str) -> None:
    """Say nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Replayed:
    """A motion replayed.

    Attributes
    ----------
    recorded : Recorded
    prepared : Prepared
    field : CutField
    surface : CutSurface or None
        Tooth frame; None where it was not asked for.
    removal : Removal
    remarks : tuple of Remark
    wall_s : float
        Time the replay took, from when `started` was read.
    """

    recorded: Recorded
    prepared: Prepared
    field: CutField
    surface: CutSurface | None
    removal: Removal
    remarks: tuple[Remark, ...]
    wall_s: float

    def as_json(self) -> dict[str, Any]:
        """Plain values, as `docs/replay.md` says; times are the record's own."""
        start, motion, gone = self.field.start_s, self.recorded.motion, self.removal
        ends = zip(gone.names, gone.first_cut_s.tolist(), gone.last_cut_s.tolist(), strict=True)
        return {
            "kerfmark": __version__,
            "exercise": {"id": self.prepared.exercise.id, "version": self.prepared.version},
            "motion": {"sha256": motion.sha256},
            "grid_um": self.field.spacing_mm * 1e3,
            "removed_mm3": dict(self.removal.removed_mm3),
            "layers": {
                name: {"first_cut_s": _dated(start, first), "last_cut_s": _dated(start, last)}
                for name, first, last in ends
            },
            "removed_by_time": {
                "end_s": (start + gone.time_s).tolist(),
                "removed_mm3": dict(zip(gone.names, gone.by_time_mm3.tolist(), strict=True)),
            },
            "duration_s": float(motion.time_s[-1] - motion.time_s[0]),
            "samples": self.field.samples,
            "samples_used": self.field.poses,
            "unseen_s": motion.unseen_s.tolist(),
            "shank_contacts": [
                {"start_s": c.start_s, "end_s": c.end_s, "depth_mm": c.depth_mm, "point_mm": self._in_file(c.point_mm)}
                for c in self.field.contacts
            ],
            "wall_s": self.wall_s,
            "warnings": [{"code": r.code, "where": r.where, "message": r.message} for r in self.remarks],
        }

    def _in_file(self, point_mm: np.ndarray) -> list[float]:
        back = rigid_inverse(self.prepared.frame)
        x, y, z = (back[:3, :3] @ point_mm + back[:3, 3]).tolist()
        return [x, y, z]

    def summary_lines(self) -> list[str]:
        """A few lines for a terminal."""
        motion = self.recorded.motion
        lasted = float(motion.time_s[-1] - motion.time_s[0])
        volumes = [f"{name} {volume:.2f} mm³" for name, volume in self.removal.removed_mm3.items()]
        return [
            f"{self.prepared.exercise.id}: {lasted:.1f} s, {self.field.samples} samples, {self.field.poses} poses swept "
            f"on {self.field.spacing_mm * 1e3:g} µm",
            "removed: " + ", ".join(volumes),
            f"took {self.wall_s:.2f} s",
        ]

    def write(self, *, surface: Path | None, field: Path | None) -> None:
        """Write surface and field, in the exercise's files' frame; the surface's values are seconds, −1 where never cut."""
        back = rigid_inverse(self.prepared.frame)
        if field is not None:
            write_field(field, self.field, to_file=back)
        if surface is not None:
            assert self.surface is not None
            times = np.nan_to_num(self.surface.time_s, nan=NEVER)
            write_surface(surface, transformed(self.surface.surface, back), vertex_values=times)


def replay_motion(
    exercise: str | Path,
    motion: str | Path,
    *,
    grid_um: float = 50.0,
    rig: str | Path | None = None,
    with_surface: bool = True,
    device: Device = "cpu",
    keep: str | Path | None = None,
    settings: Settings | None = None,
    progress: Callable[[str], None] = _silent,
    started: float | None = None,
) -> Replayed:
    """Replay a recorded motion on an exercise's subject.

    Parameters
    ----------
    exercise : str or path
        A folder, a zip, or the name of a built-in exercise.
    motion : path
        Parquet or CSV.
    grid_um : float
        Between voxels, 5 to 1000 µm.
    rig : path, optional
        `rig.toml` of a motion recorded in other coordinates than the exercise's files'.
    with_surface : bool
        Whether to make the surface that is left.
    device : "cpu" or "cuda"
        What sweeps the head.
    keep : path, optional
        Where to keep how far the replay has come; a file that is there is gone on from. On the processor only.
    settings : Settings, optional
        Read from the environment when left out.
    progress : callable, optional
        Called with the name of each stage as it begins.
    started : float, optional
        `time.perf_counter()` of when the work began; now, when left out.

    Returns
    -------
    replayed : Replayed

    Raises
    ------
    InputError
        If the exercise, the motion or the rig is not valid, `grid_um` is out of bounds, or what was kept is not of this replay.
    """
    began = time.perf_counter() if started is None else started
    check_grid_um(grid_um)
    settings = settings or read_settings()
    progress("preparing the exercise")
    loaded = load_exercise(exercise, limits=settings.limits, cache_dir=settings.cache_dir)
    prepared = prepare(loaded, cache_dir=settings.cache_dir, limits=settings.limits)
    path = Path(motion)
    progress(f"reading {path.name}")
    recorded = read_recorded(path, prepared, rig=None if rig is None else Path(rig), limits=settings.limits)
    progress("replaying the motion")
    tools, threads = tools_held(recorded.motion, prepared), settings.threads
    field = replay(
        recorded.motion,
        prepared.subject_grid,
        instruments=tools,
        spacing_mm=grid_um / 1000.0,
        threads=threads,
        device=device,
        keeper=None if keep is None else Keeper(Path(keep)),
    )
    progress("measuring what is left")
    gone = removal(field, prepared.subject_grid, layers=prepared.layer_grids, threads=threads)
    left = cut_surface(field, prepared.subject_grid, threads=threads) if with_surface else None
    remarks = (*recorded.motion.remarks, *_contact_remarks(field.contacts, path))
    return Replayed(recorded, prepared, field, left, gone, remarks, time.perf_counter() - began)


def _contact_remarks(contacts: tuple[ShankContact, ...], path: Path) -> tuple[Remark, ...]:
    shown = printable(path.name, limit=120)
    return tuple(
        Remark(
            "shank-contact",
            shown,
            f"the shank stood in material from {c.start_s:.2f} to {c.end_s:.2f} s, {c.depth_mm:.2f} mm below the old "
            "surface; it does not cut",
        )
        for c in contacts[:3]
    )


def _dated(start_s: float, seconds: float) -> float | None:
    return start_s + seconds if np.isfinite(seconds) else None
