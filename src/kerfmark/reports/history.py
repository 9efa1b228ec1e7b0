"""How a recorded piece was cut, on paper: what was removed over time, what happened when, and the process readings."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.records import Assessment, Event, FloatArray, Motion, Removal
from kerfmark.reports import wording
from kerfmark.reports.canvas import CHAIN, DASHED, NARROW, WIDE, line, num, path, svg, text

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["EVENT_WORDS", "event_sentences", "history_svg", "no_event_sentence", "process_rows", "removal_of"]

EVENT_LETTERS: Final = {"outside": "E", "neighbour": "N", "pulp": "P"}
EVENT_WORDS: Final = {"outside": "cut outside the envelope", "neighbour": "cut into a neighbour", "pulp": "pulp opened"}
LANE_PX: Final = 16.0
LINE_PX: Final = 13.0
FEWEST_TICKS: Final = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0)
DASHES: Final = (None, DASHED, CHAIN, "2 2", "8 2 2 2")
BINS: Final = 150
LONGEST_LIST: Final = 12


def removal_of(assessment: Assessment, prepared: Prepared) -> Removal | None:
    """What was removed over time, in about 150 bins; None of a piece that was not recorded."""
    piece = assessment.piece
    if piece.motion is None or piece.cut is None or len(piece.motion.time_s) < 2:
        return None
    from kerfmark.replay import removal

    lasted = float(piece.motion.time_s[-1] - piece.motion.time_s[0])
    layers = prepared.layer_grids
    return removal(piece.cut, prepared.subject_grid, layers=layers, bin_s=max(lasted / BINS, 0.02))


def history_svg(assessment: Assessment, found: Removal | None, *, width: float = 400.0, height: float = 190.0) -> str:
    """Removal over time: in all (wide) and per tissue (dashed in turn), with a lane of events and the stretches not seen.

    Parameters
    ----------
    assessment : Assessment
    found : Removal or None
        From `removal_of`.
    width, height : float, px

    Returns
    -------
    drawing : str
        Empty where nothing was recorded.
    """
    motion = assessment.piece.motion
    if found is None or motion is None:
        return ""
    lasted = float(motion.time_s[-1] - motion.time_s[0])
    total = found.by_time_mm3.sum(axis=0).cumsum()
    plot = _Plot(44.0, width - 70.0, 8.0 + LANE_PX, height - 30.0, lasted, max(float(total[-1]), 1e-3))
    body = _axes(plot) + _unseen(plot, motion.unseen_s - motion.time_s[0]) + _curves(plot, found, total)
    body += _tools(plot, motion) + _lane(plot, assessment.events)
    label = f"Removed over time: {total[-1]:.1f} mm³ in {_clock(lasted)}; {len(assessment.events)} events"
    return svg(width, height, body, label=label, class_="history")


def process_rows(assessment: Assessment) -> list[tuple[str, str, str]]:
    """Name, value and ± U of every process reading that was measured, and of those of a line that need a motion."""
    chosen = [r for r in assessment.readings if r.id.startswith("process.") or r.id in _OF_A_LINE]
    rows = []
    for reading in chosen:
        if reading.value is None or reading.u is None:
            continue
        decimals = (
            0
            if reading.id in _COUNTS
            else 1
            if reading.unit in ("s", "deg", "mm")
            else 0
            if reading.unit == "um"
            else 2
        )
        shown, twice, least = wording.number(reading.value, decimals), 2.0 * reading.u, 10.0**-decimals
        spread = wording.with_unit(
            f"± {wording.number(twice, decimals)}" if twice >= 0.5 * least else f"± < {least:g}", reading.unit
        )
        alike = {r.where for r in chosen if r.id == reading.id} - {"all"}
        if reading.where == "other" and alike == {"other"}:  # no tissues are told apart: it says the same as the whole
            continue
        where = None if alike == {"other"} else reading.where
        rows.append((wording.name_of(reading.id, where, reading.stat, alone=True), shown, spread))
    return rows


def event_sentences(events: Sequence[Event]) -> list[str]:
    """Each event as a line: its letter and number, when, what, how deep; of many the first dozen and how many more."""
    lines = [
        f"{EVENT_LETTERS[e.kind]}{n}  {_clock(e.start_s)}  {EVENT_WORDS[e.kind]}{f', {e.side}' if e.side else ''}, "
        f"{wording.number(e.depth_mm, 2)} mm deep"
        for n, e in enumerate(events, start=1)
    ]
    more = len(lines) - LONGEST_LIST
    return lines if more <= 0 else [*lines[:LONGEST_LIST], f"and {more} more"]


def no_event_sentence(prepared: Prepared) -> str:
    """That nothing happened, by what could have: a jaw has no pulp, a block no neighbours."""
    kinds = ["nothing cut outside the envelope"]
    kinds += ["no neighbour touched"] if prepared.neighbours else []
    kinds += ["no pulp opened"] if "pulp" in prepared.layers else []
    return f"No event: {', '.join(kinds)}."


_COUNTS: Final = ("process.pauses", "process.entries_outside", "line.lifts", "line.passes")
_OF_A_LINE: Final = ("line.lifts", "line.passes", "line.time_s", "line.steering_bits_per_s")


class _Plot:
    """The plot's ground: time runs right, volume upwards."""

    def __init__(self, left: float, right: float, top: float, bottom: float, lasted: float, most: float) -> None:
        self.left, self.right, self.top, self.bottom = left, right, top, bottom
        self.lasted, self.most = max(lasted, 1e-6), 1.08 * most

    def x(self, time_s: float) -> float:
        return self.left + (self.right - self.left) * min(max(time_s, 0.0), self.lasted) / self.lasted

    def y(self, volume_mm3: float) -> float:
        return self.bottom - (self.bottom - self.top) * volume_mm3 / self.most

    def points(self, time_s: FloatArray, volume_mm3: FloatArray) -> FloatArray:
        return np.array([[self.x(t), self.y(v)] for t, v in zip(time_s.tolist(), volume_mm3.tolist(), strict=True)])


def _axes(plot: _Plot) -> str:
    step = next((s for s in FEWEST_TICKS if plot.lasted / s <= 7.0), FEWEST_TICKS[-1])
    body = line(plot.left, plot.bottom, plot.right, plot.bottom, stroke="@edge")
    for time in np.arange(0.0, plot.lasted + 1e-9, step).tolist():
        x = plot.x(time)
        body += line(x, plot.bottom, x, plot.bottom + 4.0, stroke="@edge")
        body += text(x, plot.bottom + 16.0, _clock(time), size=11, anchor="middle", fill="@ink3")
    for volume in _round_steps(plot.most):
        y = plot.y(volume)
        body += line(plot.left, y, plot.right, y, stroke="@hair")
        body += text(plot.left - 5.0, y + 4.0, f"{volume:g}", size=11, anchor="end", fill="@ink3")
    return body + text(4.0, plot.top - 4.0, "mm³", size=11, fill="@ink3")


def _round_steps(most: float) -> list[float]:
    raw = most / 4.0
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(power * next(s for s in (1.0, 2.0, 5.0, 10.0) if s * power >= raw))
    return [round(float(v), 9) for v in np.arange(0.0, most, step)]


def _unseen(plot: _Plot, stretches: FloatArray) -> str:
    """Where nothing was seen: a band between dashed lines, not a colour."""
    body = ""
    for start, end in stretches.tolist():
        a, b = plot.x(start), plot.x(end)
        body += f'<rect x="{num(a)}" y="{num(plot.top)}" width="{num(max(b - a, 0.5))}" height="{num(plot.bottom - plot.top)}" fill="@well"/>'
        body += line(a, plot.top, a, plot.bottom, stroke="@rule", stroke_dasharray=DASHED)
        body += line(b, plot.top, b, plot.bottom, stroke="@rule", stroke_dasharray=DASHED)
    return body


def _curves(plot: _Plot, found: Removal, total: FloatArray) -> str:
    time = np.r_[0.0, found.time_s]
    body, labels = "", [(float(total[-1]), "in all", 600)]
    drawn = [n for n in range(len(found.names)) if found.by_time_mm3[n].sum() > 0.01 * total[-1]]
    for place, n in enumerate(drawn if len(drawn) > 1 else []):
        course = np.r_[0.0, found.by_time_mm3[n].cumsum()]
        dash = DASHES[place % len(DASHES)]
        body += path(plot.points(time, course), stroke="@ink2", stroke_width=NARROW, stroke_dasharray=dash)
        labels.append((float(course[-1]), found.names[n], 400))
    body += path(plot.points(time, np.r_[0.0, total]), stroke="@ink", stroke_width=WIDE, stroke_linejoin="round")
    return body + _end_labels(plot, labels)


def _end_labels(plot: _Plot, labels: list[tuple[float, str, int]]) -> str:
    """Names at the ends of the curves, kept 12 px apart."""
    body, last = "", inf
    for volume, name, weight in sorted(labels, reverse=True):
        y = plot.y(volume) + 4.0
        y = y if last == inf else max(y, last + 12.0)
        body += text(plot.right + 6.0, y, name, size=11, weight=weight, fill="@ink" if weight > 400 else "@ink3")
        last = y
    return body


def _tools(plot: _Plot, motion: Motion) -> str:
    """Where another instrument is taken in hand: a dotted line and its name; nothing where one is held throughout."""
    held = np.asarray(motion.instrument)
    if len(np.unique(held)) < 2:
        return ""
    starts = np.r_[0, np.flatnonzero(np.diff(held)) + 1]
    body = ""
    for k, start in enumerate(starts.tolist()):
        x, late = plot.x(float(motion.time_s[start] - motion.time_s[0])), start > len(held) // 2
        row = LINE_PX * (k % 2)
        y = plot.bottom - 6.0 - row if late else plot.top + 11.0 + row  # off the curve, which rises to the right
        body += line(x, plot.top, x, plot.bottom, stroke="@edge", stroke_dasharray="1 3")
        body += text(x + 3.0, y, motion.instruments[int(held[start])], size=11, fill="@ink2", halo=True)
    return body


def _lane(plot: _Plot, events: Sequence[Event]) -> str:
    """Events above the plot: a filled square at the beginning, a line down; a letter where there is room."""
    body, taken = "", -inf
    for event in events:
        x = plot.x(event.start_s)
        body += line(x, plot.top - 4.0, x, plot.bottom, stroke="@ink3", stroke_dasharray="1.5 2.5")
        body += f'<rect x="{num(x - 2.5)}" y="{num(plot.top - 7.0)}" width="5" height="5" fill="@ink"/>'
        if x - taken > 11.0:
            body += text(x, plot.top - 10.0, EVENT_LETTERS[event.kind], size=11, anchor="middle", weight=500)
            taken = x
    return body


def _clock(time_s: float) -> str:
    """Minutes and seconds; with a tenth below ten seconds that are not whole."""
    minutes, seconds = divmod(time_s, 60.0)
    if minutes < 1.0 and seconds < 10.0 and abs(seconds - round(seconds)) > 0.04:
        return f"0:0{seconds:.1f}"
    whole = round(time_s)
    return f"{whole // 60}:{whole % 60:02d}"
