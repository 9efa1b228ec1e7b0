// Writing SVG elements; colours are the page's custom properties, so that light and dark need no redraw.
const SVG = "http://www.w3.org/2000/svg";

export type Given = Readonly<Record<string, string | number | null | undefined>>;
export type Point = readonly [number, number];

export const CHAIN = "12 3 1.5 3";
export const CHAIN_DOUBLE = "10 2.5 1.5 2.5 1.5 2.5";
export const DASHED = "4 2.5";
export const NARROW = 0.7;

export function made(tag: string, given: Given = {}, ...inside: (Element | string)[]): SVGElement {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(given)) if (value !== null && value !== undefined) element.setAttribute(name, String(value));
  element.append(...inside);
  return element;
}

export const px = (value: number): string => (Math.round(value * 10) / 10).toString();

export const pathData = (points: readonly Point[], closed = false): string =>
  points.length ? `M${points.map(([x, y]) => `${px(x)} ${px(y)}`).join("L")}${closed ? "Z" : ""}` : "";

export const path = (data: string, given: Given = {}): SVGElement =>
  made("path", { d: data, fill: "none", stroke: "var(--ink)", "stroke-width": NARROW, "stroke-linejoin": "round", ...given });

export const line = (a: Point, b: Point, given: Given = {}): SVGElement =>
  made("line", { x1: px(a[0]), y1: px(a[1]), x2: px(b[0]), y2: px(b[1]), stroke: "var(--ink)", "stroke-width": NARROW, ...given });

export const dotAt = (at: Point, r: number): SVGElement => made("circle", { cx: px(at[0]), cy: px(at[1]), r, fill: "var(--ink)" });

export function words(at: Point, content: string, given: Given = {}): SVGElement {
  const halo = { stroke: "var(--sheet)", "stroke-width": 3.5, "stroke-linejoin": "round", "paint-order": "stroke" };
  return made("text", { x: px(at[0]), y: px(at[1]), "font-size": 12, fill: "var(--ink)", ...halo, ...given }, content);
}

/** A closed filled arrowhead, 7.5 × 2.9 px, its tip at a point. */
export function arrowhead(tip: Point, way: Point): SVGElement {
  const length = Math.hypot(way[0], way[1]) || 1;
  const [x, y] = [way[0] / length, way[1] / length];
  const back: Point = [tip[0] - 7.5 * x, tip[1] - 7.5 * y];
  return path(pathData([tip, [back[0] - 1.45 * y, back[1] + 1.45 * x], [back[0] + 1.45 * y, back[1] - 1.45 * x]], true), { fill: "var(--ink)", stroke: "none" });
}

/** A criterion's balloon: thin met, filled not met, dashed too close, dotted nothing measured. */
export function balloon(at: Point, number: number, state: string): SVGElement {
  const filled = state === "notmet";
  const dash = { close: "2.8 2", none: "0.8 2.2" }[state];
  return made(
    "g", { class: "kv-balloon", "data-c": number },
    made("circle", { cx: px(at[0]), cy: px(at[1]), r: 13, fill: "transparent", stroke: "none" }),
    made("circle", { cx: px(at[0]), cy: px(at[1]), r: 8, fill: filled ? "var(--ink)" : "var(--sheet)", stroke: "var(--ink)", "stroke-width": state === "close" ? 1.3 : 1, "stroke-dasharray": dash }),
    made("text", { x: px(at[0]), y: px(at[1] + 3.9), "font-size": number < 100 ? 11.5 : 9, "font-weight": filled ? 600 : 500, "text-anchor": "middle", fill: filled ? "var(--sheet)" : "var(--ink)" }, String(number)),
  );
}

/** A note's flag: a pentagon with an italic letter. */
export function flag(at: Point, letter: string): SVGElement {
  const [x, y] = at;
  const outline: Point[] = [[x - 10, y - 8], [x + 5, y - 8], [x + 11, y], [x + 5, y + 8], [x - 10, y + 8]];
  return made(
    "g", { class: "kv-flag" },
    path(pathData(outline, true), { fill: "var(--sheet)", "stroke-width": 1 }),
    made("text", { x: px(x - 1.5), y: px(y + 4), "font-size": 12, "font-style": "italic", "font-weight": 500, "text-anchor": "middle", fill: "var(--ink)" }, letter),
  );
}

/** A drawing from the server, taken into the page without running anything in it. */
export function taken(text: string): SVGElement {
  const parsed = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
  if (parsed.nodeName !== "svg") throw new Error("no drawing");
  for (const risky of parsed.querySelectorAll("script, foreignObject")) risky.remove();
  return document.importNode(parsed, true) as unknown as SVGElement;
}
