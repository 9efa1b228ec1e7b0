// How far a piece reaches: what has to be in sight, and how far a plane may be moved.
import type { Piece } from "./scene";

/** Points that have to be in sight when the whole piece is shown. */
export function sightOf(piece: Piece): Float32Array {
  const parts = ["piece", "before"].map((name) => piece.parts.get(name)).filter((p) => p !== undefined);
  const points: number[] = [];
  for (const part of parts) {
    for (let i = 0; i < part.positions.length; i += 3 * 7) {
      if (part.positions[i + 2]! >= piece.facts.floor_mm) points.push(part.positions[i]!, part.positions[i + 1]!, part.positions[i + 2]!);
    }
  }
  return new Float32Array(points);
}

/** How far out the piece reaches from its axis, and how high. */
export function extents(piece: Piece): [number, number] {
  const positions = piece.parts.get("piece")?.positions ?? new Float32Array();
  let [reach, top] = [1, -Infinity];
  for (let i = 0; i < positions.length; i += 3) {
    reach = Math.max(reach, Math.abs(positions[i]!), Math.abs(positions[i + 1]!));
    top = Math.max(top, positions[i + 2]!);
  }
  return [reach, top];
}
