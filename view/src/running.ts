// A view that shows a piece: its panels, what may be asked of it, when it is drawn. The element that holds it stands in element.ts.
import { Camera, wrapped } from "./camera";
import { coloursOf } from "./colours";
import { taken } from "./drawing";
import { extents, sightOf } from "./extent";
import { HistoryPanel } from "./history";
import { ENLARGED, enterRoom, immersiveOffered } from "./immersive";
import { listenKeys } from "./keys";
import { isSeen, notesOf, Overlay } from "./overlay";
import { OTHER, Painter } from "./painter";
import type { Mode, Seen, Shown } from "./painter";
import { Amount, button, Choice, html, keysBox, table, toggle } from "./panels";
import { SectionPlane } from "./plane";
import { pictureOf } from "./picture";
import { listenPointers } from "./pointers";
import { readScene } from "./scene";
import type { Piece, Triple } from "./scene";
import { SectionFigure } from "./section";
import { areaOf, sliced } from "./slicing";
import type { Say } from "./words";

const REST_MS = 140;
const EASE_MS = 120;
/** Where drawing is slow, the finest picture waits this long, since nothing can be answered while it is made. */
const FINEST_MS = 1200;
const SLOW_MS = 40;
const WEIGHED_EVERY = 20;
const ROUGH_RATIO = 0.7;
const FACING_DEG = 50;
const MARGIN_PX = 34;

/** A view that shows a piece, from the moment its scene has come until it leaves the page. */
export class Running {
  private readonly shell: HTMLElement;
  private readonly stage: HTMLElement;
  private readonly canvas = html("canvas", { "aria-hidden": "true" });
  private readonly section: SectionFigure;
  private readonly spoken = html("p", { class: "kv-spoken", "aria-live": "polite" });
  private readonly legend = html("div", { class: "kv-legend" });
  private readonly notice = html("p", { class: "kv-notice", hidden: "" });
  private readonly camera: Camera;
  private readonly painter: Painter;
  private readonly overlay: Overlay;
  private readonly plane: SectionPlane;
  private readonly shown: Shown;
  private readonly ends = new AbortController();
  private readonly watched: ResizeObserver;
  private modes: Choice | null = null;
  private sides: Choice | null = null;
  private planes: Choice | null = null;
  private amounts: { offset: Amount; turn: Amount } | null = null;
  private openButton: HTMLButtonElement | null = null;
  private history: HistoryPanel | null = null;
  private before = true;
  private pinning = false;
  private letter: string | null = "S";
  private frame = 0;
  private rest = 0;
  private slow = true;
  private drawn = 0;
  private inRoom = false;
  private movedAt = -1e9;
  private restedAt = -1e9;
  private readonly top: number;
  private readyTold = false;

  constructor(private readonly host: HTMLElement, private readonly piece: Piece, private readonly say: Say) {
    const { facts } = piece;
    this.camera = new Camera(facts.mesial_sign);
    this.painter = new Painter(this.canvas, piece, coloursOf(host));
    const [reach, top] = extents(piece);
    this.top = top;
    this.plane = new SectionPlane(facts.planes, Math.ceil(reach));
    this.section = new SectionFigure(host.getAttribute("section") ?? "", say, () => this.plane.query(), () => { this.markChosen(); });
    this.shown = { mode: facts.has_map ? "map" : "plain", target: false, other: false, neighbours: false, at: null, open: null };
    this.overlay = new Overlay(piece, say, (number) => { this.choose(number, true); });
    this.stage = html("div", {
      class: "kv-stage", tabindex: "0", role: "application", "aria-roledescription": say("view"), "aria-label": `${say("stage")} ${say("keys_list")}`,
    }, this.canvas, this.overlay.element as unknown as Node, this.notice);
    this.shell = html("div", { class: "kv" }, this.viewPanel());
    if (this.hasSection) this.shell.append(this.sectionPanel());
    if (facts.history) {
      this.history = new HistoryPanel(facts.history, say, (at) => { this.shown.at = at; this.redraw(); });
      this.shell.append(this.history.element);
    }
    this.shell.append(html("div", { class: "kv-more" }, table(piece, say, (number) => { this.choose(number, true); }), keysBox(say)), this.spoken);
    for (const child of host.children) if (!child.classList.contains("same")) child.setAttribute("hidden", "");
    host.prepend(this.shell);
    this.watched = new ResizeObserver(() => { this.resize(); });
    this.listen();
    this.resize();
    this.attributesChanged();
  }

  private get hasSection(): boolean {
    return this.host.hasAttribute("section") && this.plane.planes.length > 0;
  }

  // -- panels ------------------------------------------------------------------------------------------------------------

  private viewPanel(): HTMLElement {
    const { facts } = this.piece;
    const say = this.say;
    const head = html("div", { class: "kv-head" }, html("h2", {}, say("view")));
    const modes: [Mode, string][] = [["plain", say("plain")]];
    if (facts.tissues?.length) modes.unshift(["tissue", say("tissue")]);
    if (facts.has_map) modes.unshift(["map", say("map")]);
    if (modes.length > 1) {
      this.modes = new Choice(say("view"), modes, (value) => { this.setMode(value as Mode); });
      head.append(this.modes.element);
    }
    const more = html("div", { class: "kv-toggles" });
    if (this.piece.parts.has("before")) more.append(toggle(say("before"), (on) => { this.before = on; this.redraw(); }, true));
    if (this.piece.parts.has("target")) more.append(toggle(say("target"), (on) => { this.shown.target = on; this.redraw(); this.showLegend(); }));
    if ([...this.piece.parts.keys()].some((n) => n.startsWith("neighbour "))) more.append(toggle(say("neighbours"), (on) => { this.shown.neighbours = on; this.redraw(); }));
    if (this.host.hasAttribute("other")) more.append(this.otherToggle());
    this.openButton = toggle(say("open"), (on) => { this.setOpen(on); });
    more.append(this.openButton);
    const letters = ["O", "B", "L", "M", "D", "S"].map((letter): [string, string, string] => {
      const [shown = letter, words = letter] = facts.views[letter] ?? [];
      return [letter, shown, words];
    });
    this.sides = new Choice(say("from"), letters, (value) => { this.turnTo(value); });
    const tools = html("div", { class: "kv-tools" });
    tools.append(button(say("picture"), () => { void this.savePicture(); }));
    void immersiveOffered().then((offered) => {
      if (!offered || this.ends.signal.aborted) return;
      for (const [words, enlarge] of [["room_true", 1], ["room_large", ENLARGED]] as const) {
        tools.append(button(say(words, { times: String(enlarge) }), () => { void this.goIntoRoom(enlarge); }));
      }
    });
    if (this.host.hasAttribute("can-note")) tools.append(button(say("pin"), () => { this.startPinning(); }));
    head.append(html("div", { class: "kv-from" }, html("span", { class: "kv-quiet" }, say("from")), this.sides.element));
    return html("section", { class: "kv-view", "aria-label": say("view") }, head, this.stage, this.legend, html("div", { class: "kv-foot" }, more, tools));
  }

  /** Another piece, fetched when it is first asked for. */
  private otherToggle(): HTMLButtonElement {
    let asked = false;
    return toggle(this.host.getAttribute("other-name") ?? this.say("other"), (on) => {
      this.shown.other = on;
      this.showLegend();
      this.redraw();
      if (asked) return;
      asked = true;
      fetch(this.host.getAttribute("other")!, { credentials: "same-origin", signal: this.ends.signal })
        .then(async (answer) => {
          if (!answer.ok) throw new Error(String(answer.status));
          const part = readScene(await answer.arrayBuffer()).parts.get("piece");
          if (!part) throw new Error("no piece");
          this.painter.addOther(part);
          this.redraw();
        })
        .catch((error: unknown) => { this.spoken.textContent = this.say("failed", { reason: error instanceof Error ? error.message : "" }); });
    });
  }

  private sectionPanel(): HTMLElement {
    const say = this.say;
    this.planes = new Choice(say("section"), this.plane.planes.map((p): [string, string] => [p.name, p.name]), (name) => { this.choosePlane(name); });
    const reach = this.plane.reachMm;
    this.amounts = {
      offset: new Amount(say("offset"), { least: -reach, most: reach, step: 0.05 }, (v) => { this.movePlane(v, this.plane.turnDeg); }),
      turn: new Amount(say("turn"), { least: -90, most: 90, step: 1 }, (v) => { this.movePlane(this.plane.offsetMm, v); }),
    };
    this.amounts.offset.show(0, 2);
    this.amounts.turn.show(0, 0);
    const head = html("div", { class: "kv-head" }, html("h2", {}, say("section")), this.planes.element, html("span", { class: "kv-quiet" }, say("grid")));
    return html("section", { class: "kv-section", "aria-label": say("section") }, head, this.section.element,
      html("p", { class: "kv-quiet" }, say("chain")), html("div", { class: "kv-amounts" }, this.amounts.offset.element, this.amounts.turn.element));
  }

  private showLegend(): void {
    const { facts } = this.piece;
    this.legend.replaceChildren();
    if (this.shown.mode === "map" && facts.legend) {
      try { this.legend.append(taken(facts.legend)); } catch { /* the table says it */ }
    }
    if (this.shown.mode === "tissue") {
      const items = (facts.tissues ?? []).map((name) => html("span", { class: `kv-swatch kv-${/^(enamel|pulp)$/.test(name) ? name : "dentine"}` }, name));
      this.legend.append(html("p", { class: "kv-quiet" }, this.say("legend_tissue")), html("p", {}, ...items));
    }
    if (this.shown.other) this.legend.append(html("p", { class: "kv-quiet" }, this.say("other_note")));
    if (this.shown.target) this.legend.append(html("p", { class: "kv-quiet" }, this.say("target_note")));
  }

  // -- what may be asked of it --------------------------------------------------------------------------------------------

  attributesChanged(): void {
    const number = Number(this.host.getAttribute("chosen") ?? 0);
    this.overlay.notes = notesOf(this.host.getAttribute("notes"));
    const question = this.piece.facts.questions?.[String(number)];
    this.overlay.site = this.host.getAttribute("site") ?? (this.piece.facts.plain ? (question?.site ?? null) : null);
    const changed = number !== this.overlay.chosen;
    this.choose(number, false);
    if (changed) this.turnToQuestion();
    this.redraw();
  }

  private choose(number: number, tell: boolean): void {
    if (this.overlay.chosen !== number) {
      this.overlay.chosen = number;
      const criterion = this.piece.facts.criteria?.find((c) => c.number === number);
      if (criterion && tell) this.spoken.textContent = criterion.aloud;
      this.markChosen();
      this.turnToSee(criterion?.spots_mm ?? []);
      this.redraw();
    }
    if (!tell) return;
    this.host.setAttribute("chosen", String(number));
    this.host.dispatchEvent(new CustomEvent("kerfmark:choose", { bubbles: true, detail: { number } }));
  }

  private markChosen(): void {
    const number = String(this.overlay.chosen);
    for (const mark of this.section.element.querySelectorAll("[data-c]")) mark.classList.toggle("kv-chosen", mark.getAttribute("data-c") === number);
    for (const row of this.shell.querySelectorAll("[data-row]")) row.setAttribute("aria-pressed", String(row.getAttribute("data-row") === number));
  }

  /** Before own views are in: to the site or the side the question in hand is about. */
  private turnToQuestion(): void {
    if (!this.piece.facts.plain || !this.readyTold) return;
    const site = this.overlay.site === null ? undefined : this.piece.facts.sites?.[this.overlay.site];
    if (site) this.turnToSee([site]);
    const side = this.piece.facts.questions?.[String(this.overlay.chosen)]?.side;
    const goal = side === undefined ? null : this.camera.goal(side);
    if (side !== undefined && goal && Math.abs(wrapped(goal[0] - this.camera.azimuth)) > FACING_DEG) this.turnTo(side);
  }

  /** If nothing of it is seen from here, to the first stated side from which something is. */
  private turnToSee(spots: readonly Triple[]): void {
    if (!spots.length || !this.readyTold) return;
    const sees = (seen: Seen): boolean => spots.some((spot) => isSeen(seen, this.camera.project(spot)));
    if (sees(this.look(null))) return;
    const [azimuth, elevation] = [this.camera.azimuth, this.camera.elevation];
    let found: string | null = null;
    for (const letter of ["S", "O", "B", "L", "M", "D"]) {
      [this.camera.azimuth, this.camera.elevation] = this.camera.goal(letter) ?? [azimuth, elevation];
      if (sees(this.look(null))) {
        found = letter;
        break;
      }
    }
    [this.camera.azimuth, this.camera.elevation] = [azimuth, elevation];
    if (found !== null) this.turnTo(found);
  }

  private setMode(mode: Mode): void {
    this.shown.mode = mode;
    this.showLegend();
    this.redraw();
  }

  private turnTo(letter: string): void {
    const goal = this.camera.goal(letter);
    if (!goal) return;
    this.spoken.textContent = this.say("seen", { words: this.piece.facts.views[letter]?.[1] ?? letter });
    this.letter = letter;
    const [azimuth, elevation] = [this.camera.azimuth, this.camera.elevation];
    const turn = wrapped(goal[0] - azimuth);
    if (matchMedia("(prefers-reduced-motion: reduce)").matches || this.slow) {
      [this.camera.azimuth, this.camera.elevation] = goal;
      this.redraw();
      return;
    }
    const began = performance.now();
    const step = (now: number): void => {
      if (this.ends.signal.aborted || this.letter !== letter) return;
      const share = Math.min(1, Math.max(0, (now - began) / EASE_MS));
      const eased = 1 - (1 - share) ** 2;
      this.camera.azimuth = wrapped(azimuth + eased * turn);
      this.camera.elevation = elevation + eased * (goal[1] - elevation);
      this.moving();
      if (share < 1) requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }

  private setOpen(on: boolean): void {
    this.openButton?.setAttribute("aria-pressed", String(on));
    const moved = on ? this.plane.moved() : null;
    this.shown.open = moved && { normal: moved.normal, offset: moved.offset };
    this.cutPiece();
    this.redraw();
  }

  private choosePlane(name: string): void {
    this.plane.choose(name);
    this.planeChanged();
  }

  private movePlane(offset: number, turn: number): void {
    this.plane.moveTo(offset);
    this.plane.turnTo(turn);
    this.planeChanged();
  }

  private planeChanged(): void {
    this.amounts?.offset.show(this.plane.offsetMm, 2);
    this.amounts?.turn.show(this.plane.turnDeg, 0);
    this.planes?.show(this.plane.name);
    const moved = this.plane.moved();
    if (!moved) return;
    if (this.shown.open) this.shown.open = { normal: moved.normal, offset: moved.offset };
    this.cutPiece();
    this.moving();
    this.askSection();
  }

  private askSection(): void {
    if (this.hasSection) this.section.ask();
  }

  private cutPiece(): void {
    const [moved, part] = [this.plane.moved(), this.piece.parts.get("piece")];
    if (!moved || !part) return;
    const pieces = this.hasSection || this.shown.open ? sliced(part.positions, part.indices, moved.normal, moved.offset) : new Float32Array();
    this.painter.setCut(pieces, this.shown.open ? areaOf(pieces, moved, this.piece.facts.floor_mm) : new Float32Array());
  }

  private startPinning(): void {
    this.pinning = !this.pinning;
    this.overlay.cross = this.pinning;
    this.notice.hidden = !this.pinning;
    this.notice.textContent = this.pinning ? this.say("pinning") : "";
    if (this.pinning) this.stage.focus({ preventScroll: true });
    this.redraw();
  }

  private pinAt(column: number, row: number): void {
    const seen = this.painter.look(this.camera, this.shown, null);
    const [c, r] = [Math.floor(column * seen.perPx), Math.floor(row * seen.perPx)];
    const at = r * seen.width + c;
    if (c < 0 || r < 0 || c >= seen.width || r >= seen.height || !seen.part[at]) return;
    const point = this.camera.unproject(column, row, seen.near[at]!).map((x) => Math.round(1000 * x) / 1000);
    this.startPinning();
    this.host.dispatchEvent(new CustomEvent("kerfmark:pin", { bubbles: true, detail: { point_mm: point } }));
  }

  // -- drawing -----------------------------------------------------------------------------------------------------------

  private resize(): void {
    const box = this.stage.getBoundingClientRect();
    if (box.width < 10 || box.height < 10) return;
    [this.camera.width, this.camera.height] = [box.width, box.height];
    if (this.camera.zoom === 1) this.camera.fit(sightOf(this.piece), MARGIN_PX);
    this.redraw();
  }

  /** Something turns or slides: a quick picture now, the whole one when it rests. */
  private moving(): void {
    this.movedAt = performance.now();
    this.schedule();
  }

  private redraw(): void {
    this.modes?.show(this.shown.mode);
    this.planes?.show(this.plane.name);
    this.schedule();
  }

  private schedule(): void {
    if (this.frame || this.ends.signal.aborted) return;
    this.host.dataset["picture"] = "asked";
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.paint();
    });
  }

  private paint(): void {
    if (this.camera.width < 10 || this.inRoom) return;
    const began = performance.now();
    const moves = began - this.movedAt < REST_MS || !this.readyTold;
    const quality = !this.slow && this.readyTold ? 2 : moves ? 0 : began - this.restedAt < FINEST_MS ? 1 : 2;
    this.sides?.show(this.isAt(this.letter) ? this.letter : null);
    const ratio = quality === 0 ? Math.min(ROUGH_RATIO, devicePixelRatio || 1) : this.slow && quality < 2 ? 1 : Math.min(3, devicePixelRatio || 1);
    this.painter.draw(this.camera, this.shown, ratio, quality);
    const ground = { camera: this.camera, top: this.top, plane: this.hasSection || this.shown.open ? this.plane.moved() : null, shown: this.shown };
    clearTimeout(this.rest);
    if (moves) {
      this.overlay.drawMoving(ground);
      this.weigh(began, quality);
      this.restedAt = began + REST_MS;
      this.rest = window.setTimeout(() => { this.schedule(); }, REST_MS + 10);
    } else {
      this.overlay.draw(ground, this.look(null), this.ghosts());
      if (quality < 2) this.rest = window.setTimeout(() => { this.schedule(); }, FINEST_MS);
    }
    this.host.dataset["picture"] = String(quality);
    this.tellReady();
  }

  /** Now and then waits until a picture is drawn: where the finest takes long, what moves is drawn roughly. */
  private weigh(began: number, quality: number): void {
    if (!this.readyTold || this.drawn++ % WEIGHED_EVERY > 1) return;
    this.painter.wait();
    const took = performance.now() - began;
    if (quality === 2) this.slow = took > SLOW_MS;
    else if (took < SLOW_MS / 6) this.slow = false;
  }

  private tellReady(): void {
    if (this.readyTold) return;
    this.readyTold = true;
    this.showLegend();
    this.turnToQuestion();
    this.planes?.show(this.plane.name);
    performance.mark("kerfmark-view:drawn");
    this.host.dataset["state"] = "ready";
    this.host.dispatchEvent(new CustomEvent("kerfmark:ready", { bubbles: true }));
    requestAnimationFrame(() => {
      if (this.ends.signal.aborted) return;
      this.cutPiece();
      this.askSection();
      this.schedule();
    });
  }

  private look(ghost: string | null): Seen {
    return this.painter.look(this.camera, this.shown, ghost);
  }

  private ghosts(): { seen: Seen; dashes: "double" | "dashed" }[] {
    const found: { seen: Seen; dashes: "double" | "dashed" }[] = [];
    if (this.before && this.piece.parts.has("before") && this.shown.at === null) found.push({ seen: this.look("before"), dashes: "double" });
    if (this.shown.other && this.painter.has(OTHER)) found.push({ seen: this.look(OTHER), dashes: "dashed" });
    if (this.shown.target) found.push({ seen: this.look("target"), dashes: "dashed" });
    return found;
  }

  private isAt(letter: string | null): boolean {
    const goal = letter === null ? null : this.camera.goal(letter);
    return goal !== null && Math.abs(wrapped(goal[0] - this.camera.azimuth)) < 0.5 && Math.abs(goal[1] - this.camera.elevation) < 0.5;
  }

  private async savePicture(): Promise<void> {
    this.painter.draw(this.camera, this.shown, 2, 2);
    this.overlay.draw({ camera: this.camera, top: this.top, plane: null, shown: this.shown }, this.look(null), this.ghosts());
    await pictureOf(this.canvas, this.overlay.element, this.host, () => { this.painter.draw(this.camera, this.shown, 2, 2); });
    this.redraw();
  }

  private async goIntoRoom(enlarge: number): Promise<void> {
    try {
      this.inRoom = true;
      await enterRoom(this.painter, this.shown, coloursOf(this.host).sheet, enlarge);
    } catch (error) {
      this.spoken.textContent = this.say("room_failed", { reason: error instanceof Error ? error.message : "" });
    }
    this.inRoom = false;
    this.redraw();
  }

  // -- listening ---------------------------------------------------------------------------------------------------------

  private listen(): void {
    const { signal } = this.ends;
    this.watched.observe(this.stage);
    listenPointers(this.stage, signal, {
      turn: (x, y) => { this.camera.turn(x, y); this.letter = null; this.moving(); },
      shift: (x, y) => { this.camera.shift(x, y); this.moving(); },
      enlarge: (factor, x, y) => { this.camera.enlarge(factor, x, y); this.moving(); },
      press: (x, y) => { if (this.pinning) this.pinAt(x, y); },
      slide: (x, y) => { this.slidePlane(x, y); },
    });
    listenKeys(this.shell, this.stage, signal, {
      letter: (letter) => { this.turnTo(letter); },
      turn: (x, y) => { this.camera.turn(x, y); this.letter = null; this.moving(); },
      enlarge: (factor) => { this.camera.enlarge(factor); this.moving(); },
      whole: () => { this.camera.zoom = 1; this.resize(); },
      mode: (mode) => { if (mode === "plain" ? true : mode === "map" ? this.piece.facts.has_map : this.piece.facts.tissues?.length) this.setMode(this.shown.mode === mode && this.piece.facts.has_map ? "map" : mode); },
      step: (steps) => { this.movePlane(this.plane.offsetMm + 0.1 * steps, this.plane.turnDeg); },
      open: () => { this.setOpen(this.shown.open === null); },
      note: () => { if (this.host.hasAttribute("can-note")) this.startPinning(); },
      enter: () => { if (this.pinning) this.pinAt(this.camera.width / 2, this.camera.height / 2); },
      back: () => { if (this.pinning) this.startPinning(); },
      scrub: (steps) => { this.history?.scrub(steps); },
    });
    this.section.element.addEventListener("click", (event) => {
      const mark = (event.target as Element).closest("[data-c]")?.getAttribute("data-c");
      if (mark) this.choose(Number(mark), true);
    }, { signal });
    document.addEventListener("kerfmark:choose", (event) => {
      if (event.target !== this.host) this.host.setAttribute("chosen", String((event as CustomEvent<{ number: number }>).detail.number));
    }, { signal });
    const repaint = (): void => { this.painter.recolour(coloursOf(this.host)); this.redraw(); };
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint, { signal });
    const theme = new MutationObserver(repaint);
    theme.observe(document.documentElement, { attributes: true, attributeFilter: ["class", "data-theme"] });
    signal.addEventListener("abort", () => { theme.disconnect(); });
    this.canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      this.notice.hidden = false;
      this.notice.textContent = this.say("lost");
    }, { signal });
    this.canvas.addEventListener("webglcontextrestored", () => { this.notice.hidden = true; this.redraw(); }, { signal });
  }

  private slidePlane(x: number, y: number): void {
    const moved = this.plane.moved();
    if (!moved) return;
    const [a, b] = [this.camera.project(moved.origin), this.camera.project([moved.origin[0] + moved.normal[0], moved.origin[1] + moved.normal[1], moved.origin[2] + moved.normal[2]])];
    const [u, v] = [b[0] - a[0], b[1] - a[1]];
    const square = u * u + v * v;
    const mm = square > (0.15 * this.camera.scale) ** 2 ? (x * u + y * v) / square : -y / this.camera.scale;
    this.movePlane(this.plane.offsetMm + mm, this.plane.turnDeg);
  }

  stop(): void {
    this.ends.abort();
    this.section.stop();
    clearTimeout(this.rest);
    cancelAnimationFrame(this.frame);
    this.watched.disconnect();
    this.painter.dispose();
    this.shell.remove();
    for (const child of this.host.children) child.removeAttribute("hidden");
  }
}
