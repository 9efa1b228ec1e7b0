// Where balloons and flags stand about the view: two columns whose leaders do not cross, as reports/view/pins.py places them.
import type { Point } from "./drawing";

export interface Wanted<T> { readonly what: T; readonly spot: Point; readonly seen: boolean; readonly urgency: number }
export interface Placed<T> extends Wanted<T> { readonly at: Point }

const APART = 27;

export function placed<T>(wanted: readonly Wanted<T>[], width: number, height: number, most: number): Placed<T>[] {
  const chosen = [...wanted].sort((a, b) => a.urgency - b.urgency || Number(b.seen) - Number(a.seen)).slice(0, most);
  const ordered = [...chosen].sort((a, b) => a.spot[0] - b.spot[0]);
  const middle = ordered.length ? (ordered[(ordered.length - 1) >> 1]!.spot[0] + ordered[ordered.length >> 1]!.spot[0]) / 2 : 0;
  const left = ordered.filter((w) => w.spot[0] < middle);
  const right = ordered.filter((w) => w.spot[0] >= middle);
  while (left.length > right.length + 1) right.unshift(left.pop()!);
  while (right.length > left.length + 1) left.push(right.shift()!);
  return [...column(left, 22, 24, height - 96), ...column(right, width - 22, 24, height - 60)];
}

function column<T>(of: Wanted<T>[], x: number, low: number, high: number): Placed<T>[] {
  of.sort((a, b) => a.spot[1] - b.spot[1]);
  const rows = spread(of.map((w) => w.spot[1]), low, high);
  return uncrossed(of.map((w, i) => ({ ...w, at: [x, rows[i]!] as Point })));
}

function spread(wanted: readonly number[], low: number, high: number): number[] {
  const apart = Math.min(APART, (high - low) / Math.max(1, wanted.length - 1));
  const rows = wanted.map((y) => Math.min(Math.max(y, low), high));
  for (let i = 1; i < rows.length; i++) rows[i] = Math.max(rows[i]!, rows[i - 1]! + apart);
  if (rows.length && rows[rows.length - 1]! > high) {
    rows[rows.length - 1] = high;
    for (let i = rows.length - 2; i >= 0; i--) rows[i] = Math.min(rows[i]!, rows[i + 1]! - apart);
  }
  return rows;
}

function uncrossed<T>(pins: Placed<T>[]): Placed<T>[] {
  const found = [...pins];
  for (let round = 0; round < found.length ** 2; round++) {
    const pair = crossing(found);
    if (!pair) break;
    const [a, b] = [found[pair[0]]!, found[pair[1]]!];
    found[pair[0]] = { ...a, at: b.at };
    found[pair[1]] = { ...b, at: a.at };
  }
  return found;
}

function crossing<T>(pins: readonly Placed<T>[]): [number, number] | null {
  for (let i = 0; i < pins.length; i++) for (let j = 0; j < i; j++) if (cross(pins[i]!, pins[j]!)) return [i, j];
  return null;
}

function cross(a: Placed<unknown>, b: Placed<unknown>): boolean {
  const side = (p: Point, q: Point, r: Point): number => (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
  return side(a.at, a.spot, b.at) * side(a.at, a.spot, b.spot) < 0 && side(b.at, b.spot, a.at) * side(b.at, b.spot, a.spot) < 0;
}
