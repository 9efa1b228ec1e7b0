// Planning an implant: grips are dragged or stepped by keys, the server draws and reads what comes of it. Every number has a field, too.
const form = document.getElementById("plan-form");
const NAMES = ["arch", "at", "level", "em", "ef", "eo", "tm", "tf", "long", "diameter"];
const MESIAL = Number(form.dataset.mesial);
const STEPS = { entry: [0.1, 0.5], apex: [0.1, 0.5], arch: [0.5, 2], at: [0.25, 2], cross: [1, 5] };
const TOGETHER_MS = 900;
const seen = new Map();
let asked = null, running = false, drawing = false, cross = null, chosen = -1;

// What is planned, as text by field: the fields of the form are all there is of it.
const read = () => Object.fromEntries(NAMES.map((name) => [name, form.elements[name].value]));
const points = (text) => text.split(/[;\n]/).filter((row) => row.trim()).map((row) => row.split(",").map(Number));
const text = (spots) => spots.map((spot) => spot.map((v) => round(v)).join(",")).join(";");
const round = (value) => Math.round(value * 100) / 100 || 0;
function write(state) {
  for (const name of NAMES) {
    const field = form.elements[name];
    const value = state[name] ?? "";
    if (name === "diameter" && field.tagName === "SELECT" && ![...field.options].some((o) => Number(o.value) === Number(value) && o.value !== "")) field.add(new Option(value || "–", value));
    if (name === "diameter" && field.tagName === "SELECT") field.value = [...field.options].find((o) => o.value === String(value) || (value !== "" && o.value !== "" && Number(o.value) === Number(value)))?.value ?? "";
    else if (name === "arch") field.value = String(value).replaceAll(";", "\n");
    else field.value = value;
  }
  tell();
}
function tell() {
  for (const out of form.querySelectorAll("output")) out.value = form.elements[out.htmlFor.value].value;
  const query = new URLSearchParams(read()).toString();
  for (const field of document.querySelectorAll("[data-plan]")) field.value = query;
  for (const link of document.querySelectorAll("[data-plan-file]")) link.href = `${link.dataset.planFile}?${query}`;
}

// Undo: states before each change; steps of one grip or field that follow closely are one change.
const undone = [], redone = [];
let last = "", lastTime = 0;
function remember(key, before = read()) {
  const now = performance.now();
  if (key && key === last && now - lastTime < TOGETHER_MS) { lastTime = now; return; }
  last = key; lastTime = now;
  undone.push(before); redone.length = 0;
  buttons();
}
function buttons() {
  document.querySelector('[data-do="undo"]').disabled = !undone.length;
  document.querySelector('[data-do="redo"]').disabled = !redone.length;
}
function turnBack(from, to) {
  if (!from.length) return;
  to.push(read()); last = "";
  write(from.pop()); buttons(); again();
}

// One request at a time, always for the newest state: a slow network never queues up old ones.
async function again(also = {}) {
  if (running) { asked = { ...asked, ...also }; return; }
  running = true; asked = null;
  form.setAttribute("aria-busy", "true");
  const query = new URLSearchParams({ ...read(), ...also });
  try {
    const answer = await fetch(`${form.dataset.trial}?${query}`, { headers: { "hx-request": "true" } });
    if (answer.status === 200 || answer.status === 422) await put(await answer.text(), answer.ok, also.do);
    form.removeAttribute("data-offline");
  } catch { form.dataset.offline = form.dataset.lost; }
  running = false;
  if (asked) { again(asked); return; }
  form.removeAttribute("aria-busy");
  if (!held) history.replaceState(null, "", `?${new URLSearchParams(read())}`);
}
async function put(answer, taken, adopt) {
  const page = new DOMParser().parseFromString(answer, "text/html");
  const readings = page.querySelector('[data-part="readings"]');
  if (!taken) { document.querySelector('[data-part="readings"]').replaceWith(document.adoptNode(readings)); return; }
  await Promise.all([...page.querySelectorAll("image")].map((image) => fetched(image.getAttribute("href"))));
  const at = document.activeElement?.closest?.(".grip");
  const focus = at && { figure: at.closest("svg.plan-figure").dataset.figure, grip: at.dataset.grip, index: at.dataset.index };
  if (adopt) write(JSON.parse(readings.dataset.fields));
  if (Number(readings.dataset.longest)) form.elements.at.max = readings.dataset.longest;
  for (const fresh of page.querySelectorAll("[data-part]")) document.querySelector(`[data-part="${fresh.dataset.part}"]`)?.replaceWith(document.adoptNode(fresh));
  fit();
  if (drawing) showCross();
  if (focus) (grip(focus) ?? grip({ ...focus, index: String(Math.max(0, Number(focus.index) - 1)) }))?.focus();
  if (held) follow();
  tell();
}
const grip = ({ figure, grip, index }) => document.querySelector(`svg[data-figure="${figure}"] .grip[data-grip="${grip}"]${index === undefined ? "" : `[data-index="${index}"]`}`);
// A picture is asked for and unpacked before it is shown, so that nothing flickers.
function fetched(address) {
  if (!seen.has(address)) {
    const image = new Image();
    image.src = address;
    seen.set(address, image);
    if (seen.size > 80) seen.delete(seen.keys().next().value);
  }
  return seen.get(address).decode().catch(() => {});
}

// Grips and words keep their size on the screen, however small a figure is drawn.
function fit() {
  for (const svg of document.querySelectorAll("svg.plan-figure")) {
    const wide = svg.getBoundingClientRect().width;
    if (wide) svg.style.setProperty("--k", Math.min(3, Math.max(1, svg.viewBox.baseVal.width / wide)).toFixed(3));
  }
}
addEventListener("resize", fit);

// A move of so many millimetres across and up in a figure, put into the fields.
const vector = (svg, name) => svg.dataset[name].split(",").map(Number);
function along(svg, across, up) {
  const [a, u] = [vector(svg, "across"), vector(svg, "up")];
  return a.map((v, k) => v * across + u[k] * up);
}
const tangent = (degrees) => Math.tan(Number(degrees) * Math.PI / 180);
const degrees = (side, down) => Math.atan2(side, down) * 180 / Math.PI;
function moved(state, kind, index, svg, across, up) {
  const [x, y, z] = along(svg, across, up);
  if (kind === "entry") return { ...state, em: round(Number(state.em) + MESIAL * x), ef: round(Number(state.ef) + y), eo: round(Number(state.eo) + z) };
  if (kind === "at") return { ...state, at: Math.min(Number(form.elements.at.max), Math.max(0, Math.round((Number(state.at) + across) * 4) / 4)) };
  if (kind === "arch") {
    const spots = points(state.arch);
    spots[index] = [spots[index][0] + MESIAL * x, spots[index][1] + y, spots[index][2]];
    return { ...state, arch: text(spots) };
  }
  const way = [MESIAL * tangent(state.tm), tangent(state.tf), -1];
  const size = Number(state.long) / Math.hypot(...way);
  const apex = [way[0] * size + x, way[1] * size + y, way[2] * size + z];
  const down = Math.max(-apex[2], 0.6 * Math.hypot(apex[0], apex[1]), 0.1);
  return { ...state, tm: round(degrees(MESIAL * apex[0], down)), tf: round(degrees(apex[1], down)) };
}

// Dragging, by mouse, pen or finger.
let held = null;
const inFigure = (svg, event) => {
  const box = svg.getBoundingClientRect();
  return [(event.clientX - box.left) / box.width * svg.viewBox.baseVal.width, (event.clientY - box.top) / box.height * svg.viewBox.baseVal.height];
};
document.addEventListener("pointerdown", (event) => {
  const svg = event.target.closest?.("svg.plan-figure");
  if (!svg || event.button) return;
  const taken = event.target.closest(".grip");
  if (drawing && svg.dataset.figure === "above" && taken?.dataset.grip !== "arch") { event.preventDefault(); addPoint(spotAt(svg, inFigure(svg, event))); return; }
  if (svg.dataset.figure === "strip") { look(svg, event); return; }
  if (!taken) return;
  event.preventDefault();
  taken.focus();
  chosen = taken.dataset.grip === "arch" ? Number(taken.dataset.index) : chosen;
  // The figure as it was when it was taken: planes that turn while a grip is dragged must not turn the drag.
  const still = { dataset: { ...svg.dataset } };
  held = { kind: taken.dataset.grip, index: Number(taken.dataset.index), figure: svg.dataset.figure, still, start: read(), from: inFigure(svg, event), at: inFigure(svg, event), moved: false };
});
addEventListener("pointermove", (event) => {
  if (!held) return;
  const svg = document.querySelector(`svg[data-figure="${held.figure}"]`);
  held.at = inFigure(svg, event);
  const scale = Number(held.still.dataset.scale);
  const [across, up] = [(held.at[0] - held.from[0]) / scale, (held.from[1] - held.at[1]) / scale];
  if (!held.moved && Math.hypot(across, up) < 0.05) return;
  held.moved = true;
  write(moved(held.start, held.kind, held.index, held.still, across, up));
  follow();
  again();
});
// The grip itself follows at once; the rest of the drawing follows with the server's answer.
function follow() {
  if (held.kind === "apex") return;
  const g = grip({ figure: held.figure, grip: held.kind, index: held.kind === "arch" ? held.index : undefined });
  const spot = g?.querySelector("circle");
  if (!spot) return;
  held.off ??= [held.from[0] - Number(spot.getAttribute("cx")), held.from[1] - Number(spot.getAttribute("cy"))];
  const by = [held.at[0] - held.off[0] - Number(spot.getAttribute("cx")), held.kind === "at" ? 0 : held.at[1] - held.off[1] - Number(spot.getAttribute("cy"))];
  g.setAttribute("transform", `translate(${by[0]} ${by[1]})`);
}
function letGo() {
  if (!held) return;
  const { start, moved: really } = held;
  held = null;
  if (really) { remember("", start); again(); }
}
addEventListener("pointerup", letGo);
addEventListener("pointercancel", letGo);
function look(svg, event) {
  const place = [...svg.querySelectorAll("svg.within")].findIndex((one) => { const box = one.getBoundingClientRect(); return event.clientX >= box.left && event.clientX <= box.right; });
  if (place < 0) return;
  const labels = svg.querySelectorAll("svg.within").length;
  const here = [...svg.querySelectorAll("text")].filter((t) => t.getAttribute("y") === "12").map((t) => t.textContent.replace("−", "-"));
  const by = Number(here[place]) || 0;
  if (!by || labels !== here.length) return;
  remember("");
  form.elements.at.value = Number(form.elements.at.value) + by;
  tell(); again();
}

// Keys on a grip: arrows move it within its figure.
document.addEventListener("keydown", (event) => {
  if ((event.ctrlKey || event.metaKey) && !event.altKey && /^[zy]$/i.test(event.key) && !(event.target instanceof HTMLTextAreaElement)) {
    event.preventDefault();
    if (event.key.toLowerCase() === "y" || event.shiftKey) turnBack(redone, undone); else turnBack(undone, redone);
    return;
  }
  const taken = event.target instanceof Element && event.target.closest(".grip");
  if (taken && !event.ctrlKey && !event.metaKey && !event.altKey) gripKey(taken, event);
});
function gripKey(taken, event) {
  const svg = taken.closest("svg.plan-figure"), kind = taken.dataset.grip, index = Number(taken.dataset.index);
  const [dx, dy] = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key] ?? [0, 0];
  if (kind === "arch") chosen = index;
  if (dx || dy) {
    event.preventDefault();
    const step = STEPS[kind][event.shiftKey ? 1 : 0];
    if (kind === "cross") { cross = [cross[0] + dx * step, cross[1] + dy * step]; showCross(); return; }
    remember(`${kind}${index}`);
    write(moved(read(), kind, index, svg, dx * step, dy * step));
    again();
  } else if (kind === "arch" && (event.key === "Delete" || event.key === "Backspace")) { event.preventDefault(); dropPoint(index); }
  else if (kind === "cross" && (event.key === "Enter" || event.key === " ")) { event.preventDefault(); addPoint(crossSpot(svg)); }
  else if (kind === "cross" && event.key === "Escape") { event.preventDefault(); draw(false); }
}

// Drawing the arch: press after press, or a cross that keys move.
function spotAt(svg, [px, py]) {
  const across = Number(svg.dataset.left) + px / svg.dataset.scale, up = Number(svg.dataset.top) - (py - Number(svg.dataset.head)) / svg.dataset.scale;
  return spotFrom(svg, across, up);
}
function spotFrom(svg, across, up) {
  const [o, by] = [vector(svg, "origin"), along(svg, across, up)];
  return [MESIAL * (o[0] + by[0]), o[1] + by[1], Number(form.elements.level.value)];
}
const crossSpot = (svg) => spotFrom(svg, ...cross);
function addPoint(spot) {
  const spots = points(form.elements.arch.value);
  const end = spots.at(-1);
  if (end && Math.hypot(end[0] - spot[0], end[1] - spot[1]) < 0.5) return;
  remember("");
  form.elements.arch.value = text([...spots, spot]).replaceAll(";", "\n");
  tell(); again();
}
function dropPoint(index) {
  const spots = points(form.elements.arch.value);
  if (!(index >= 0 && index < spots.length)) return;
  remember("");
  spots.splice(index, 1);
  form.elements.arch.value = text(spots).replaceAll(";", "\n");
  tell(); again();
}
function halveLongest() {
  const spots = points(form.elements.arch.value);
  if (spots.length < 2) return;
  const gap = (k) => Math.hypot(...spots[k + 1].map((v, n) => v - spots[k][n]));
  const k = spots.slice(1).map((_, n) => n).reduce((best, n) => (gap(n) > gap(best) ? n : best), 0);
  remember("");
  spots.splice(k + 1, 0, spots[k].map((v, n) => (v + spots[k + 1][n]) / 2));
  form.elements.arch.value = text(spots).replaceAll(";", "\n");
  tell(); again();
}
function draw(on) {
  drawing = on;
  document.querySelector('[data-do="draw"]').setAttribute("aria-pressed", String(on));
  document.querySelector(".drawing-now").hidden = !on;
  form.classList.toggle("is-drawing", on);
  if (on) { remember(""); form.elements.arch.value = ""; cross = [0, 0]; tell(); again(); }
  else { document.querySelector('[data-grip="cross"]')?.remove(); document.querySelector('[data-do="draw"]').focus(); again(); }
}
function showCross() {
  const svg = document.querySelector('svg[data-figure="above"]');
  const x = (cross[0] - svg.dataset.left) * svg.dataset.scale, y = (svg.dataset.top - cross[1]) * svg.dataset.scale + Number(svg.dataset.head);
  let g = svg.querySelector('[data-grip="cross"]');
  if (!g) {
    g = document.createElementNS("http://www.w3.org/2000/svg", "g");
    for (const [name, value] of Object.entries({ class: "grip", tabindex: "0", role: "button", "data-grip": "cross", "aria-label": form.dataset.pointWords })) g.setAttribute(name, value);
    for (const width of [3.5, 1.4]) {
      const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
      for (const [name, value] of Object.entries({ d: "M-9 0H9M0 -9V9", "stroke-width": width, stroke: width > 2 ? "var(--sheet)" : "var(--ink)", fill: "none" })) line.setAttribute(name, value);
      g.append(line);
    }
    svg.append(g);
  }
  g.setAttribute("transform", `translate(${x} ${y})`);
  if (!points(form.elements.arch.value).length && document.activeElement?.dataset?.do === "draw") g.focus();
}

// Buttons and fields.
const DO = { undo: () => turnBack(undone, redone), redo: () => turnBack(redone, undone), draw: () => draw(!drawing), add: halveLongest, drop: () => dropPoint(chosen < 0 ? points(form.elements.arch.value).length - 1 : chosen) };
document.addEventListener("click", (event) => { DO[event.target.closest?.("[data-do]")?.dataset.do]?.(); });
form.addEventListener("submit", (event) => {
  event.preventDefault();
  const what = event.submitter?.value;
  if (what) remember("");
  again(what ? { do: what } : {});
});
let before = read();
form.addEventListener("focusin", () => { before = read(); });
form.addEventListener("input", (event) => {
  remember(event.target.name, before);
  before = read();
  tell(); again();
});
form.addEventListener("keydown", (event) => {
  const step = Number(event.target.dataset?.step), way = { ArrowUp: 1, ArrowDown: -1 }[event.key];
  if (!step || !way || event.target.value === "") return;
  event.preventDefault();
  remember(event.target.name);
  event.target.value = round(Number(event.target.value.replace(",", ".").replace("−", "-")) + way * step * (event.shiftKey ? 5 : 1));
  before = read();
  tell(); again();
});
for (const node of document.querySelectorAll(".scripted:not(.drawing-now)")) node.hidden = false;
document.documentElement.classList.add("with-script");
tell();
fit();
buttons();
