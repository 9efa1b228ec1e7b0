// Keys, only while something of the view has focus; single letters can be switched off (WCAG 2.1.4).
import type { Mode } from "./painter";

export interface Asked {
  letter(letter: string): void;
  turn(columns: number, rows: number): void;
  enlarge(factor: number): void;
  whole(): void;
  mode(mode: Mode): void;
  step(steps: number): void;
  open(): void;
  note(): void;
  enter(): void;
  back(): void;
  scrub(steps: number): void;
}

const STORED = "kerfmark-view-letters";

export const lettersOn = (): boolean => {
  try { return localStorage.getItem(STORED) !== "off"; } catch { return true; }
};

export function setLetters(on: boolean): void {
  try { localStorage.setItem(STORED, on ? "on" : "off"); } catch { /* nowhere to keep it */ }
}

export function listenKeys(shell: HTMLElement, stage: HTMLElement, signal: AbortSignal, asked: Asked): void {
  shell.addEventListener("keydown", (event) => {
    const held = (event.ctrlKey || event.metaKey || event.altKey) && !event.getModifierState("AltGraph"); // brackets need it on many layouts
    if (held || (event.target as Element).closest("input, textarea, select")) return;
    const did = (event.target === stage && onStage(event, asked)) || (lettersOn() && byLetter(event, asked));
    if (did) event.preventDefault();
  }, { signal });
}

function onStage(event: KeyboardEvent, asked: Asked): boolean {
  const step = event.shiftKey ? 15 : 5;
  const turns: Record<string, [number, number]> = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
  const turn = turns[event.key];
  if (turn) asked.turn(...turn);
  else if (event.key === "Enter") asked.enter();
  else if (event.key === "Escape") asked.back();
  else if (event.key === "+" || event.key === "=") asked.enlarge(1.15);
  else if (event.key === "-") asked.enlarge(1 / 1.15);
  else if (event.key === "0" || event.key === "Home") asked.whole();
  else return false;
  return true;
}

function byLetter(event: KeyboardEvent, asked: Asked): boolean {
  const key = event.key.toUpperCase();
  const far = event.shiftKey ? 5 : 1;
  if (/^[OBLMD]$/.test(key)) asked.letter(key);
  else if (key === "V") asked.letter("S");
  else if (key === "P") asked.mode("plain");
  else if (key === "T") asked.mode("tissue");
  else if (key === "X") asked.open();
  else if (key === "N") asked.note();
  else if (key === "[" || key === "{") asked.step(-far);
  else if (key === "]" || key === "}") asked.step(far);
  else if (key === "," || key === "<") asked.scrub(-far);
  else if (key === "." || key === ">") asked.scrub(far);
  else return false;
  return true;
}
