// The drawn section beside the view, asked of the server: one request at a time, always for the latest plane.
import { taken } from "./drawing";
import { html } from "./panels";
import type { Say } from "./words";

const [NARROWEST_PX, WIDEST_PX, TALLEST_PX, FIRST_PX] = [320, 720, 560, 400];

export class SectionFigure {
  readonly element = html("div", { class: "kv-figure" });
  private asked: AbortController | null = null;
  private waits = false;

  /** `query` says which plane is wanted now; `came` is called when its drawing stands in the page. */
  constructor(private readonly address: string, private readonly say: Say, private readonly query: () => string, private readonly came: () => void) {}

  /** What was asked while one is under way is asked when that has come. */
  ask(): void {
    if (this.asked) {
      this.waits = true;
      return;
    }
    const asked = (this.asked = new AbortController());
    this.element.setAttribute("aria-busy", "true");
    fetch(this.wanted(), { signal: asked.signal, credentials: "same-origin", headers: { Accept: "image/svg+xml" } })
      .then(async (answer) => {
        if (!answer.ok) throw new Error(String(answer.status));
        this.element.replaceChildren(taken(await answer.text()) as unknown as Node);
        this.came();
      })
      .catch((error: unknown) => {
        if (asked.signal.aborted) return;
        this.element.replaceChildren(html("p", { class: "kv-wrong" }, this.say("section_failed", { reason: error instanceof Error ? error.message : "" })));
      })
      .finally(() => {
        this.asked = null;
        this.element.removeAttribute("aria-busy");
        if (!this.waits || asked.signal.aborted) return;
        this.waits = false;
        this.ask();
      });
  }

  stop(): void {
    this.asked?.abort();
  }

  private wanted(): URL {
    const address = new URL(this.address, document.baseURI);
    for (const [name, value] of new URLSearchParams(this.query())) address.searchParams.set(name, value);
    const width = Math.round(Math.min(WIDEST_PX, Math.max(NARROWEST_PX, this.element.clientWidth || FIRST_PX)));
    address.searchParams.set("width", String(width));
    address.searchParams.set("height", String(Math.round(Math.min(TALLEST_PX, 0.92 * width))));
    return address;
  }
}
