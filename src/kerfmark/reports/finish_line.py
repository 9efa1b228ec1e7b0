"""The finish line unrolled: its width round the tooth between its limits, with the band ± U."""

from __future__ import annotations

from typing import Final

import numpy as np

from kerfmark.records import FloatArray
from kerfmark.reports.canvas import LIMIT, NARROW, WIDE, departure_patterns, line, path, path_data, svg, text
from kerfmark.reports.contents import CriterionLine, PieceContents
from kerfmark.reports.symbols import balloon

__all__ = ["developed_svg", "developed_widths"]

READING: Final = "crown.finish_line_width_mm"
WALLS: Final = (("lingual", 180.0), ("mesial", 90.0), ("buccal", 0.0), ("distal", -90.0))
GAP_DEG: Final = 12.0


def developed_widths(contents: PieceContents, *, mesial_sign: int) -> FloatArray:
    """Azimuth (degrees, 225 down to −135) and width (mm) of every section the readings kept; (n, 2), (0, 2) if none did.

    The two curves of a width's witness are the outer margin and the foot of the wall, section by section.
    """
    rows = []
    for criterion in _walls(contents).values():
        witness = criterion.reading.witness
        if witness is None or len(witness.curves_mm) != 2 or len(witness.curves_mm[0]) != len(witness.curves_mm[1]):
            continue
        outer, inner = witness.curves_mm
        azimuth = np.degrees(np.arctan2(outer[:, 0] * mesial_sign, outer[:, 1]))
        rows.append(
            np.column_stack([np.where(azimuth < -135.0, azimuth + 360.0, azimuth), np.hypot(*(outer - inner)[:, :2].T)])
        )
    found = np.vstack(rows) if rows else np.empty((0, 2))
    return found[np.argsort(-found[:, 0], kind="stable")]


def _walls(contents: PieceContents) -> dict[str, CriterionLine]:
    """One criterion per wall, the median before other statistics."""
    found: dict[str, CriterionLine] = {}
    for criterion in contents.lines:
        wall = criterion.reading.where
        ours = criterion.reading.id == READING and criterion.reading.value is not None
        if wall and ours and (wall not in found or criterion.reading.stat == "median"):
            found[wall] = criterion
    return found


def developed_svg(
    contents: PieceContents, *, mesial_sign: int, width: float = 400.0, height: float = 176.0, title: str = ""
) -> str:
    """The developed strip, or nothing where no reading kept its sections.

    Parameters
    ----------
    contents : PieceContents
    mesial_sign : int
    width, height : float, px
    title : str
        Which tooth it is of, where there are several.
    """
    widths, walls = developed_widths(contents, mesial_sign=mesial_sign), _walls(contents)
    limits = [x for c in walls.values() for x in c.limits if np.isfinite(x)]
    if len(widths) < 8 or not limits:
        return ""
    low, high = min([*limits, float(widths[:, 1].min())]), max([*limits, float(widths[:, 1].max())])
    margin = 0.25 * (high - low) + 0.05
    plot = _Plot(38.0, width - 8.0, 10.0, height - 34.0, max(0.0, low - margin), high + margin)
    body = f"<defs>{departure_patterns('developed')}</defs>" + "".join(
        _corridor(plot, c, azimuth) for wall, azimuth in WALLS if (c := walls.get(wall))
    )
    body += _band(plot, widths, walls) + _outside(plot, widths, walls)
    body += path([plot.px(run) for run in _runs(widths)], stroke="@ink", stroke_width=WIDE, stroke_linejoin="round")
    body += _feet(plot, walls, height) + _limit_marks(plot, walls)
    body += text(plot.right, plot.top + 4, title, size=12, weight=600, anchor="end", halo=True) if title else ""
    label = f"Width of the finish line round the tooth, {widths[:, 1].min():.2f} to {widths[:, 1].max():.2f} mm in {len(widths)} sections"
    return svg(width, height, body, label=label, class_="developed")


class _Plot:
    """The plot's ground: azimuth runs right from 225° to −135°, width upwards."""

    def __init__(self, left: float, right: float, top: float, bottom: float, low: float, high: float) -> None:
        self.left, self.right, self.top, self.bottom, self.low, self.high = left, right, top, bottom, low, high

    def x(self, azimuth_deg: float) -> float:
        return self.left + (225.0 - azimuth_deg) / 360.0 * (self.right - self.left)

    def y(self, width_mm: float) -> float:
        return self.bottom - (width_mm - self.low) / (self.high - self.low) * (self.bottom - self.top)

    def px(self, rows: FloatArray) -> FloatArray:
        return np.array([[self.x(a), min(max(self.y(w), self.top), self.bottom)] for a, w in rows])


def _ends(criterion: CriterionLine, plot: _Plot) -> tuple[float, float]:
    low, high = criterion.limits
    return max(low, plot.low), min(high, plot.high)


def _corridor(plot: _Plot, criterion: CriterionLine, azimuth: float) -> str:
    low, high = _ends(criterion, plot)
    x = plot.x(azimuth + 45.0)
    wide = plot.x(azimuth - 45.0) - x
    body = f'<rect x="{x:.2f}" y="{plot.y(high):.2f}" width="{wide:.2f}" height="{plot.y(low) - plot.y(high):.2f}" fill="@corr"/>'
    for limit in criterion.limits:
        if np.isfinite(limit):
            body += line(x, plot.y(limit), x + wide, plot.y(limit), stroke_width=LIMIT)
    return body + line(x, plot.top, x, plot.bottom, stroke="@hair")


def _runs(widths: FloatArray) -> list[FloatArray]:
    """Sections in unbroken stretches: a gap where sections are missing stays a gap."""
    breaks = np.flatnonzero(-np.diff(widths[:, 0]) > GAP_DEG) + 1
    return [run for run in np.split(widths, breaks) if len(run) > 1]


def _wall_at(azimuth: float, walls: dict[str, CriterionLine]) -> CriterionLine | None:
    name = next(
        (wall for wall, middle in WALLS if abs(azimuth - middle) <= 45.0 or abs(azimuth - 360.0 - middle) <= 45.0), None
    )
    return walls.get(name or "")


def _band(plot: _Plot, widths: FloatArray, walls: dict[str, CriterionLine]) -> str:
    body = ""
    for run in _runs(widths):
        expanded = [2 * (c.reading.u or 0.0) if (c := _wall_at(a, walls)) else 0.0 for a, _ in run]
        upper, lower = run.copy(), run.copy()
        upper[:, 1] += expanded
        lower[:, 1] -= expanded
        body += path(np.vstack([plot.px(upper), plot.px(lower)[::-1]]), closed=True, fill="@edge", fill_opacity=0.35)
    return body


def _outside(plot: _Plot, widths: FloatArray, walls: dict[str, CriterionLine]) -> str:
    """Where the width leaves its limits: orange with dots when too wide, blue with hatching when too narrow."""
    body = ""
    for side, bound, sign in (("over", 1, 1.0), ("left", 0, -1.0)):
        for wall, azimuth in WALLS:
            criterion = walls.get(wall)
            if criterion is None or not np.isfinite(criterion.limits[bound]):
                continue
            limit = criterion.limits[bound]
            dense = np.linspace(azimuth + 45.0, azimuth - 45.0, 181)
            ours = np.interp(-dense, -widths[:, 0], widths[:, 1])
            beyond = np.maximum(sign * (ours - limit), 0.0)
            if beyond.max() > 0.0:
                ring = np.vstack(
                    [
                        np.column_stack([dense, limit + sign * beyond]),
                        [[azimuth - 45.0, limit], [azimuth + 45.0, limit]],
                    ]
                )
                body += f'<path d="{path_data(plot.px(ring), closed=True)}" fill="url(#{side}-developed)"/>'
    return body


def _limit_marks(plot: _Plot, walls: dict[str, CriterionLine]) -> str:
    """The limits at the left, those left out that would stand on another."""
    limits = sorted({x for c in walls.values() for x in c.limits if np.isfinite(x)})
    decimals = max((len(f"{x:g}".partition(".")[2]) for x in limits), default=1)
    body, last = "", np.inf
    for limit in limits:
        if last - plot.y(limit) >= 12.0:
            last = plot.y(limit)
            body += text(plot.left - 6, last + 4, f"{limit:.{decimals}f}", size=12, anchor="end", fill="@ink2")
    return body


def _feet(plot: _Plot, walls: dict[str, CriterionLine], height: float) -> str:
    body = line(plot.left, plot.bottom, plot.right, plot.bottom, stroke="@edge", stroke_width=NARROW)
    for wall, azimuth in WALLS:
        middle = plot.x(azimuth)
        body += text(middle - 12, height - 10, wall, size=12, anchor="middle", fill="@ink2")
        if wall in walls:
            body += balloon(middle + 26, height - 14, walls[wall].number, walls[wall].state)
    return body
