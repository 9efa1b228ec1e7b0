// What every page can do beyond its forms. Without this file everything still works, by links and buttons.
const byId = (id) => document.getElementById(id);
const typing = (node) => node instanceof HTMLElement && (node.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(node.tagName) && !/^(radio|checkbox|submit|button)$/.test(node.type));
// What answers a form stands at the address of the form's own page: coming back to it asks for that page and sends nothing again.
if (document.body.dataset.cameFrom) history.replaceState(null, "", document.body.dataset.cameFrom);
// On a narrow screen the row of pages scrolls: the one that is open stands in sight.
document.querySelector(".ways-in [aria-current]")?.scrollIntoView({ inline: "center", block: "nearest" });
const singleKeys = () => document.body.dataset.keys === "on";

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented || typing(event.target)) return;
  if (event.key === "/" && byId("find")) { event.preventDefault(); byId("find").focus(); return; }
  if (event.key === "?" && singleKeys()) { event.preventDefault(); location.assign("/keys"); return; }
  const list = event.target.closest("[data-rows]");
  if (list && (event.key === "ArrowDown" || event.key === "ArrowUp")) moveRow(list, event);
});

// A form that changes something is sent once, however often it is clicked; coming back to the page lets it be sent again.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || form.method !== "post" || event.submitter?.formTarget) return;
  if (form.dataset.sent) event.preventDefault();
  form.dataset.sent = "1";
});
addEventListener("pageshow", () => { for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent; });

function moveRow(list, event) {
  const rows = [...list.querySelectorAll(list.dataset.rows)];
  const at = rows.indexOf(document.activeElement);
  const next = rows[at + (event.key === "ArrowDown" ? 1 : -1)];
  if (next) { event.preventDefault(); next.focus(); }
}

// Keys in the judging list: 1 2 3 say where, Q W E (by their place, so that other layouts work) how sure, arrows move on.
const JUDGING = { Digit1: ["view", 0], Digit2: ["view", 1], Digit3: ["view", 2], Numpad1: ["view", 0], Numpad2: ["view", 1], Numpad3: ["view", 2], KeyQ: ["sure", 0], KeyW: ["sure", 1], KeyE: ["sure", 2] };
document.addEventListener("keydown", (event) => {
  const question = event.target instanceof Element && event.target.closest(".question");
  if (!question || event.ctrlKey || event.metaKey || event.altKey || typing(event.target)) return;
  const questions = [...document.querySelectorAll(".question")];
  if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    const next = questions[questions.indexOf(question) + (event.key === "ArrowDown" ? 1 : -1)];
    if (next) { event.preventDefault(); (next.querySelector("input:checked") || next.querySelector("input")).focus(); }
    return;
  }
  const chosen = JUDGING[event.code];
  if (!chosen || !singleKeys()) return;
  const input = question.querySelectorAll(`input[data-part="${chosen[0]}"]`)[chosen[1]];
  if (input) { event.preventDefault(); input.checked = true; input.focus(); input.dispatchEvent(new Event("change", { bubbles: true })); }
});
document.addEventListener("change", (event) => {
  const form = event.target.closest("form.judging");
  if (form) tally(form);
});
function tally(form) {
  const questions = [...form.querySelectorAll(".question")];
  let done = 0;
  for (const question of questions) {
    const view = question.querySelector('input[data-part="view"]:checked');
    const sure = question.querySelector('input[data-part="sure"]:checked');
    const complete = Boolean(view && (view.value === "cannot tell" || sure));
    question.dataset.done = complete;
    done += complete;
  }
  for (const place of document.querySelectorAll("[data-tally]")) place.textContent = place.dataset.tally.replace("{done}", done).replace("{left}", questions.length - done);
}
document.querySelectorAll("form.judging").forEach(tally);
document.addEventListener("focusin", (event) => {
  const question = event.target instanceof Element && event.target.closest(".question[data-number]");
  if (question) document.querySelectorAll("kerfmark-view").forEach((view) => view.setAttribute("chosen", question.dataset.number));
});

// Deciding: 1 met, 2 not met, then the words.
document.addEventListener("keydown", (event) => {
  const row = event.target instanceof Element && event.target.closest(".decision");
  if (!row || event.ctrlKey || event.metaKey || event.altKey || typing(event.target) || !singleKeys()) return;
  const at = { Digit1: 0, Digit2: 1, Numpad1: 0, Numpad2: 1 }[event.code];
  const input = at === undefined ? null : row.querySelectorAll('input[type="radio"]')[at];
  if (!input) return;
  event.preventDefault();
  input.checked = true;
  row.querySelector("textarea")?.focus();
});

// Choosing a criterion anywhere chooses it everywhere: the list's radios and the view in three dimensions.
document.addEventListener("kerfmark:choose", (event) => {
  const input = byId(`c-${event.detail.number}`);
  if (input && !input.checked) { input.checked = true; input.dispatchEvent(new Event("change", { bubbles: true })); }
});
document.addEventListener("change", (event) => {
  if (event.target.name !== "c" || !event.target.id.startsWith("c-")) return;
  document.querySelectorAll("kerfmark-view").forEach((view) => view.setAttribute("chosen", event.target.id.slice(2)));
});
document.addEventListener("kerfmark:pin", (event) => {
  const form = byId("note-form");
  if (!form) return;
  const [x, y, z] = event.detail.point_mm;
  Object.assign(form.elements, {});
  form.elements.x_mm.value = x; form.elements.y_mm.value = y; form.elements.z_mm.value = z;
  form.closest("details")?.setAttribute("open", "");
  form.elements.text.focus();
});

// A page that is live asks for its fragment again whenever the server says that something moved.
for (const place of document.querySelectorAll("[data-live]")) {
  const events = new EventSource(place.dataset.live);
  const again = () => htmx.ajax("GET", place.dataset.fragment, { target: place, swap: "innerHTML" });
  events.addEventListener("moved", again);
  events.addEventListener("error", () => place.setAttribute("data-offline", ""));
  // what moved while nobody listened, before the line stood or while it was broken, is asked for once it stands
  events.addEventListener("open", () => { place.removeAttribute("data-offline"); again(); });
  addEventListener("pagehide", () => events.close());
}

// Words typed stay in this browser tab, for this person, until a page comes that says nothing went wrong with them.
const draftsOf = `draft:${document.body.dataset.person}:`;
if (document.body.dataset.person && !document.querySelector(".wrong[role=alert]")) {
  for (const key of JSON.parse(sessionStorage.getItem("sent") || "[]")) sessionStorage.removeItem(key);
  sessionStorage.removeItem("sent");
}
for (const area of document.body.dataset.person ? document.querySelectorAll("textarea[data-draft]") : []) {
  const key = draftsOf + area.dataset.draft;
  if (!area.value) area.value = sessionStorage.getItem(key) || "";
  area.addEventListener("input", () => sessionStorage.setItem(key, area.value));
  area.form?.addEventListener("submit", () => sessionStorage.setItem("sent", JSON.stringify([...JSON.parse(sessionStorage.getItem("sent") || "[]"), key])));
}
document.querySelector('form[action="/sign-out"]')?.addEventListener("submit", () => sessionStorage.clear());
