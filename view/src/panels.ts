// The view's own markup: heads with words on their buttons, the stage, the section beside it, the history, the table.
import { lettersOn, setLetters } from "./keys";
import type { Say, Word } from "./words";
import type { Piece } from "./scene";

export function html<K extends keyof HTMLElementTagNameMap>(tag: K, given: Record<string, string> = {}, ...inside: (Node | string)[]): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
}

export function button(words: string, press: () => void, given: Record<string, string> = {}): HTMLButtonElement {
  const made = html("button", { type: "button", ...given }, words);
  made.addEventListener("click", press);
  return made;
}

/** A row of buttons of which one is pressed. */
export class Choice {
  readonly element: HTMLElement;
  private readonly buttons = new Map<string, HTMLButtonElement>();

  constructor(label: string, options: readonly (readonly [string, string, string?])[], choose: (value: string) => void) {
    this.element = html("div", { class: "kv-choice", role: "group", "aria-label": label });
    for (const [value, words, title] of options) {
      const made = button(words, () => { choose(value); }, { "aria-pressed": "false", ...(title ? { "aria-label": title, title } : {}) });
      this.buttons.set(value, made);
      this.element.append(made);
    }
  }

  show(value: string | null): void {
    for (const [name, made] of this.buttons) made.setAttribute("aria-pressed", String(name === value));
  }
}

export function toggle(words: string, press: (on: boolean) => void, on = false): HTMLButtonElement {
  const made = button(words, () => {
    const now = made.getAttribute("aria-pressed") !== "true";
    made.setAttribute("aria-pressed", String(now));
    press(now);
  }, { "aria-pressed": String(on), class: "kv-toggle" });
  return made;
}

/** A number field and a slider that say the same. */
export class Amount {
  readonly element: HTMLElement;
  private readonly field: HTMLInputElement;
  private readonly slider: HTMLInputElement;

  constructor(words: string, range: { least: number; most: number; step: number }, change: (value: number) => void) {
    const given = { min: String(range.least), max: String(range.most), step: String(range.step), value: "0" };
    this.field = html("input", { type: "number", inputmode: "decimal", ...given });
    this.slider = html("input", { type: "range", tabindex: "-1", "aria-hidden": "true", ...given });
    for (const input of [this.field, this.slider]) input.addEventListener("input", () => { change(Number(input.value)); });
    this.element = html("div", { class: "kv-amount" }, html("label", {}, html("span", {}, words), this.field), this.slider);
  }

  show(value: number, digits: number): void {
    if (document.activeElement !== this.field) this.field.value = value.toFixed(digits);
    this.slider.value = String(value);
  }
}

/** Everything the view shows, as a table for readers that speak and for everybody else. */
export function table(piece: Piece, say: Say, choose: (number: number) => void): HTMLElement {
  const { criteria = [], patches = [], plain, history } = piece.facts;
  const inside = html("div", { class: "kv-table-body" });
  if (plain) inside.append(html("p", {}, say("table_none")));
  if (criteria.length) inside.append(criteriaTable(criteria, say, choose));
  if (patches.length) {
    const items = patches.map((p) => html("li", {}, say("patch", { words: p.words, area: p.area_mm2.toFixed(1) })));
    inside.append(html("h3", {}, say("patches")), html("ul", {}, ...items));
  }
  if (history?.events.length) {
    const items = history.events.map((e) => html("li", {}, `${clock(e.start_s)} ${e.words}, ${e.depth_mm.toFixed(2)} ${say("mm")}`));
    inside.append(html("h3", {}, say("history")), html("ul", {}, ...items));
  }
  return html("details", { class: "kv-table" }, html("summary", {}, say("table")), inside);
}

function criteriaTable(criteria: NonNullable<Piece["facts"]["criteria"]>, say: Say, choose: (number: number) => void): HTMLElement {
  const heads: Word[] = ["no", "criterion", "reading", "limits", "ruling"];
  const rows = criteria.map((c) => {
    const name = button(c.name, () => { choose(c.number); }, { "data-row": String(c.number), "aria-pressed": "false" });
    const reading = c.value === "–" ? (c.reason ?? "–") : `${c.value} ${c.expanded}`;
    const side = c.side ? `, ${say(c.side)}` : "";
    return html("tr", {}, html("td", {}, String(c.number)), html("th", { scope: "row" }, name), html("td", {}, reading), html("td", {}, c.limits), html("td", {}, c.ruling + side));
  });
  return html("table", {}, html("thead", {}, html("tr", {}, ...heads.map((w) => html("th", { scope: "col" }, say(w))))), html("tbody", {}, ...rows));
}

export function clock(seconds: number): string {
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** Which keys there are, and a switch for the single letters. */
export function keysBox(say: Say): HTMLElement {
  const box = html("input", { type: "checkbox" });
  box.checked = lettersOn();
  box.addEventListener("change", () => { setLetters(box.checked); });
  return html("details", { class: "kv-table" }, html("summary", {}, say("keys_title")), html("div", { class: "kv-keys" }, html("label", {}, box, say("keys")), html("span", { class: "kv-quiet" }, say("keys_list"))));
}
