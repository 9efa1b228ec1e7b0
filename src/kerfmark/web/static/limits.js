// Dragging a limit with the caliper's jaws. The number fields and the arrow keys say the same without a drag.
const bench = () => document.getElementById("bench");
const form = () => document.getElementById("limits-form");
let asked = null, running = false;

// One request at a time, always for the latest limits: a slow network never queues up old ones.
async function again() {
  if (running) { asked = true; return; }
  running = true; asked = null;
  const address = `${form().dataset.trial}?${new URLSearchParams(new FormData(form()))}`;
  try {
    const answer = await fetch(address, { headers: { "hx-request": "true" } });
    if (answer.ok) put(await answer.text());
  } finally {
    running = false;
    if (asked) again();
  }
}
function put(text) {
  const held = document.activeElement?.closest(".jaw")?.dataset.limit;
  const typed = document.activeElement?.closest("#limits-form input")?.id;
  const page = new DOMParser().parseFromString(text, "text/html");
  for (const fresh of page.querySelectorAll("[data-part]")) document.querySelector(`[data-part="${fresh.dataset.part}"]`)?.replaceWith(document.adoptNode(fresh));
  if (held) [...document.querySelectorAll(`.jaw[data-limit="${held}"]`)].find((jaw) => jaw.getClientRects().length)?.focus();
  if (typed) document.getElementById(typed)?.focus();
  const now = document.querySelector("[data-trial-now]");
  if (now) document.querySelectorAll("[data-trial]:is(input)").forEach((field) => { field.value = now.value; });
}
function field(limit) { return form().elements[limit]; }
function move(limit, value) {
  const input = field(limit);
  const step = Number(input.step) || 0.01;
  const shown = (Math.round(value / step) * step).toFixed(Math.max(0, Math.ceil(-Math.log10(step))));
  if (input.value === shown) return;
  input.value = shown;
  again();
}

document.addEventListener("pointerdown", (event) => {
  const jaw = event.target.closest(".jaw");
  if (!jaw) return;
  event.preventDefault();
  jaw.focus();
  const limit = jaw.dataset.limit;
  const follow = (moved) => {
    const svg = bench().querySelector("svg.jaws");
    const box = svg.getBoundingClientRect();
    const { low, high, left, right, flipped } = svg.dataset;
    const x = (moved.clientX - box.left) / box.width * svg.viewBox.baseVal.width;
    const share = (x - Number(left)) / (Number(right) - Number(left));
    move(limit, Number(low) + (flipped === "1" ? 1 - share : share) * (Number(high) - Number(low)));
  };
  const stop = () => { removeEventListener("pointermove", follow); removeEventListener("pointerup", stop); removeEventListener("pointercancel", stop); };
  addEventListener("pointermove", follow);
  addEventListener("pointerup", stop);
  addEventListener("pointercancel", stop);
});
document.addEventListener("keydown", (event) => {
  const jaw = event.target instanceof Element && event.target.closest(".jaw");
  if (!jaw) return;
  const input = field(jaw.dataset.limit);
  const flipped = jaw.closest("svg").dataset.flipped === "1" ? -1 : 1;
  const step = (Number(input.step) || 0.01) * (event.shiftKey ? 5 : 1);
  const by = { ArrowRight: flipped, ArrowLeft: -flipped, ArrowUp: 1, ArrowDown: -1 }[event.key];
  if (by) { event.preventDefault(); move(jaw.dataset.limit, Number(input.value) + by * step); }
  if (event.key === "Escape") { event.preventDefault(); move(jaw.dataset.limit, Number(input.dataset.first)); }
});
document.addEventListener("input", (event) => { if (event.target.form === form() && event.target.type === "number" && event.target.validity.valid) again(); });
