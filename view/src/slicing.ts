import { ShapeUtils, Vector2 } from "three";
import { dot } from "./camera";
import type { Moved } from "./plane";

// The pieces in which a plane cuts a surface, unchained: enough to draw the curve on the piece while the plane moves.
export function sliced(positions: Float32Array, indices: Uint32Array, normal: ArrayLike<number>, offset: number): Float32Array {
  const [a, b, c] = [normal[0]!, normal[1]!, normal[2]!];
  const heights = new Float32Array(positions.length / 3);
  for (let v = 0; v < heights.length; v++) heights[v] = a * positions[3 * v]! + b * positions[3 * v + 1]! + c * positions[3 * v + 2]! - offset;
  const out: number[] = [];
  const cut = (p: number, q: number): void => {
    const share = heights[p]! / (heights[p]! - heights[q]!);
    for (let k = 0; k < 3; k++) out.push(positions[3 * p + k]! + share * (positions[3 * q + k]! - positions[3 * p + k]!));
  };
  for (let f = 0; f < indices.length; f += 3) {
    const [i, j, k] = [indices[f]!, indices[f + 1]!, indices[f + 2]!];
    const [x, y, z] = [heights[i]! >= 0, heights[j]! >= 0, heights[k]! >= 0];
    if (x === y && y === z) continue;
    if (x !== y) cut(i, j);
    if (y !== z) cut(j, k);
    if (z !== x) cut(k, i);
  }
  return new Float32Array(out);
}

const GRAIN_MM = 1e-4;

/** The area a plane cuts, as triangles (x, y, z …): the pieces chained, closed along their foot where the surface is open there. */
export function areaOf(pieces: Float32Array, plane: Moved, floorMm: number): Float32Array {
  const flat = (i: number): Vector2 => {
    const from: [number, number, number] = [pieces[i]! - plane.origin[0], pieces[i + 1]! - plane.origin[1], pieces[i + 2]! - plane.origin[2]];
    return new Vector2(dot(from, plane.across), dot(from, plane.up));
  };
  const out: number[] = [];
  for (const chain of chains(pieces, flat, (floorMm - plane.origin[2]) / plane.up[2])) {
    if (chain.length < 12) continue;
    for (const triangle of ShapeUtils.triangulateShape(chain, [])) {
      for (const corner of triangle) {
        const { x, y } = chain[corner]!;
        for (let k = 0; k < 3; k++) out.push(plane.origin[k]! + x * plane.across[k]! + y * plane.up[k]!);
      }
    }
  }
  return new Float32Array(out);
}

/** The pieces above the floor, end to end. */
function chains(pieces: Float32Array, flat: (i: number) => Vector2, floor: number): Vector2[][] {
  const [ends, used] = [new Map<string, number[]>(), new Set<number>()];
  const points: [Vector2, Vector2][] = [];
  for (let i = 0; i + 5 < pieces.length; i += 6) {
    const [a, b] = [flat(i), flat(i + 3)];
    if (a.y < floor || b.y < floor || a.distanceTo(b) < GRAIN_MM) continue;
    for (const end of [a, b]) {
      const held = ends.get(key(end));
      if (held) held.push(points.length);
      else ends.set(key(end), [points.length]);
    }
    points.push([a, b]);
  }
  const found: Vector2[][] = [];
  const open = points.findIndex(([a, b]) => lone(ends, a) || lone(ends, b));
  const order = [...points.keys()].sort((i, j) => Number(lone(ends, points[j]![0]) || lone(ends, points[j]![1])) - Number(lone(ends, points[i]![0]) || lone(ends, points[i]![1])));
  for (const seed of open < 0 ? points.keys() : order) {
    if (used.has(seed)) continue;
    used.add(seed);
    const [a, b] = points[seed]!;
    const chain = lone(ends, b) ? [b, a] : [a, b];
    for (;;) {
      const last = chain[chain.length - 1]!;
      const next = (ends.get(key(last)) ?? []).find((i) => !used.has(i));
      if (next === undefined) break;
      used.add(next);
      const [p, q] = points[next]!;
      chain.push(key(p) === key(last) ? q : p);
    }
    found.push(chain);
  }
  return found;
}

const key = (p: Vector2): string => `${Math.round(p.x / GRAIN_MM)},${Math.round(p.y / GRAIN_MM)}`;
const lone = (ends: ReadonlyMap<string, number[]>, p: Vector2): boolean => (ends.get(key(p))?.length ?? 0) < 2;
