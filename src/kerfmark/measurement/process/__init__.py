"""How it was done: readings of a recorded motion and of the cut it made; of anything else, that there are none."""

from __future__ import annotations

from kerfmark.measurement.measures import Measure
from kerfmark.measurement.process import bearing as b
from kerfmark.measurement.process import readings as r
from kerfmark.measurement.process.course import Course
from kerfmark.measurement.process.events import entries_outside, events

__all__ = ["PROCESS", "events"]

_TAKEN = (
    ("process.duration_s", "s", r.duration_s, "Time from the first sample to the last."),
    ("process.cutting_s", "s", r.cutting_s, "Time in which material was removed."),
    ("process.path_mm", "mm", r.path_mm, "Length of the tip's way."),
    ("process.sparc", "1", r.sparc, "Spectral arc length of the tip's speed; nearer 0 is smoother."),
    ("process.ldlj", "1", r.ldlj, "Log dimensionless jerk of the tip's speed; nearer 0 is smoother."),
    ("process.tremor_um_rms", "um", r.tremor_um_rms, "Tremor of the tip between 6 and 12 Hz, root mean square length."),
    ("process.force_mean_n", "N", b.force_mean_n, "Mean size of the recorded force."),
    ("process.force_peak_n", "N", b.force_peak_n, "Greatest size of the recorded force."),
    ("process.force_sd_n", "N", b.force_sd_n, "Standard deviation of the size of the recorded force."),
    ("process.removal_rate_mm3_s", "mm3/s", r.removal_rate_mm3_s, "Volume removed over the time in which it was, in all and of each layer."),
    ("process.pauses", "1", r.pauses_count, "Stretches over 1 s with the tip slower than 0.5 mm/s."),
    ("process.reorientation_deg", "deg", r.reorientation_deg, "Sum of the turns of the instrument's axis."),
    ("process.entries_outside", "1", entries_outside, "Cuts outside the permitted envelope."),
    ("process.mirror_s", "s", b.mirror_s, "Time in which the mirror was seen within 100 mm of the tooth."),
    ("process.neck_flexion_deg", "deg", b.neck_flexion_deg, "Mean lean of the operator's head from its first second."),
)  # fmt: skip

PROCESS: tuple[Measure, ...] = tuple(
    Measure(
        id=name,
        family="process",
        unit=unit,
        definition=definition,
        context=Course,
        function=r.needs_motion(name, unit, function),
        wheres=("all", "other") if name == "process.removal_rate_mm3_s" else (),
        by_layer=name == "process.removal_rate_mm3_s",
    )
    for name, unit, function, definition in _TAKEN
)
