"""Readings along a planned line, each with its budget."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.measurement.budget import effective_count, extreme_of, measured, rooted, shared_u_mm, unmeasured
from kerfmark.measurement.line.groove import AVERAGED_MM, MIDDLE_PART, STATION_MM, Groove
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = [
    "completeness", "depth_mean_mm", "depth_sd_mm", "lateral_95_mm", "lateral_max_mm", "lateral_rms_mm",
    "overrun_mm", "width_sd_mm",
]  # fmt: skip

NO_GROOVE = "no groove was found along the line"
NEAR_RANK = 0.05
WITHIN = 3.0
"""Standard deviations within which an end may come to stand on either side of the line's."""
LEFT_OF_NOISE = 0.5
"""Uncertainty of what noise adds to a high percentile, as part of what was taken off: few stations say how far the tail is noise."""
MOST_SCATTER = 1.7
ALIKE_STATIONS = 2.0
"""Neighbouring stations share their noise: means over 0.3 mm every 0.1 mm."""
SMOOTH_SPREAD = 0.6
"""What a smooth error adds to a high percentile, in its standard deviations: a line of some millimetres meets few waves."""
END_PART = 0.03
"""Of a triangle's side: how far short of its rounded rim a groove's end is found."""
AVERAGING_PART = 0.008
"""Means over 0.3 mm, taken square to the line and not to the tool's way, lower waves 4 to 6 mm long by about this part."""
INNER_MEAN = 0.83
"""Efficiency of the mean of the middle half of normal values."""
NOISE_KNOWN = 0.3
"""Part to which the noise variance of a station is known: a source's to a fifth, and a round end leaves less straight wall."""
ONE_WAY = 1.96
"""A square that one error makes, such as a shift's: its 95 % point is 3.84 variances, so that 1.96 of them stand for u."""
PARABOLA_VARIANCE = 2.25
"""Variance of a parabola's value in its middle over that of a mean of the same points: 9/4."""


def lateral_rms_mm(groove: Groove) -> tuple[Reading, ...]:
    """`line.lateral_rms_mm`: root mean square distance of the tool's centre from the line, where it was followed."""
    lateral = _lateral(groove)
    if not len(lateral):
        return (_nothing("line.lateral_rms_mm"),)
    at = groove.stations.along[groove.followed]
    places, side = _floor(groove), np.column_stack([groove.path.leftward(at), np.zeros(len(at))])
    noise, moved, smooth = _centre_noise(groove), _moved_mm2(groove, places, side), _smooth_centre_mm(groove)
    raw = float(np.mean(lateral**2))
    square = raw - noise**2
    # How the square answers to each station; by less where what was read is mostly noise and alignment.
    weights = 2.0 * lateral / len(lateral) * math.sqrt(max(square, 0.0) / max(raw, 1e-18))
    root = math.sqrt(max(square, 0.0))
    linear = _motion_u(groove, places, side, weights), _shared_lateral_mm(groove, places, side, weights)
    value, budget = rooted(
        square,
        (
            Component("surface noise", 2.0 * root * noise / math.sqrt(_independent(at))),
            Component("noise taken off", _noise_taken_off(noise, _independent(at))),
            Component("trueness", math.hypot(linear[1], math.sqrt(2.0) * smooth**2)),
            Component("alignment", math.hypot(linear[0], ONE_WAY * moved)),
            Component("averaging along the line", 2.0 * root * AVERAGING_PART * root),
        ),
    )
    return (_lateral_reading(groove, "line.lateral_rms_mm", value, budget),)


def lateral_95_mm(groove: Groove) -> tuple[Reading, ...]:
    """`line.lateral_95_mm`: distance that 95 % of the followed line keeps within."""
    return _ranked(groove, "line.lateral_95_mm", 0.95)


def lateral_max_mm(groove: Groove) -> tuple[Reading, ...]:
    """`line.lateral_max_mm`: largest distance of the tool's centre from the line."""
    return _ranked(groove, "line.lateral_max_mm", 1.0)


def _ranked(groove: Groove, name: str, part: float) -> tuple[Reading, ...]:
    lateral = _lateral(groove)
    if not len(lateral):
        return (_nothing(name),)
    size, noise = np.abs(lateral), _centre_noise(groove)
    value = float(np.quantile(size, part))
    rank = np.argsort(np.argsort(size)) / max(len(size) - 1, 1)
    near = np.abs(rank - part) <= NEAR_RANK if part < 1.0 else size >= value
    near |= np.abs(size - value) <= np.abs(size - value).min()
    weights = np.where(near, np.sign(lateral), 0.0) / near.sum()
    if part == 1.0:
        beyond, line = extreme_of(-size, noise, alike=ALIKE_STATIONS)
        true, taken_off = max(value - beyond, 0.0), Component(line.source, math.hypot(line.u, LEFT_OF_NOISE * beyond))
    else:
        true = float(np.quantile(np.abs(_drawn_in(lateral, noise)), part))
        taken_off = Component("noise taken off", LEFT_OF_NOISE * abs(value - true))
    spread = Component("spread by noise", _where_none(noise**2, true))
    return (_lateral_reading(groove, name, true, (taken_off, spread, *_ranked_budget(groove, true, weights))),)


def _ranked_budget(groove: Groove, value: float, weights: FloatArray) -> tuple[Component, ...]:
    """Of a percentile of distances that rests on some stations."""
    at = groove.stations.along[groove.followed]
    places, side = _floor(groove), np.column_stack([groove.path.leftward(at), np.zeros(len(at))])
    noise, smooth, moved = _centre_noise(groove), _smooth_centre_mm(groove), _moved_mm2(groove, places, side)
    # A turn moves stations apart: by the whole of it where they lie alike, else only as those that it rests on answer to it.
    turn = _turned_mm(groove, places, side) ** 2
    turned = _where_none(turn, math.sqrt(max(0.0, float(np.abs(_lateral(groove)).var()) - noise**2 - turn)))
    linear = _motion_u(groove, places, side, weights)
    independent = noise * math.sqrt(min(1.0, AVERAGED_MM / STATION_MM * float((weights**2).sum())))
    shared = _shared_lateral_mm(groove, places, side, weights)
    return (
        Component("surface noise", independent if np.count_nonzero(weights) > 1 else 0.0),
        Component("trueness", math.hypot(shared, _where_none(smooth**2, value), SMOOTH_SPREAD * smooth)),
        Component("alignment", math.hypot(linear, _where_none(moved, value), turned)),
        Component("averaging along the line", AVERAGING_PART * value),
    )


def completeness(groove: Groove) -> tuple[Reading, ...]:
    """`line.completeness`: part of the line that the tool's centre passed while cutting."""
    name, length = "line.completeness", groove.path.length_mm
    spans = [(max(r.start_mm, 0.0), min(r.end_mm, length)) for r in groove.runs]
    inside = [(a, b) for a, b in spans if b > a]
    covered = sum(b - a for a, b in inside)
    ends = sum((a > 0.0) + (b < length) for a, b in inside)
    each = _end_u_mm(groove)
    budget = (
        Component("ends of the groove", each * math.sqrt(ends) / length),
        Component("alignment", _shifted_ends_mm(groove, inside, each) / length),
    )
    curves = tuple(_on_line(groove, np.linspace(a, b, 50)) for a, b in inside)
    witness = Witness("curve", curves_mm=curves)
    return (measured(name, min(covered / length, 1.0), unit="1", budget=budget, witness=witness),)


def _shifted_ends_mm(groove: Groove, inside: list[tuple[float, float]], each: float) -> float:
    """What the alignment takes at one end of the line and gives beyond the other, where nothing counts any more.

    A groove that ends well within the line at both ends, or well beyond both, keeps its length when it is shifted.
    """
    if not inside:
        return 0.0
    length, shift = groove.path.length_mm, _along_u_mm(groove, 0.0)
    within = WITHIN * math.hypot(each, shift)
    starts_in, ends_in = inside[0][0] > within, inside[-1][1] < length - within
    starts_out, ends_out = groove.runs[0].start_mm < -within, groove.runs[-1].end_mm > length + within
    return 0.0 if (starts_in and ends_in) or (starts_out and ends_out) else shift


def _along_u_mm(groove: Groove, at_mm: float) -> float:
    """What the alignment moves a place of the line by, along the line."""
    at = np.array([at_mm])
    along = groove.path.leftward(at) @ np.array([[0.0, -1.0], [1.0, 0.0]])
    return _motion_u(groove, _on_line(groove, at), np.column_stack([along, [0.0]]), np.ones(1))


def overrun_mm(groove: Groove) -> tuple[Reading, ...]:
    """`line.overrun_mm`: how far the tool's centre went beyond each end of the line, 0 where it did not get there."""
    name = "line.overrun_mm"
    if not groove.runs:
        return tuple(_nothing(name, where) for where in ("start", "end"))
    if groove.path.closed:
        reason = "the line is closed"
        return tuple(unmeasured(name, reason, unit="mm", where=w, status="not_applicable") for w in ("start", "end"))
    length = groove.path.length_mm
    over = {"start": max(0.0, -groove.runs[0].start_mm), "end": max(0.0, groove.runs[-1].end_mm - length)}
    return tuple(_overrun(groove, where, value) for where, value in over.items())


def _overrun(groove: Groove, where: str, value: float) -> Reading:
    end, way = (0.0, -1.0) if where == "start" else (groove.path.length_mm, 1.0)
    points = _on_line(groove, np.array([end, end + way * value]))
    budget = (Component("end of the groove", _end_u_mm(groove)), Component("alignment", _along_u_mm(groove, end)))
    witness = Witness("length", segments_mm=points[None])
    return measured("line.overrun_mm", value, unit="mm", where=where, budget=budget, witness=witness)


def depth_mean_mm(groove: Groove) -> tuple[Reading, ...]:
    """`line.depth_mean_mm`: mean depth under the tool's centre below the old surface, where the line was followed."""
    depth, at = _followed(groove, groove.stations.depth_mm)
    if not len(depth):
        return (_nothing("line.depth_mean_mm"),)
    up = np.broadcast_to([0.0, 0.0, 1.0], (len(at), 3))
    places = _floor(groove)
    budget = (
        Component("surface noise", _depth_noise(groove) / math.sqrt(_independent(at))),
        Component("trueness", _shared_mm(groove, places, np.full(len(at), 1.0 / len(at)))),
        Component("alignment", _motion_u(groove, places, up, np.full(len(at), 1.0 / len(at)))),
    )
    return (_depth_reading(groove, "line.depth_mean_mm", float(depth.mean()), budget),)


def depth_sd_mm(groove: Groove) -> tuple[Reading, ...]:
    """`line.depth_sd_mm`: standard deviation of that depth along the line, the source's noise variance taken off."""
    depth, at = _followed(groove, groove.stations.depth_mm)
    if len(depth) < 2:
        return (_nothing("line.depth_sd_mm"),)
    up = np.broadcast_to([0.0, 0.0, 1.0], (len(at), 3))
    value, budget = _spread(groove, depth, at, noise=_depth_noise(groove), directions=up, shared=1.0)
    return (_depth_reading(groove, "line.depth_sd_mm", value, budget),)


def width_sd_mm(groove: Groove) -> tuple[Reading, ...]:
    """`line.width_sd_mm`: standard deviation of the width across the groove at half its depth, noise taken off."""
    width, at = _followed(groove, groove.stations.width_mm)
    if len(width) < 2:
        return (_nothing("line.width_sd_mm"),)
    # Both walls move outwards with a smooth error, and the width by both together.
    noise, shared = math.sqrt(2.0) * _wall_noise(groove, 0.2), math.sqrt(2.0 + 2.0 * _alike_across(groove))
    value, budget = _spread(groove, width, at, noise=noise, directions=None, shared=shared)
    middle, half = _floor(groove), 0.5 * width[:, None]
    side = np.column_stack([groove.path.leftward(at), np.zeros(len(at))])
    some = slice(None, None, max(1, len(at) // 40))
    segments = np.stack([middle - half * side, middle + half * side], axis=1)[some]
    witness = Witness("length", segments_mm=segments)
    return (measured("line.width_sd_mm", value, unit="mm", budget=budget, witness=witness),)


def _nothing(name: str, where: str | None = None) -> Reading:
    return unmeasured(name, NO_GROOVE, unit="mm", where=where)


def _followed(groove: Groove, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Values at the stations that were followed, and where those lie along the line."""
    chosen = groove.followed & np.isfinite(values)
    return values[chosen], groove.stations.along[chosen]


def _lateral(groove: Groove) -> FloatArray:
    return _followed(groove, groove.stations.centre_mm)[0]


def _floor(groove: Groove) -> FloatArray:
    """(n, 3) the tool's centre on the floor at the stations that were followed."""
    chosen, s = groove.followed, groove.stations
    places = groove.path.places(s.along[chosen], s.centre_mm[chosen])
    return np.column_stack([places, groove.top_at(places) - s.depth_mm[chosen]])


def _on_line(groove: Groove, along: FloatArray) -> FloatArray:
    """(n, 3) points of the planned line on the old surface."""
    places = groove.path.places(along, np.zeros(len(along)))
    return np.column_stack([places, groove.top_at(places)])


def _independent(at: FloatArray) -> float:
    """How many stations have noise of their own: one for each 0.3 mm they were averaged over."""
    return max(1.0, len(at) * STATION_MM / AVERAGED_MM)


def _wall_noise(groove: Groove, part: float) -> float:
    """Noise of the place of one wall, over 0.3 mm of the line and a part of the depth."""
    area = AVERAGED_MM * part * float(np.nanmean(groove.stations.depth_mm))
    count = INNER_MEAN * effective_count(edge_mm=groove.edge_mm, area_mm2=area)
    return 1e-3 * groove.piece.noise_um / math.sqrt(count)


def _centre_noise(groove: Groove) -> float:
    """Noise of the tool's centre at one station, the middle between two walls.

    A round end leaves less straight wall than the depth has, by how much nobody states: where stations scatter about
    their neighbours by more than even walls would, up to 1.7 times as much is noise, and what goes beyond is the hand.
    """
    even = _wall_noise(groove, 0.6) / math.sqrt(2.0)
    return float(np.clip(_scatter(_lateral(groove)), even, MOST_SCATTER * even))


def _drawn_in(lateral: FloatArray, noise: float) -> FloatArray:
    """Stations drawn towards their mean until they vary as much as the tool's way does, the noise's variance taken off.

    Source: Louis 1984, *Estimating a population of parameter values using Bayes and empirical Bayes methods*, from memory.
    """
    middle, variance = lateral.mean(), float(lateral.var())
    part = math.sqrt(max(0.0, 1.0 - noise**2 / variance)) if variance > 0.0 else 0.0
    return np.asarray(middle + part * (lateral - middle))


def _scatter(values: FloatArray) -> float:
    """Standard deviation of values about their neighbours 0.3 mm away, by second differences, robustly."""
    apart = round(AVERAGED_MM / STATION_MM)
    if len(values) < 5 * apart:
        return 0.0
    second = values[: -2 * apart] - 2.0 * values[apart:-apart] + values[2 * apart :]
    return 1.4826 * float(np.median(np.abs(second))) / math.sqrt(6.0)


def _depth_noise(groove: Groove) -> float:
    """Noise of the depth at one station, over 0.3 mm of the line and the middle of the floor."""
    area = AVERAGED_MM * 2.0 * MIDDLE_PART * float(np.nanmean(groove.stations.width_mm))
    count = effective_count(edge_mm=groove.edge_mm, area_mm2=area)
    return 1e-3 * groove.piece.noise_um * math.sqrt(PARABOLA_VARIANCE / count)


def _end_u_mm(groove: Groove) -> float:
    """Uncertainty of where the tool's centre stood at an end: its end wall, and half the width there."""
    if not groove.runs:
        return 0.0
    wall = 1e-3 * groove.piece.noise_um / math.sqrt(effective_count(edge_mm=groove.edge_mm, length_mm=0.5))
    # End wall and side walls share most of a smooth error: their centre moves by what differs over a groove's width.
    smooth = 1e-3 * groove.piece.trueness_um * math.sqrt(max(1.5 - 1.5 * _alike_across(groove), 0.0))
    return math.hypot(wall, 0.7 * _wall_noise(groove, 0.3), END_PART * groove.edge_mm, smooth)


def _motion_u(groove: Groove, points: FloatArray, directions: FloatArray, weights: FloatArray) -> float:
    """What the alignment gives to a weighted sum of heights of points along their directions."""
    sensitivity = weights @ np.concatenate([np.cross(points, directions), directions], axis=1)
    return math.sqrt(max(0.0, float(sensitivity @ groove.piece.alignment.covariance @ sensitivity)))


def _shared_mm(groove: Groove, points: FloatArray, weights: FloatArray) -> float:
    """A source's smooth error on a weighted sum of heights of points."""
    return shared_u_mm(1e-3 * groove.piece.trueness_um, points, weights)


def _turned_mm(groove: Groove, points: FloatArray, directions: FloatArray) -> float:
    """How differently the alignment moves the stations: what a turn adds to those at one end and takes off the other."""
    motion = np.concatenate([np.cross(points, directions), directions], axis=1)
    apart = motion - motion.mean(axis=0)
    return math.sqrt(float(np.mean(np.einsum("ni,ij,nj->n", apart, groove.piece.alignment.covariance, apart))))


def _moved_mm2(groove: Groove, points: FloatArray, directions: FloatArray) -> float:
    """Mean square of what the alignment moves the stations by along their directions."""
    motion = np.concatenate([np.cross(points, directions), directions], axis=1)
    return float(np.mean(np.einsum("ni,ij,nj->n", motion, groove.piece.alignment.covariance, motion)))


def _where_none(square: float, value: float) -> float:
    """What linear propagation leaves out where a distance, never negative, is no larger than its uncertainty."""
    return square / math.sqrt(square + value**2) if square > 0.0 else 0.0


def _noise_taken_off(noise: float, count: float) -> float:
    """Uncertainty of a noise variance that is taken off a square: so many values scatter, and it is known only so well."""
    return noise**2 * math.hypot(math.sqrt(2.0 / count), NOISE_KNOWN)


def _lateral_reading(groove: Groove, name: str, value: float, budget: tuple[Component, ...]) -> Reading:
    at = groove.stations.along[groove.followed]
    places = _floor(groove)
    curves = (places, _on_line(groove, at))
    far = int(np.argmax(np.abs(_lateral(groove))))
    segments = np.array([[_on_line(groove, at[far : far + 1])[0], places[far]]])
    witness = Witness("length", segments_mm=segments, curves_mm=curves)
    return measured(name, value, unit="mm", budget=budget, witness=witness)


def _alike_across(groove: Groove) -> float:
    """How alike a smooth error is on both walls of the groove: its correlation over the groove's width."""
    width = np.array([[0.0, 0.0, 0.0], [float(np.nanmean(groove.stations.width_mm)), 0.0, 0.0]])
    return 0.5 * shared_u_mm(1.0, width, [1.0, 1.0]) ** 2 - 1.0


def _smooth_centre_mm(groove: Groove) -> float:
    """A source's smooth error on the middle between two walls at one station: half of what it differs by between them."""
    return 1e-3 * groove.piece.trueness_um * math.sqrt(max(0.5 - 0.5 * _alike_across(groove), 0.0))


def _shared_lateral_mm(groove: Groove, places: FloatArray, side: FloatArray, weights: FloatArray) -> float:
    """That error on a weighted sum of the middles at all stations."""
    half = 0.5 * float(np.nanmean(groove.stations.width_mm)) * side
    walls, each = np.concatenate([places + half, places - half]), 0.5 * np.concatenate([-weights, weights])
    return _shared_mm(groove, walls, each)


def _spread(
    groove: Groove, values: FloatArray, at: FloatArray, *, noise: float, directions: FloatArray | None, shared: float
) -> tuple[float, tuple[Component, ...]]:
    """Standard deviation with the noise variance taken off, and its budget.

    `directions`: along which the alignment moves the values, None where it does not. `shared` times a smooth error of
    the source is what one value errs by.
    """
    count, points = _independent(at), _floor(groove)
    off = values - values.mean()
    raw = float((off**2).sum() / (len(off) - 1))
    turned = 0.0 if directions is None else _turned_mm(groove, points, directions)
    square = raw - noise**2
    root = math.sqrt(max(square, 0.0))
    weights = 2.0 * off / len(off) * root / math.sqrt(max(raw, 1e-18))
    smooth = math.hypot(shared * _shared_mm(groove, points, weights), (shared * 1e-3 * groove.piece.trueness_um) ** 2)
    moved = 0.0 if directions is None else _motion_u(groove, points, directions, weights)
    return rooted(
        square,
        (
            Component("surface noise", 2.0 * root * noise / math.sqrt(count)),
            Component("noise taken off", _noise_taken_off(noise, count)),
            Component("trueness", smooth),
            Component("alignment", math.hypot(moved, ONE_WAY * turned**2)),
            Component("averaging along the line", 2.0 * root * AVERAGING_PART * root),
        ),
    )


def _depth_reading(groove: Groove, name: str, value: float, budget: tuple[Component, ...]) -> Reading:
    floor = _floor(groove)
    middle = floor[len(floor) // 2]
    depth = float(groove.stations.depth_mm[groove.followed][len(floor) // 2])
    top = middle + np.array([0.0, 0.0, depth])
    witness = Witness("length", segments_mm=np.array([[middle, top]]), curves_mm=(floor,))
    return measured(name, value, unit="mm", budget=budget, witness=witness)
