"""Following a line: how near the tool's centre kept to it, how much of it was cut, and how evenly."""

from __future__ import annotations

from kerfmark.measurement.line import going as g
from kerfmark.measurement.line import readings as r
from kerfmark.measurement.line.groove import Groove
from kerfmark.measurement.measures import Measure

__all__ = ["LINE"]

_TAKEN = (
    ("line.lateral_rms_mm", "mm", r.lateral_rms_mm, "Root mean square distance of the tool's centre from the line."),
    ("line.lateral_95_mm", "mm", r.lateral_95_mm, "Distance that 95 % of the followed line keeps within."),
    ("line.lateral_max_mm", "mm", r.lateral_max_mm, "Largest distance of the tool's centre from the line."),
    ("line.completeness", "1", r.completeness, "Part of the line that the tool's centre passed while cutting."),
    ("line.overrun_mm", "mm", r.overrun_mm, "How far the tool's centre went beyond each end of the line."),
    ("line.depth_mean_mm", "mm", r.depth_mean_mm, "Mean depth under the tool's centre below the old surface."),
    ("line.depth_sd_mm", "mm", r.depth_sd_mm, "Standard deviation of that depth along the line."),
    ("line.width_sd_mm", "mm", r.width_sd_mm, "Standard deviation of the groove's width at half its depth."),
)
_OF_A_MOTION = (
    ("line.lifts", "1", g.lifts, "How often the tool left the material between the line's ends."),
    ("line.passes", "1", g.passes, "How often the tool went along the line."),
    ("line.time_s", "s", g.time_s, "Time from first to last contact."),
    ("line.steering_bits_per_s", "bit/s", g.steering_bits_per_s, "Index of difficulty, length over width, over the time taken."),
)  # fmt: skip

LINE: tuple[Measure, ...] = (
    *(
        Measure(
            id=name,
            family="line",
            unit=unit,
            definition=definition,
            context=Groove,
            function=function,
            wheres=("start", "end") if name == "line.overrun_mm" else (),
        )
        for name, unit, function, definition in _TAKEN
    ),
    *(
        Measure(
            id=name,
            family="line",
            unit=unit,
            definition=definition,
            context=Groove,
            function=g.needs_motion(name, unit, function),
        )
        for name, unit, function, definition in _OF_A_MOTION
    ),
)
