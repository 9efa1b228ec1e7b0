// Outlines of a mask as polylines, softened so that they do not step; and the stretches that keep clear of another mask.
export type Spot = [number, number];

export function softened(mask: Float32Array, width: number, height: number, rounds: number): Float32Array {
  let from: Float32Array = mask;
  let to: Float32Array = new Float32Array(mask.length);
  for (let round = 0; round < 2 * rounds; round++) {
    const [step, last, stride] = round % 2 ? [width, height - 1, 1] : [1, width - 1, width];
    const lanes = round % 2 ? width : height;
    for (let lane = 0; lane < lanes; lane++) {
      for (let i = 0; i <= last; i++) {
        const at = lane * stride + i * step;
        const [before, after] = [i > 0 ? from[at - step]! : 0, i < last ? from[at + step]! : 0];
        to[at] = (before + 2 * from[at]! + after) / 4;
      }
    }
    [from, to] = [to, from === mask ? new Float32Array(mask.length) : from];
  }
  return from;
}

/** Where a field crosses a level: chains of (column, row), the closed ones ending where they begin. */
export function contours(field: Float32Array, width: number, height: number, level: number): Spot[][] {
  const next = new Map<number, { to: number; at: Spot }>();
  const value = (c: number, r: number): number => (c < 0 || r < 0 || c >= width || r >= height ? 0 : field[r * width + c]!) - level;
  const wide = width + 3;
  const key = (c: number, r: number, down: boolean): number => 2 * ((r + 1) * wide + c + 1) + (down ? 1 : 0);
  const on = (c: number, r: number, down: boolean): Spot => {
    const [a, b] = [value(c, r), down ? value(c, r + 1) : value(c + 1, r)];
    const share = a / (a - b);
    return down ? [c, r + share] : [c + share, r];
  };
  for (let r = -1; r < height; r++) {
    for (let c = -1; c < width; c++) {
      const [a, b, d, e] = [value(c, r) > 0, value(c + 1, r) > 0, value(c + 1, r + 1) > 0, value(c, r + 1) > 0];
      if (a === b && b === d && d === e) continue;
      const sides: [number, Spot, boolean][] = [];
      const add = (x: number, y: number, down: boolean, rises: boolean): void => { sides.push([key(x, y, down), on(x, y, down), rises]); };
      if (a !== b) add(c, r, false, b);
      if (b !== d) add(c + 1, r, true, d);
      if (d !== e) add(c, r + 1, false, e);
      if (e !== a) add(c, r, true, a);
      const [rising, falling] = [sides.filter((s) => s[2]), sides.filter((s) => !s[2])];
      rising.forEach((side, i) => { next.set(side[0], { to: falling[i]![0], at: side[1] }); });
    }
  }
  return chained(next);
}

function chained(next: Map<number, { to: number; at: Spot }>): Spot[][] {
  const found: Spot[][] = [];
  while (next.size) {
    const [first] = next.keys();
    const chain: Spot[] = [];
    let here: number | undefined = first;
    while (here !== undefined) {
      const step = next.get(here);
      if (!step) break;
      next.delete(here);
      chain.push(step.at);
      here = step.to;
    }
    if (here === first && chain[0]) chain.push(chain[0]);
    found.push(chain);
  }
  return found;
}

/** The stretches of chains where a softened mask has nothing near. */
export function clearOf(chains: readonly Spot[][], near: Float32Array, width: number, height: number): Spot[][] {
  const parts: Spot[][] = [];
  for (const chain of chains) {
    let run: Spot[] = [];
    for (const spot of chain) {
      const [c, r] = [Math.min(width - 1, Math.max(0, Math.round(spot[0]))), Math.min(height - 1, Math.max(0, Math.round(spot[1])))];
      if (near[r * width + c]! < 0.02) run.push(spot);
      else {
        if (run.length > 1) parts.push(run);
        run = [];
      }
    }
    if (run.length > 1) parts.push(run);
  }
  return parts;
}
