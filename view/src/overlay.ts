// What stands over the picture as lines and words: balloons, notes, the reading in hand, patches, ghosts' outlines, the section
// plane, axes and scale bar.
import { along, dot } from "./camera";
import type { Camera, Vector } from "./camera";
import { dimension } from "./dimensions";
import { arrowhead, balloon, CHAIN, CHAIN_DOUBLE, DASHED, dotAt, flag, line, made, path, pathData, px, words } from "./drawing";
import type { Point } from "./drawing";
import { clearOf, contours, softened } from "./outlines";
import type { Seen, Shown } from "./painter";
import type { Moved } from "./plane";
import { placed } from "./pins";
import type { Wanted } from "./pins";
import type { Criterion, Piece, Triple } from "./scene";
import type { Say } from "./words";

export interface Note { readonly letter: string; readonly point_mm: Triple; readonly words?: string; readonly by?: string }
export interface Ground { readonly camera: Camera; readonly top: number; readonly plane: Moved | null; readonly shown: Shown }
type Pinned = { kind: "criterion"; criterion: Criterion } | { kind: "note"; note: Note } | { kind: "site"; number: number };

const HIDDEN_MM = 0.3;
const BEFORE_MM = 0.5;
const MOST_PINS = 14;
const NEAR_ROUNDS = 3;
const RIM_SHORTEST = 24;
const EVENT_S = 3;
const [LEG_MM, ABOVE_MM, ASIDE_MM] = [0.6, 0.9, 0.6];

export class Overlay {
  readonly element = made("svg", { class: "kv-over", "aria-hidden": "true" });
  chosen = 0;
  notes: readonly Note[] = [];
  site: string | null = null;
  cross = false;

  constructor(private readonly piece: Piece, private readonly say: Say, private readonly choose: (number: number) => void) {
    this.element.addEventListener("click", (event) => {
      const number = (event.target as Element).closest("[data-c]")?.getAttribute("data-c");
      if (number) this.choose(Number(number));
    });
  }

  /** While it turns: only what is read off the geometry at once. */
  drawMoving(ground: Ground): void {
    const { camera, plane } = ground;
    this.put(camera, [...(plane ? this.planeMarks(camera, plane, ground.top) : []), ...this.inHand(ground, () => true), ...axes(camera, this.piece), ...scaleBar(camera, this.say)]);
  }

  draw(ground: Ground, seen: Seen, ghosts: readonly { seen: Seen; dashes: "double" | "dashed" }[]): void {
    const { camera, plane, shown } = ground;
    const project = camera.projector();
    const before = shown.open === null ? Infinity : BEFORE_MM;
    const sees = (point: ArrayLike<number>): boolean => isSeen(seen, project(point), before);
    const body = [
      ...ghosts.flatMap((ghost) => rims(ghost.seen, seen, ghost.dashes)),
      ...(plane ? this.planeMarks(camera, plane, ground.top) : []),
      ...(shown.at === null ? this.pins(camera, sees) : this.happening(project, shown.at)),
      ...this.inHand(ground, sees),
      ...(shown.mode === "map" && shown.at === null && shown.open === null ? this.patches(project, sees) : []),
      ...axes(camera, this.piece),
      ...scaleBar(camera, this.say),
    ];
    if (this.cross) body.push(...crossAt([camera.width / 2, camera.height / 2]));
    this.put(camera, body);
  }

  private put(camera: Camera, body: readonly SVGElement[]): void {
    this.element.setAttribute("viewBox", `0 0 ${camera.width} ${camera.height}`);
    this.element.replaceChildren(...body);
  }

  private inHand(ground: Ground, sees: (point: ArrayLike<number>) => boolean): SVGElement[] {
    const criterion = this.piece.facts.criteria?.find((c) => c.number === this.chosen);
    const witness = criterion && this.piece.witness(criterion);
    if (!criterion || !witness || ground.shown.at !== null) return [];
    const { camera, top } = ground;
    return dimension(criterion, witness, { project: camera.projector(), sees, width: camera.width, height: camera.height, top });
  }

  private pins(camera: Camera, sees: (point: ArrayLike<number>) => boolean): SVGElement[] {
    const project = camera.projector();
    const wanted: Wanted<Pinned>[] = [];
    const add = (what: Pinned, spots: readonly Triple[], urgency: number, hidden: boolean): void => {
      const spot = spots.find(sees);
      const at = spot ?? (hidden ? spots[0] : undefined);
      if (at) wanted.push({ what, spot: project(at).slice(0, 2) as unknown as Point, seen: spot !== undefined, urgency });
    };
    for (const criterion of this.piece.facts.criteria ?? []) {
      if (criterion.number === this.chosen) continue; // its dimension carries the balloon
      add({ kind: "criterion", criterion }, criterion.spots_mm, { notmet: 1, close: 2, met: 3, none: 4 }[criterion.state], false);
    }
    for (const note of this.notes) add({ kind: "note", note }, [note.point_mm], 0, true);
    const site = this.site === null ? undefined : this.piece.facts.sites?.[this.site];
    if (site && this.chosen) add({ kind: "site", number: this.chosen }, [site], 0, true);
    const pins = placed(wanted, camera.width, camera.height, camera.width < 380 ? 8 : MOST_PINS);
    const leaders = pins.map((p) => made("g", {}, line(p.at, p.spot, { "stroke-dasharray": p.seen ? null : DASHED }), ...(p.seen ? [dotAt(p.spot, 2.1)] : [])));
    return [...leaders, ...pins.map((p) => sign(p.what, p.at))];
  }

  /** What happened at this moment of a recorded cut: a filled square where it did, and words. */
  private happening(project: (p: ArrayLike<number>) => Vector, at: number): SVGElement[] {
    const now = (this.piece.facts.history?.events ?? []).filter((e) => e.start_s <= at && at <= e.start_s + EVENT_S);
    return now.flatMap((event) => {
      const [x, y] = project(event.point_mm);
      return [made("rect", { x: px(x - 3), y: px(y - 3), width: 6, height: 6, fill: "var(--ink)" }), words([x + 8, y + 4], event.words, { "font-weight": 500 })];
    });
  }

  private patches(project: (p: ArrayLike<number>) => Vector, sees: (p: ArrayLike<number>) => boolean): SVGElement[] {
    return (this.piece.facts.patches ?? []).flatMap((p) => {
      const spot = p.points_mm.find(sees);
      if (!spot) return [];
      const [x, y] = project(spot);
      return [words([x, y + 4], p.words, { "font-weight": 600, "text-anchor": "middle", class: "kv-patch" })];
    });
  }

  private planeMarks(camera: Camera, plane: Moved, top: number): SVGElement[] {
    const project = camera.projector();
    const reach = reachAlong(this.piece, plane);
    const corner = (a: number, z: number): Vector => along(along(plane.origin, a, plane.across), (z - plane.origin[2]) / plane.up[2], plane.up);
    const [low, high, left, right_] = [top - LEG_MM, top + ABOVE_MM, reach[0] - ASIDE_MM, reach[1] + ASIDE_MM];
    const corners = [corner(left, low), corner(left, high), corner(right_, high), corner(right_, low)].map((p) => project(p).slice(0, 2) as unknown as Point);
    const rim = path(pathData(corners), { stroke: "var(--ink2)", "stroke-dasharray": CHAIN, class: "kv-plane" });
    const right = corners[2]![0] >= corners[1]![0] ? corners[2]! : corners[1]!;
    return [rim, this.grip(right, project, plane)];
  }

  private grip(at: Point, project: (p: ArrayLike<number>) => Vector, plane: Moved): SVGElement {
    const [a, b] = [project(plane.origin), project(along(plane.origin, 1, plane.normal))];
    const way: Point = [b[0] - a[0], b[1] - a[1]];
    const flat = Math.hypot(way[0], way[1]) < 3;
    const step: Point = flat ? [0, -1] : [way[0] / Math.hypot(...way), way[1] / Math.hypot(...way)];
    const tip = (s: number): Point => [at[0] + s * 17 * step[0], at[1] + s * 17 * step[1]];
    return made("g", { class: "kv-grip" },
      made("circle", { cx: at[0], cy: at[1], r: 22, fill: "transparent" }),
      line(tip(-1), tip(1), { "stroke-width": 1.1 }), arrowhead(tip(1), step), arrowhead(tip(-1), [-step[0], -step[1]]),
      made("rect", { x: at[0] - 5, y: at[1] - 5, width: 10, height: 10, fill: "var(--sheet)", stroke: "var(--ink)", "stroke-width": 1.1 }));
  }
}

function sign(what: Pinned, at: Point): SVGElement {
  if (what.kind === "note") {
    const made_ = flag(at, what.note.letter);
    if (what.note.words) made_.append(made("title", {}, what.note.words));
    return made_;
  }
  return what.kind === "site" ? balloon(at, what.number, "met") : balloon(at, what.criterion.number, what.criterion.state);
}

/** True if nothing hides a point, and it lies no further before the surface than so (what was cut away leaves points in the air). */
export const isSeen = (seen: Seen, [x, y, near]: Vector, before = Infinity): boolean => {
  const [c, r] = [Math.floor(x * seen.perPx), Math.floor(y * seen.perPx)];
  if (c < 0 || r < 0 || c >= seen.width || r >= seen.height) return false;
  const at = r * seen.width + c;
  return seen.part[at]! > 0 && seen.near[at]! <= near + HIDDEN_MM && near - seen.near[at]! <= before;
};

function rims(ghost: Seen, piece: Seen, dashes: "double" | "dashed"): SVGElement[] {
  const { width, height, perPx } = ghost;
  const mask = Float32Array.from(ghost.part, (p) => (p ? 1 : 0));
  const near = softened(Float32Array.from(piece.part, (p) => (p ? 1 : 0)), width, height, NEAR_ROUNDS);
  const chains = contours(softened(mask, width, height, 2), width, height, 0.5).filter((c) => c.length > RIM_SHORTEST);
  const edge = (c: Point): boolean => c[0] > 0.6 && c[1] > 0.6 && c[0] < width - 1.6 && c[1] < height - 1.6;
  const clear = clearOf(chains, near, width, height).map((c) => c.filter(edge)).filter((c) => c.length > 4);
  const data = clear.map((c) => pathData(c.map(([x, y]) => [(x + 0.5) / perPx, (y + 0.5) / perPx] as Point))).join("");
  return [path(data, { stroke: "var(--edge)", "stroke-dasharray": dashes === "double" ? CHAIN_DOUBLE : DASHED })];
}

function reachAlong(piece: Piece, plane: Moved): [number, number] {
  const positions = piece.parts.get("piece")?.positions ?? new Float32Array();
  let [low, high] = [Infinity, -Infinity];
  for (let i = 0; i < positions.length; i += 51) {
    const at = dot(along(positions.subarray(i, i + 3), -1, plane.origin), plane.across);
    low = Math.min(low, at);
    high = Math.max(high, at);
  }
  return Number.isFinite(low) ? [low, high] : [-1, 1];
}

/** Which way the piece lies: the letters that face the reader. */
function axes(camera: Camera, piece: Piece): SVGElement[] {
  const { right, up, eye } = camera.axes();
  const s = piece.facts.mesial_sign;
  const ways: [string, Vector][] = [["O", [0, 0, 1]], ["B", [0, 1, 0]], ["L", [0, -1, 0]], ["M", [s, 0, 0]], ["D", [-s, 0, 0]]];
  const from: Point = [46, camera.height - 40];
  return ways.flatMap(([letter, way]) => {
    const flat: Point = [dot(right, way), -dot(up, way)];
    const size = Math.hypot(...flat);
    if (size < 0.25 || (letter !== "O" && dot(eye, way) < -0.05)) return [];
    const end: Point = [from[0] + 24 * flat[0], from[1] + 24 * flat[1]];
    const shown = piece.facts.views[letter]?.[0] ?? letter;
    return [line(from, end, { stroke: "var(--ink2)" }), words([end[0] + (9 * flat[0]) / size, end[1] + (9 * flat[1]) / size + 4], shown, { "font-weight": 500, "text-anchor": "middle", fill: "var(--ink2)" })];
  });
}

function scaleBar(camera: Camera, say: Say): SVGElement[] {
  const length = [10, 5, 2, 1, 0.5, 0.2, 0.1].find((mm) => mm * camera.scale <= 90) ?? 0.1;
  const [x, y] = [camera.width - 16, camera.height - 14];
  const begin = x - length * camera.scale;
  return [
    line([begin, y], [x, y]), line([begin, y - 5], [begin, y + 5]), line([x, y - 5], [x, y + 5]), arrowhead([x, y], [1, 0]), arrowhead([begin, y], [-1, 0]),
    words([(begin + x) / 2, y - 5], `${length} ${say("mm")}`, { "text-anchor": "middle" }),
  ];
}

const crossAt = ([x, y]: Point): SVGElement[] => [
  line([x - 14, y], [x - 4, y], { "stroke-width": 1.4 }), line([x + 4, y], [x + 14, y], { "stroke-width": 1.4 }),
  line([x, y - 14], [x, y - 4], { "stroke-width": 1.4 }), line([x, y + 4], [x, y + 14], { "stroke-width": 1.4 }),
];

/** The notes that an attribute holds as JSON; none where it holds anything else. */
export function notesOf(text: string | null): Note[] {
  if (!text) return [];
  try {
    const value: unknown = JSON.parse(text);
    return Array.isArray(value) ? (value as Note[]).filter((n) => Array.isArray(n.point_mm)) : [];
  } catch {
    return [];
  }
}
