// Pointer, wheel and touch on the stage. One finger sideways turns (up and down scrolls the page), two turn, enlarge and shift.
export interface Asked {
  turn(columns: number, rows: number): void;
  shift(columns: number, rows: number): void;
  enlarge(factor: number, column: number, row: number): void;
  press(column: number, row: number): void;
  slide(columns: number, rows: number): void;
}

const DEGREES_PER_PX = 0.45;
const STILL_PX = 4;

export function listenPointers(stage: HTMLElement, signal: AbortSignal, asked: Asked): void {
  const down = new Map<number, [number, number]>();
  let sliding = false;
  let went = 0;
  const spot = (event: PointerEvent | WheelEvent): [number, number] => {
    const box = stage.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  stage.addEventListener("pointerdown", (event) => {
    if ((event.target as Element).closest(".kv-balloon, .kv-flag")) return;
    sliding = (event.target as Element).closest(".kv-grip") !== null;
    down.set(event.pointerId, spot(event));
    went = 0;
    stage.setPointerCapture(event.pointerId);
    if (event.pointerType === "mouse") event.preventDefault();
    stage.focus({ preventScroll: true });
  }, { signal });
  stage.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    const now = spot(event);
    const [x, y] = [now[0] - before[0], now[1] - before[1]];
    went += Math.abs(x) + Math.abs(y);
    if (down.size === 2) pinch(down, event.pointerId, now, asked);
    else if (sliding) asked.slide(x, y);
    else if (event.shiftKey || event.buttons === 4) asked.shift(x, y);
    else asked.turn(DEGREES_PER_PX * x, DEGREES_PER_PX * y);
    down.set(event.pointerId, now);
  }, { signal });
  const up = (event: PointerEvent): void => {
    if (down.delete(event.pointerId) && event.type === "pointerup" && went < STILL_PX) asked.press(...spot(event));
    if (!down.size) sliding = false;
  };
  stage.addEventListener("pointerup", up, { signal });
  stage.addEventListener("pointercancel", up, { signal });
  stage.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && document.activeElement !== stage) return;
    event.preventDefault();
    asked.enlarge(Math.exp(-0.0015 * event.deltaY), ...spot(event));
  }, { signal, passive: false });
}

function pinch(down: ReadonlyMap<number, [number, number]>, moved: number, now: [number, number], asked: Asked): void {
  const [before, other] = [down.get(moved)!, [...down].find(([id]) => id !== moved)![1]];
  const [was, is] = [Math.hypot(before[0] - other[0], before[1] - other[1]), Math.hypot(now[0] - other[0], now[1] - other[1])];
  if (was > 1 && is > 1) asked.enlarge(is / was, (now[0] + other[0]) / 2, (now[1] + other[1]) / 2);
  asked.turn(0.5 * DEGREES_PER_PX * (now[0] - before[0]), 0.5 * DEGREES_PER_PX * (now[1] - before[1]));
}
