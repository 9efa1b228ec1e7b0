// <kerfmark-view>: the piece in three dimensions with its section, its history and the same as a table. docs/view.md.
import { NoDrawingError } from "./painter";
import { html } from "./panels";
import { Running } from "./running";
import { readScene } from "./scene";
import { sayer } from "./words";
import type { Say } from "./words";

export class KerfmarkView extends HTMLElement {
  static readonly observedAttributes = ["chosen", "notes", "site", "scene"];

  private running: Running | null = null;
  private starting = 0;

  connectedCallback(): void {
    void this.start();
  }

  disconnectedCallback(): void {
    this.starting++;
    this.running?.stop();
    this.running = null;
  }

  attributeChangedCallback(name: string, before: string | null, now: string | null): void {
    if (before === now) return;
    if (name === "scene" && this.isConnected && this.running) {
      this.disconnectedCallback();
      void this.start();
    } else this.running?.attributesChanged();
  }

  private async start(): Promise<void> {
    const mine = ++this.starting;
    performance.mark("kerfmark-view:begun");
    const address = this.getAttribute("scene");
    if (!address) return;
    const say = sayer(this.getAttribute("words"));
    this.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(address, { credentials: "same-origin" });
      if (!answer.ok) throw new Error(String(answer.status));
      const data = await answer.arrayBuffer();
      performance.mark("kerfmark-view:came");
      const piece = readScene(data);
      if (mine !== this.starting || !this.isConnected) return;
      this.running = new Running(this, piece, say);
    } catch (error) {
      if (mine === this.starting) this.stay(error, say);
    } finally {
      this.removeAttribute("aria-busy");
    }
  }

  /** What the server said stays; a sentence says why there is no more. */
  private stay(error: unknown, say: Say): void {
    const still = error instanceof NoDrawingError;
    const reason = error instanceof Error ? error.message : String(error);
    this.querySelector(":scope > .kv-said")?.remove();
    this.prepend(html("p", { class: "kv-said", role: "status" }, still ? say("still") : say("failed", { reason })));
    this.dataset["state"] = "still";
    this.dispatchEvent(new CustomEvent("kerfmark:still", { bubbles: true, detail: { reason: still ? "no-webgl" : reason } }));
  }
}
