// The course of a recorded piece: its drawing, and a slider that takes the piece back to any moment of it.
import { taken } from "./drawing";
import { clock, html } from "./panels";
import type { Facts } from "./scene";
import type { Say } from "./words";

const STEP = 0.01;

export class HistoryPanel {
  readonly element: HTMLElement;
  private readonly slider: HTMLInputElement;

  /** `follow` is told the moment to be shown, in seconds; null at the end, where everything is. */
  constructor(history: NonNullable<Facts["history"]>, say: Say, follow: (at: number | null) => void) {
    const said = html("output", { class: "kv-when" });
    const slider = html("input", { type: "range", min: "0", max: String(history.lasted_s), step: "0.1", value: String(history.lasted_s), "aria-label": say("history") });
    this.slider = slider;
    const note = html("p", { class: "kv-quiet" });
    const moved = (): void => {
      const at = Number(slider.value);
      const whole = at >= history.lasted_s - 0.05;
      said.textContent = `${say("at")} ${clock(at)}`;
      slider.setAttribute("aria-valuetext", clock(at));
      note.textContent = whole ? say("history_end") : say("history_note");
      follow(whole ? null : at);
    };
    slider.addEventListener("input", moved);
    const drawing = html("div", { class: "kv-chart" });
    const box = html("div", { class: "kv-course" }, drawing, slider);
    try { drawing.append(taken(history.drawing)); } catch { /* the slider says it alone */ }
    const [left, right] = history.plot_share;
    slider.style.setProperty("margin-left", `${(100 * left).toFixed(2)}%`);
    slider.style.setProperty("width", `${(100 * (right - left)).toFixed(2)}%`);
    queueMicrotask(moved);
    this.element = html("section", { class: "kv-history", "aria-label": say("history") },
      html("div", { class: "kv-head" }, html("h2", {}, say("history")), said), box, note);
  }

  /** Hundredths of the whole course on or back. */
  scrub(steps: number): void {
    this.slider.value = String(Number(this.slider.value) + steps * Number(this.slider.max) * STEP);
    this.slider.dispatchEvent(new Event("input"));
  }
}
