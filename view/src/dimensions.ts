// The reading in hand drawn as a dimension on the piece, from its own witness: the fitted lengths heavy, arcs about their true
// meeting point, lengths between their ends, curves and points where they lie.
import { along, dot, unit } from "./camera";
import type { Vector } from "./camera";
import { arrowhead, balloon, DASHED, dotAt, line, made, path, pathData, words } from "./drawing";
import type { Point } from "./drawing";
import type { Criterion, Witness } from "./scene";

export interface Ground {
  readonly project: (point: ArrayLike<number>) => Vector;
  readonly sees: (point: ArrayLike<number>) => boolean;
  readonly width: number;
  readonly height: number;
  readonly top: number;
}

const HEAVY = 3.2;
const FAR_MM = 400;
const ABOVE_MM = 0.9;
const MOST_DOTS = 160;
/** The balloons of the other criteria stand in a column at either edge; the value in hand stays clear of both. */
const COLUMN = 34;

export function dimension(criterion: Criterion, witness: Witness, ground: Ground): SVGElement[] {
  switch (witness.kind) {
    case "angle": return angle(criterion, witness, ground);
    case "length": return length(criterion, witness, ground);
    case "direction": return direction(criterion, witness, ground);
    default: return places(criterion, witness, ground);
  }
}

const flat = (p: Vector): Point => [p[0], p[1]];
const row = (numbers: Float32Array, i: number): Vector => [numbers[3 * i]!, numbers[3 * i + 1]!, numbers[3 * i + 2]!];

function angle(criterion: Criterion, witness: Witness, ground: Ground): SVGElement[] {
  if (witness.segments.length < 12) return places(criterion, witness, ground);
  const lines = [0, 1].map((i) => upward(row(witness.segments, 2 * i), row(witness.segments, 2 * i + 1)));
  const [one, two] = lines as [[Vector, Vector], [Vector, Vector]];
  const ends = lines.map(([low, high]) => beyond(low, high, ground.top + ABOVE_MM)) as [Vector, Vector];
  const arc = sweep(meeting(one, two), ends);
  const drawn = arc.map((p) => flat(ground.project(p)));
  const [first, last] = [drawn[0]!, drawn[drawn.length - 1]!];
  const out: SVGElement[] = lines.map(([low, high]) => path(pathData([flat(ground.project(low)), flat(ground.project(high))]), { "stroke-width": HEAVY, "stroke-linecap": "round" }));
  lines.forEach(([, high], i) => out.push(line(flat(ground.project(high)), flat(ground.project(ends[i]!)))));
  out.push(path(pathData(drawn)));
  const second = drawn[1] ?? last;
  const before = drawn[drawn.length - 2] ?? first;
  const wide = Math.hypot(last[0] - first[0], last[1] - first[1]) > 26;
  const sign = wide ? 1 : -1;
  out.push(arrowhead(first, [sign * (first[0] - second[0]), sign * (first[1] - second[1])]), arrowhead(last, [sign * (last[0] - before[0]), sign * (last[1] - before[1])]));
  const crest = drawn.reduce((a, b) => (b[1] < a[1] ? b : a));
  out.push(label(criterion, [crest[0], crest[1] - 9], ground, true));
  return out;
}

const upward = (a: Vector, b: Vector): [Vector, Vector] => (a[2] <= b[2] ? [a, b] : [b, a]);

/** The point of a line at a height; where the line runs nearly level, a little beyond its end. */
function beyond(low: Vector, high: Vector, height: number): Vector {
  const way = unit(along(high, -1, low));
  const t = Math.abs(way[2]) > 0.4 ? (height - high[2]) / way[2] : ABOVE_MM;
  return along(high, Math.min(Math.max(t, 0.3), 6), way);
}

/** Where two lines come nearest, halfway between them; null where they are as good as parallel. */
function meeting(one: [Vector, Vector], two: [Vector, Vector]): Vector | null {
  const [u, v] = [along(one[1], -1, one[0]), along(two[1], -1, two[0])];
  const between = along(one[0], -1, two[0]);
  const [uu, uv, vv, ub, vb] = [dot(u, u), dot(u, v), dot(v, v), dot(u, between), dot(v, between)];
  const whole = uu * vv - uv * uv;
  if (whole < 1e-8 * uu * vv) return null;
  const [p, q] = [along(one[0], (uv * vb - vv * ub) / whole, u), along(two[0], (uu * vb - uv * ub) / whole, v)];
  return along([p[0] / 2, p[1] / 2, p[2] / 2], 0.5, q);
}

function sweep(about: Vector | null, ends: [Vector, Vector]): Vector[] {
  const [a, b] = ends;
  if (!about || Math.hypot(...along(a, -1, about)) > FAR_MM) return [a, b];
  const [from, to] = [along(a, -1, about), along(b, -1, about)];
  const size = (Math.hypot(...from) + Math.hypot(...to)) / 2;
  return Array.from({ length: 17 }, (_, i) => along(about, size, unit(along([from[0] * (1 - i / 16), from[1] * (1 - i / 16), from[2] * (1 - i / 16)], i / 16, to))));
}

function length(criterion: Criterion, witness: Witness, ground: Ground): SVGElement[] {
  if (witness.segments.length < 6) return places(criterion, witness, ground);
  const [a, b] = [flat(ground.project(row(witness.segments, 0))), flat(ground.project(row(witness.segments, 1)))];
  const out: SVGElement[] = [];
  for (let i = 2; i + 1 < witness.segments.length / 3; i += 2) out.push(line(flat(ground.project(row(witness.segments, i))), flat(ground.project(row(witness.segments, i + 1)))));
  for (const curve of witness.curves) out.push(...runs(curve, ground, 1.4));
  out.push(path(pathData([a, b]), { "stroke-width": HEAVY, "stroke-linecap": "butt" }));
  const way: Point = [b[0] - a[0], b[1] - a[1]];
  const size = Math.hypot(way[0], way[1]);
  const reach = size < 20 ? 15 : 0;
  const step: Point = size > 0.1 ? [way[0] / size, way[1] / size] : [0, 1];
  if (reach) {
    out.push(line([a[0] - 18 * step[0], a[1] - 18 * step[1]], a), line(b, [b[0] + 18 * step[0], b[1] + 18 * step[1]]));
    out.push(arrowhead(a, step), arrowhead(b, [-step[0], -step[1]]));
  }
  const outward = (a[0] + b[0]) / 2 < ground.width / 2 ? -1 : 1;
  const at: Point = [(a[0] + b[0]) / 2 + outward * 34, (a[1] + b[1]) / 2 - 14];
  out.push(line([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], [at[0], at[1] - 4]), label(criterion, at, ground, false, outward));
  return out;
}

function direction(criterion: Criterion, witness: Witness, ground: Ground): SVGElement[] {
  if (witness.segments.length < 6) return places(criterion, witness, ground);
  const [a, b] = [flat(ground.project(row(witness.segments, 0))), flat(ground.project(row(witness.segments, 1)))];
  return [line(a, b, { "stroke-dasharray": "12 3 1.5 3", "stroke-width": 1.1 }), arrowhead(b, [b[0] - a[0], b[1] - a[1]]), label(criterion, [b[0], b[1] - 8], ground, true)];
}

/** Curves and loose points where they lie: what is seen heavy, what lies behind dashed. */
function places(criterion: Criterion, witness: Witness, ground: Ground): SVGElement[] {
  const out: SVGElement[] = [];
  for (const curve of witness.curves) out.push(...runs(curve, ground, 2.2));
  const count = witness.points.length / 3;
  const every = Math.max(1, Math.ceil(count / MOST_DOTS));
  for (let i = 0; i < count; i += every) {
    const point = row(witness.points, i);
    if (ground.sees(point)) out.push(dotAt(flat(ground.project(point)), 1.5));
  }
  const spot = criterion.spots_mm.find((s) => ground.sees(s)) ?? criterion.spots_mm[0];
  if (spot) {
    const at = flat(ground.project(spot));
    const outward = at[0] < ground.width / 2 ? -1 : 1;
    out.push(line(at, [at[0] + outward * 30, at[1] - 18]), label(criterion, [at[0] + outward * 34, at[1] - 14], ground, false, outward));
  }
  return out;
}

function runs(curve: Float32Array, ground: Ground, width: number): SVGElement[] {
  const parts: { seen: boolean; points: Point[] }[] = [];
  for (let i = 0; i < curve.length / 3; i++) {
    const point = row(curve, i);
    const [seen, at] = [ground.sees(point), flat(ground.project(point))];
    const last = parts[parts.length - 1];
    if (last && last.seen === seen) last.points.push(at);
    else {
      const joined = last?.points[last.points.length - 1];
      parts.push({ seen, points: joined ? [joined, at] : [at] });
    }
  }
  return parts.map((part) => path(pathData(part.points), part.seen ? { "stroke-width": width } : { "stroke-dasharray": DASHED, stroke: "var(--ink2)" }));
}

function label(criterion: Criterion, at: Point, ground: Ground, centred: boolean, outward = 1): SVGElement {
  const text = `${criterion.value}`;
  const u = criterion.expanded;
  const wide = 26 + 6.6 * (text.length + u.length + 1);
  const left = centred ? at[0] - wide / 2 : outward > 0 ? at[0] : at[0] - wide;
  const x = Math.min(Math.max(left, COLUMN), ground.width - wide - COLUMN);
  const y = Math.min(Math.max(at[1], 20), ground.height - 14);
  const shown = words([x + 21, y], text, { "font-size": 12.5, "font-weight": 500 });
  if (u) shown.append(made("tspan", { dx: 4, "font-weight": 400, fill: "var(--ink2)" }, u));
  const clear = made("rect", { x: x + 18, y: y - 12, width: wide - 20, height: 16, fill: "var(--sheet)", "fill-opacity": 0.8 }); // leaders of others run behind it
  return made("g", { class: "kv-dim" }, clear, balloon([x + 8, y - 4.2], criterion.number, criterion.state), shown);
}

